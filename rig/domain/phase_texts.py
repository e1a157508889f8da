"""Texts and data of the events of the test program."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from rig.domain.formatting import duration, quantity, setting, with_tolerance
from rig.domain.group_progress import GroupPlan
from rig.domain.limit_history import GROUP
from rig.domain.model import Channel
from rig.domain.phase_monitor import Drive
from rig.domain.program import Phase, by_hand
from rig.domain.program_state import ProgramChange, Progress, What

NOTHING = "test program ended; the limits of the rig file are in force"
UNKNOWN_PHASE = (
    "phase in force unknown, so the strictest limits of all phases are in force; "
    "name the phase: soakrig phase RUN NAME"
)
_OF_ONE_UNIT = frozenset({What.LEAVES, What.JOINS})
VARIAC_CAUTION = "caution: mains voltage kills, a variac does not isolate"


@dataclass(frozen=True, slots=True, kw_only=True)
class TextScope:
    """What the texts of one group go by.

    readings: newest good value of each target's channel. drive: as read back, None where no cycle is planned.
    units: of the group, where a rig has more than one; () for the only one.
    """

    plan: GroupPlan
    channels: Mapping[str, Channel]
    readings: Mapping[str, float | None]
    drive: Drive | None = None
    units: tuple[str, ...] = ()


def words(change: ProgramChange, scope: TextScope) -> str:
    """Return the text of a change."""
    progress, steps = change.progress, scope.plan.steps
    which = f"{', '.join(scope.units)}: " if scope.units else ""
    if change.what is What.UNKNOWN:
        return which + (f"{UNKNOWN_PHASE} ({change.why})" if change.why else UNKNOWN_PHASE)
    if not 0 <= progress.at < len(steps):
        return change.why if change.what in _OF_ONE_UNIT else which + NOTHING
    phase = steps[progress.at].phase
    name = f"phase {phase.name}" + (f" for {', '.join(scope.units)}" if scope.units else "")
    done = so_far(progress, phase)
    step = f"{name}, step {progress.at + 1} of {len(steps)}"
    if change.what in {What.DUE, What.OVERDUE}:
        late = "overdue for " if change.what is What.OVERDUE else ""
        return _due(f"{step}; {late}{change.why}" if change.why else step, phase, scope)
    texts = {
        What.REACHED: f"{name} reached{_then(phase)}",
        What.COUNTS: f"{name}: warm-up complete after {duration(progress.warm_s)}; time counts from now on",
        What.LEFT: f"{name}: targets missed, {done}: {change.why}",
        What.BACK: f"{name}: targets met again, {done}",
        What.DONE: f"{name} complete: {done}{_driven(scope.drive)}",
        What.HELD: f"{name} held by hand, {done}",
        What.GOES_ON: f"{name} continued by hand, {done}",
        What.RESUMED: f"{name} resumed, {done}; its targets must be met again before time counts",
        What.LEAVES: f"{change.why}; {name} continues without it",
        What.JOINS: f"{change.why}; {name}, {done}",
        What.WITNESS: f"{name}: {change.why}",
    }
    return texts.get(change.what, NOTHING)


def so_far(progress: Progress, phase: Phase) -> str:
    """Return how much of a phase is done: ``12 h of 100 h``, ``40 of 600 cycles``."""
    parts = []
    if phase.duration_s is not None:
        parts.append(f"{duration(progress.done_s)} of {duration(phase.duration_s)}")
    if phase.count is not None:
        parts.append(f"{progress.cycles} of {phase.count} cycles")
    return " and ".join(parts) or f"{duration(progress.done_s)} so far"


def _due(step: str, phase: Phase, scope: TextScope) -> str:
    """Return what has to be set for a phase: an ACTION with a caution where a person has to do it."""
    hands, program = by_hand(phase, scope.plan.program, scope.plan.foreign), scope.plan.program
    texts: dict[str, str] = {}
    for channel, target in phase.targets.items():
        example = next((one for name, one in scope.channels.items() if _stands_for(channel, name)), None)
        unit = example.unit_of_measure if example else ""
        reads = scope.readings.get(channel)
        now = ""
        if reads is not None:
            now = f", now {quantity(reads, unit, example.resolution if example else 0.0)}"
        texts[channel] = f"{channel} to {with_tolerance(target.value, target.tolerance, unit)}{now}"
    by_command = [one for one in texts if one in program.sources and one not in scope.plan.foreign]
    extras = [f"load: {phase.load}"] if phase.load else []
    if phase.drive is not None:
        extras.append(f"drive {setting(phase.drive.on_s, 's')} on, {setting(phase.drive.off_s, 's')} off")
    over = f" over {duration(phase.ramp_s)}" if phase.ramp_s else ""
    action = f"ACTION: set {', '.join(texts[one] for one in hands)}{over} ({step})"
    parts = [action, VARIAC_CAUTION] if hands else [step]
    if by_command:
        parts.append(f"soakrig sets {', '.join(texts[one] for one in by_command)}{over}")
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


def data(change: ProgramChange, scope: TextScope, kept: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the event carries: what, phase, pass, time done and planned, targets and readings.

    kept: the group as JSON values. ``group`` names its units where a rig has more than one; ``action`` says
    that a person has to do something.
    """
    progress, plan, drive = change.progress, scope.plan, scope.drive
    step = plan.steps[progress.at] if 0 <= progress.at < len(plan.steps) else None
    values: dict[str, Any] = {
        "what": str(change.what),
        "phase": step.phase.name if step else "",
        "pass": step.number if step else 0,
        "stage": str(progress.stage),
        "done_s": round(progress.done_s, 3),
        "cycles": progress.cycles,
        "progress": dict(kept),
        "why": change.why,
    }
    if scope.units:
        values[GROUP] = list(scope.units)
    if step is not None:
        phase = step.phase
        hands = by_hand(phase, plan.program, plan.foreign)
        if change.what is What.OVERDUE or (change.what is What.DUE and hands):
            values["action"] = True
        values |= {
            "planned_s": phase.duration_s,
            "planned_cycles": phase.count,
            "load": phase.load,
            "targets": {
                channel: {
                    "value": one.value,
                    "tolerance": one.tolerance,
                    "reads": scope.readings.get(channel),
                }
                for channel, one in phase.targets.items()
                if channel not in plan.foreign
            },
        }
    if drive is not None:
        values["driven"] = {
            "cycles": drive.cycles,
            "on_s": round(drive.on_s, 3),
            "off_s": round(drive.off_s, 3),
        }
    return values
