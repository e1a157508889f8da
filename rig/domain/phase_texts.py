"""Texts and data of the events of the test program."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rig.domain import program_state
from rig.domain.formatting import duration, quantity, setting, with_tolerance
from rig.domain.model import Channel
from rig.domain.phase_monitor import Drive
from rig.domain.program import Phase, Program
from rig.domain.program_state import ProgramChange, Progress, What

NOTHING = "test program ended; the limits of the rig file are in force"
UNKNOWN_PHASE = (
    "phase in force unknown, so the strictest limits of all phases are in force; "
    "name the phase: soakrig phase RUN NAME"
)
VARIAC_CAUTION = "caution: mains voltage kills, a variac does not isolate"


def words(
    happening: ProgramChange,
    program: Program,
    channels: Mapping[str, Channel],
    readings: Mapping[str, float | None],
    drive: Drive | None = None,
) -> str:
    """Return the text of a change. readings: newest good value of each target's channel."""
    progress, steps = happening.progress, program.steps
    if happening.what is What.UNKNOWN:
        return f"{UNKNOWN_PHASE} ({happening.why})" if happening.why else UNKNOWN_PHASE
    if not 0 <= progress.at < len(steps):
        return NOTHING
    phase = steps[progress.at].phase
    name = f"phase {phase.name}"
    done = so_far(progress, phase)
    step = f"{name}, step {progress.at + 1} of {len(steps)}"
    texts = {
        What.DUE: _due(step, phase, program, channels, readings),
        What.REACHED: f"{name} reached{_then(phase)}",
        What.COUNTS: f"{name}: warm-up complete after {duration(progress.warm_s)}; time counts from now on",
        What.LEFT: f"{name}: targets missed, {done}: {happening.why}",
        What.BACK: f"{name}: targets met again, {done}",
        What.DONE: f"{name} complete: {done}{_driven(drive)}",
        What.HELD: f"{name} held by hand, {done}",
        What.GOES_ON: f"{name} continued by hand, {done}",
        What.RESUMED: f"{name} resumed, {done}; its targets must be met again before time counts",
    }
    return texts.get(happening.what, NOTHING)


def so_far(progress: Progress, phase: Phase) -> str:
    """Return how much of a phase is done: ``12 h of 100 h``, ``40 of 600 cycles``."""
    parts = []
    if phase.duration_s is not None:
        parts.append(f"{duration(progress.done_s)} of {duration(phase.duration_s)}")
    if phase.count is not None:
        parts.append(f"{progress.cycles} of {phase.count} cycles")
    return " and ".join(parts) or f"{duration(progress.done_s)} so far"


def _due(
    step: str,
    phase: Phase,
    program: Program,
    channels: Mapping[str, Channel],
    readings: Mapping[str, float | None],
) -> str:
    """Return what has to be set for a phase: an ACTION with a caution where a person has to do it."""
    by_hand: list[str] = []
    by_command: list[str] = []
    for channel, target in phase.targets.items():
        example = next((one for name, one in channels.items() if _stands_for(channel, name)), None)
        unit = example.unit_of_measure if example else ""
        reads = readings.get(channel)
        now = ""
        if reads is not None:
            now = f", now {quantity(reads, unit, example.resolution if example else 0.0)}"
        text = f"{channel} to {with_tolerance(target.value, target.tolerance, unit)}{now}"
        (by_command if channel in program.sources else by_hand).append(text)
    extras = [f"load: {phase.load}"] if phase.load else []
    if phase.drive is not None:
        extras.append(f"drive {setting(phase.drive.on_s, 's')} on, {setting(phase.drive.off_s, 's')} off")
    over = f" over {duration(phase.ramp_s)}" if phase.ramp_s else ""
    action = f"ACTION: set {', '.join(by_hand)}{over} ({step})"
    parts = [action, VARIAC_CAUTION] if by_hand else [step]
    if by_command:
        parts.append(f"soakrig sets {', '.join(by_command)}{over}")
    return "; ".join([*parts, *extras])


def _stands_for(name: str, channel: str) -> bool:
    return name == channel or ("{unit}" in name and channel.endswith(name.partition("{unit}")[2]))


def _then(phase: Phase) -> str:
    waits = []
    if phase.warm_up_s:
        waits.append(f"{duration(phase.warm_up_s)} of warm-up")
    if phase.steady:
        waits.append(f"steady {', '.join(one.channel for one in phase.steady)}")
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
    return f"; driven {drive.cycles} times, mean {duration(on_s)} on and {duration(off_s)} off"


def data(
    happening: ProgramChange,
    program: Program,
    readings: Mapping[str, float | None],
    drive: Drive | None = None,
) -> dict[str, Any]:
    """Return what the event carries: what, phase, pass, time done and planned, targets and readings."""
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
