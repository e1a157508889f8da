"""What happens in the test program, in words and as the data of the recorded event."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rig.domain import program_state
from rig.domain.formatting import duration, number
from rig.domain.model import Channel
from rig.domain.phase_monitor import Drive
from rig.domain.program import Phase, Program
from rig.domain.program_state import ProgramChange, Progress, What

NOTHING = "the test program is over; the limits of the rig file hold"
NOBODY_KNOWS = (
    "nobody knows which phase is in force, so the strictest limits of all phases hold; "
    "say which it is: soakrig phase RUN NAME"
)


def words(
    happening: ProgramChange,
    program: Program,
    channels: Mapping[str, Channel],
    readings: Mapping[str, float | None],
    drive: Drive | None = None,
) -> str:
    """Return what happened in words. readings: newest good value of each target's channel."""
    progress, steps = happening.progress, program.steps
    if happening.what is What.UNKNOWN:
        return f"{NOBODY_KNOWS} ({happening.why})" if happening.why else NOBODY_KNOWS
    if not 0 <= progress.at < len(steps):
        return NOTHING
    phase = steps[progress.at].phase
    name = f"phase {phase.name}"
    had = so_far(progress, phase)
    where = f"(step {progress.at + 1} of {len(steps)})"
    said = {
        What.DUE: f"{name} is due {where}{_wanted(phase, program, channels, readings)}",
        What.REACHED: f"{name} reached{_then(phase)}",
        What.COUNTS: f"{name}: warm-up over after {duration(progress.warm_s)}; from now on time counts",
        What.LEFT: f"{name} left, {had}: {happening.why}",
        What.BACK: f"{name} is back within its targets, {had}",
        What.DONE: f"{name} done: {had}{_driven(drive)}",
        What.HELD: f"{name} held by hand, {had}",
        What.GOES_ON: f"{name} goes on by hand, {had}",
        What.RESUMED: f"{name} resumed, {had}; its targets must be met again before time counts",
    }
    return said.get(happening.what, NOTHING)


def so_far(progress: Progress, phase: Phase) -> str:
    """Return how much of a phase has been had: ``12 h of 100 h``, ``40 of 600 cycles``."""
    parts = []
    if phase.duration_s is not None:
        parts.append(f"{duration(progress.done_s)} of {duration(phase.duration_s)}")
    if phase.count is not None:
        parts.append(f"{progress.cycles} of {phase.count} cycles")
    return " and ".join(parts) or f"{duration(progress.done_s)} so far"


def _wanted(
    phase: Phase,
    program: Program,
    channels: Mapping[str, Channel],
    readings: Mapping[str, float | None],
) -> str:
    parts = []
    for channel, target in phase.targets.items():
        example = next((one for name, one in channels.items() if _stands_for(channel, name)), None)
        unit = example.unit_of_measure if example else ""
        reads = readings.get(channel)
        now = "" if reads is None else f" (reads {number(reads)})"
        by = ", set by soakrig" if channel in program.sources else ""
        parts.append(f"{channel} to {target.value:g} +- {target.tolerance:g} {unit}{now}{by}")
    text = ", ".join(parts)
    if parts and phase.ramp_s:
        text += f", over {duration(phase.ramp_s)}"
    extras = [text] if text else []
    if phase.load:
        extras.append(f"load: {phase.load}")
    if phase.drive is not None:
        extras.append(f"drive {phase.drive.on_s:g} s on, {phase.drive.off_s:g} s off")
    return f": {'; '.join(extras)}" if extras else ""


def _stands_for(name: str, channel: str) -> bool:
    return name == channel or ("{unit}" in name and channel.endswith(name.partition("{unit}")[2]))


def _then(phase: Phase) -> str:
    waits = []
    if phase.warm_up_s:
        waits.append(f"{duration(phase.warm_up_s)} of warm-up")
    if phase.steady:
        waits.append(f"until {', '.join(one.channel for one in phase.steady)} is steady")
    if waits:
        return f"; {' and '.join(waits)} before time counts"
    if phase.duration_s is not None:
        return f"; {duration(phase.duration_s)} to go"
    if phase.count is not None:
        return f"; {phase.count} cycles to go"
    return ""


def _driven(drive: Drive | None) -> str:
    if drive is None or not drive.cycles:
        return ""
    on_s, off_s = drive.on_s / drive.cycles, drive.off_s / drive.cycles
    return f"; driven {drive.cycles} times, {on_s:.3g} s on and {off_s:.3g} s off on average"


def data(
    happening: ProgramChange,
    program: Program,
    readings: Mapping[str, float | None],
    drive: Drive | None = None,
) -> dict[str, Any]:
    """Return what the event carries: what, phase, pass, had and planned time, targets and readings."""
    progress, steps = happening.progress, program.steps
    kept = program_state.to_json(progress, steps)
    step = steps[progress.at] if 0 <= progress.at < len(steps) else None
    values: dict[str, Any] = {
        "what": str(happening.what),
        "phase": step.phase.name if step else "",
        "pass": step.number if step else 0,
        "stage": str(progress.stage),
        "done_s": kept["done_s"],
        "cycles": progress.cycles,
        "progress": kept,
        "why": happening.why,
    }
    if step is not None:
        phase = step.phase
        values |= {
            "planned_s": phase.duration_s,
            "planned_cycles": phase.count,
            "load": phase.load,
            "targets": {
                channel: {"value": one.value, "tolerance": one.tolerance, "reads": readings.get(channel)}
                for channel, one in phase.targets.items()
            },
        }
    if drive is not None:
        values["driven"] = {
            "cycles": drive.cycles,
            "on_s": round(drive.on_s, 3),
            "off_s": round(drive.off_s, 3),
        }
    return values
