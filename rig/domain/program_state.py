"""State of a unit, or of a group, within the test program: a table of stages, and the way through it.

``rig.domain.group_progress`` has the units of a group go through the steps together.

Time counts for a phase only between two looks that both saw its targets met; so a gap, a hung meter or a
variac that slipped cost time and never give any. A phase is reached when its targets have been met for its
settling time, and left when they have been missed for as long.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rig.domain.model import Limit
from rig.domain.phase_monitor import PhaseObservation
from rig.domain.program import Phase, Program, ProgramStep, looser, strictest

LONGEST_STEP_NS = 5_000_000_000
"""Looks farther apart than this (a suspended machine, a stalled process) count for nothing."""


class PhaseStage(enum.StrEnum):
    """Stage of a phase."""

    DUE = "due"
    """A person, or a source, has to set its targets."""
    SETTLING = "settling"
    """All targets are met; the settling time is running."""
    WARMING = "warming up"
    """Reached; the warm-up is not complete yet."""
    RUNNING = "running"
    SLIPPING = "slipping"
    """A target is missed, or not seen, for less than the settling time."""
    LEFT = "left"
    RETURNING = "returning"
    """Left, and all targets are met again; the settling time is running."""
    HELD = "held"
    OVER = "over"
    """The program has come to its end."""
    UNKNOWN = "unknown"
    """Phase in force unknown: not recorded, or not in the rig file."""


class PhaseSignal(enum.Enum):
    """Input of the state table."""

    MET = "met"
    MISSED = "missed"
    LASTED = "lasted"
    """The stage has lasted for the settling time."""
    WARM = "warm"
    HOLD = "hold"
    GO = "go"


TABLE: dict[tuple[PhaseStage, PhaseSignal], PhaseStage] = {
    (PhaseStage.DUE, PhaseSignal.MET): PhaseStage.SETTLING,
    (PhaseStage.SETTLING, PhaseSignal.MISSED): PhaseStage.DUE,
    (PhaseStage.SETTLING, PhaseSignal.LASTED): PhaseStage.WARMING,
    (PhaseStage.WARMING, PhaseSignal.MISSED): PhaseStage.SLIPPING,
    (PhaseStage.WARMING, PhaseSignal.WARM): PhaseStage.RUNNING,
    (PhaseStage.RUNNING, PhaseSignal.MISSED): PhaseStage.SLIPPING,
    (PhaseStage.SLIPPING, PhaseSignal.MET): PhaseStage.WARMING,
    (PhaseStage.SLIPPING, PhaseSignal.LASTED): PhaseStage.LEFT,
    (PhaseStage.LEFT, PhaseSignal.MET): PhaseStage.RETURNING,
    (PhaseStage.RETURNING, PhaseSignal.MISSED): PhaseStage.LEFT,
    (PhaseStage.RETURNING, PhaseSignal.LASTED): PhaseStage.WARMING,
    **{
        (stage, PhaseSignal.HOLD): PhaseStage.HELD
        for stage in PhaseStage
        if stage not in {PhaseStage.HELD, PhaseStage.OVER, PhaseStage.UNKNOWN}
    },
    (PhaseStage.HELD, PhaseSignal.GO): PhaseStage.DUE,
}
"""Every transition within a phase; what is not in it changes nothing."""

REACHED = frozenset(
    {PhaseStage.WARMING, PhaseStage.RUNNING, PhaseStage.SLIPPING, PhaseStage.LEFT, PhaseStage.RETURNING}
)


class What(enum.StrEnum):
    """Change that is recorded."""

    DUE = "due"
    REACHED = "reached"
    COUNTS = "counts"
    """The warm-up is over."""
    LEFT = "left"
    BACK = "back"
    DONE = "done"
    ENDED = "ended"
    HELD = "held"
    GOES_ON = "goes on"
    RESUMED = "resumed"
    UNKNOWN = "unknown"
    OVERDUE = "overdue"
    """Targets unmet for the time-out of the phase, and again for each further one."""
    LEAVES = "leaves"
    """A unit takes no part any more; the others go on."""
    JOINS = "joins"
    """A unit takes part, with what its serial number has done."""
    WITNESS = "witness"
    """The drive is read at another channel: its own belongs to a unit that takes no part."""


_TOLD: dict[tuple[PhaseStage, PhaseStage], What] = {
    (PhaseStage.SETTLING, PhaseStage.WARMING): What.REACHED,
    (PhaseStage.SLIPPING, PhaseStage.LEFT): What.LEFT,
    (PhaseStage.RETURNING, PhaseStage.WARMING): What.BACK,
    (PhaseStage.HELD, PhaseStage.DUE): What.GOES_ON,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """Where a unit or a group stands. ``at``: index among the program's steps, -1 where it is not known.

    done_s, cycles: what counted in this phase; warm_s: of its warm-up. before: name of the phase before,
    '' for none. since_ns: when the stage began, last_ns: when it was looked at last (0: not yet), both on
    the clock of this session.
    """

    at: int = 0
    stage: PhaseStage = PhaseStage.DUE
    before: str = ""
    done_s: float = 0.0
    cycles: int = 0
    warm_s: float = 0.0
    since_ns: int = 0
    last_ns: int = 0
    met: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgramChange:
    """Something worth recording, and where the program stood then."""

    what: What
    progress: Progress
    why: str = ""


def within_step(
    progress: Progress, step: ProgramStep, sight: PhaseObservation, now_ns: int, new_cycles: int = 0
) -> tuple[Progress, tuple[ProgramChange, ...]]:
    """Return the state within a step after a look at ``now_ns`` (boot clock), and what changed.

    new_cycles: drive cycles completed since the look before. Looks must not go back in time.
    """
    progress = _counted(progress, sight, now_ns, new_cycles)
    changes: list[ProgramChange] = []
    for signal in _signals(progress, step, sight, now_ns):
        stage = TABLE.get((progress.stage, signal))
        if stage is not None:
            what = _TOLD.get((progress.stage, stage))
            progress = replace(progress, stage=stage, since_ns=now_ns)
            if what is not None:
                changes.append(ProgramChange(what=what, progress=progress, why=sight.missed))
    if progress.stage is PhaseStage.WARMING and _is_warm(progress, step, sight):
        warmed = has_warm_up(step.phase) and progress.done_s == 0.0
        progress = replace(progress, stage=PhaseStage.RUNNING, since_ns=now_ns)
        if warmed:
            changes.append(ProgramChange(what=What.COUNTS, progress=progress))
    return progress, tuple(changes)


def _counted(progress: Progress, sight: PhaseObservation, now_ns: int, new_cycles: int) -> Progress:
    """Return the progress with the time since the last look counted, if both looks saw the targets met."""
    elapsed_ns = now_ns - progress.last_ns
    counts = progress.met and sight.met is True and 0 < elapsed_ns <= LONGEST_STEP_NS
    spent_s = elapsed_ns / 1e9 if counts and progress.last_ns else 0.0
    progress = replace(progress, last_ns=now_ns, met=sight.met is True)
    if progress.stage is PhaseStage.WARMING:
        return replace(progress, warm_s=progress.warm_s + spent_s)
    if progress.stage is PhaseStage.RUNNING:
        return replace(
            progress, done_s=progress.done_s + spent_s, cycles=progress.cycles + new_cycles * counts
        )
    return progress


def _signals(
    progress: Progress, step: ProgramStep, sight: PhaseObservation, now_ns: int
) -> list[PhaseSignal]:
    signals = []
    lasting = progress.stage in {PhaseStage.SETTLING, PhaseStage.RETURNING, PhaseStage.SLIPPING}
    if lasting and now_ns - progress.since_ns >= step.phase.settle_s * 1e9:
        wanted = progress.stage is not PhaseStage.SLIPPING
        if (sight.met is True) == wanted:
            signals.append(PhaseSignal.LASTED)
    signals.append(PhaseSignal.MET if sight.met is True else PhaseSignal.MISSED)
    return signals


def _is_warm(progress: Progress, step: ProgramStep, sight: PhaseObservation) -> bool:
    return progress.done_s > 0.0 or (progress.warm_s >= step.phase.warm_up_s and sight.steady)


def is_full(progress: Progress, step: ProgramStep, sight: PhaseObservation) -> bool:
    """Return whether all that a step asks for is done. One that ends by hand never is."""
    phase = step.phase
    if progress.stage is not PhaseStage.RUNNING:
        return False
    if phase.duration_s is None and phase.count is None and not phase.until:
        return False  # it ends by hand
    long = phase.duration_s is None or progress.done_s >= phase.duration_s
    often = phase.count is None or progress.cycles >= phase.count
    return long and often and (not phase.until or sight.ended)


def has_warm_up(phase: Phase) -> bool:
    """Return whether anything must pass between reaching a phase and the time that counts."""
    return bool(phase.warm_up_s or phase.steady)


# ---- the clock of a phase


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseClock:
    """Stage and times of a phase at one moment. to_go_s: None where the end is not a matter of time."""

    stage: str
    done_s: float | None
    to_go_s: float | None


def time_to_go(done_s: float | None, planned_s: float | None) -> float | None:
    """Return how long a phase still goes, its targets met; None where that is not a matter of time."""
    return None if done_s is None or planned_s is None else max(0.0, planned_s - done_s)


def phase_clock(
    stage: str, done_s: float | None, planned_s: float | None, *, since_s: float, phase: Phase | None
) -> PhaseClock:
    """Return the clock of a phase ``since_s`` after the event that gave stage and time done.

    phase: as planned, None where it is not known. A target missed for a moment is not yet a phase left. The
    step from warming up to running has an event of its own only where a warm-up is planned and none of the
    time was done; elsewhere time counts at once.
    """
    warmed = done_s is not None and done_s > 0.0
    if stage == PhaseStage.WARMING and (warmed or (phase is not None and not has_warm_up(phase))):
        stage = PhaseStage.RUNNING
    if done_s is not None and stage in {PhaseStage.RUNNING, PhaseStage.SLIPPING}:
        done_s += max(0.0, since_s)
    return PhaseClock(stage=str(stage), done_s=done_s, to_go_s=time_to_go(done_s, planned_s))


# ---- from session to session


def to_json(progress: Progress, steps: Sequence[ProgramStep]) -> dict[str, Any]:
    """Return where the program stands as JSON values, for the next session."""
    step = steps[progress.at] if 0 <= progress.at < len(steps) else None
    return {
        "at": progress.at,
        "of": len(steps),
        "phase": step.phase.name if step else "",
        "pass": step.number if step else 0,
        "stage": str(progress.stage),
        "before": progress.before,
        "done_s": round(progress.done_s, 3),
        "cycles": progress.cycles,
        "warm_s": round(progress.warm_s, 3),
    }


def resumed(values: Mapping[str, Any], steps: Sequence[ProgramStep], now_ns: int) -> Progress:
    """Return the program where an earlier session left it; its targets must be met again before time counts.

    A step is found by its number, else by the phase's name and pass (the program was changed). UNKNOWN if
    there is no such step, or the values make no sense.
    """
    unknown = Progress(at=-1, stage=PhaseStage.UNKNOWN, since_ns=now_ns)
    try:
        stage = PhaseStage(values["stage"])
        at, name, number = int(values["at"]), str(values["phase"]), int(values["pass"])
        had = {
            "before": str(values["before"]),
            "done_s": max(0.0, float(values["done_s"])),
            "cycles": max(0, int(values["cycles"])),
            "warm_s": max(0.0, float(values["warm_s"])),
        }
    except (KeyError, TypeError, ValueError, OverflowError):
        return unknown
    if stage is PhaseStage.OVER:
        return Progress(at=len(steps), stage=PhaseStage.OVER, since_ns=now_ns)
    places = [n for n, one in enumerate(steps) if (one.phase.name, one.number) == (name, number)]
    if stage is PhaseStage.UNKNOWN or not places:
        return unknown
    at = at if at in places else places[0]
    stage = (
        PhaseStage.HELD
        if stage is PhaseStage.HELD
        else (PhaseStage.LEFT if stage in REACHED else PhaseStage.DUE)
    )
    return Progress(at=at, stage=stage, since_ns=now_ns, **had)  # type: ignore[arg-type]


def limits_in_force(
    program: Program, progress: Progress, own: Mapping[str, tuple[Limit, ...]]
) -> dict[str, tuple[Limit, ...]]:
    """Return the limits that the program puts in place of the rig file's, by channel.

    own: the rig file's, by channel. On the way from one phase to the next, what either allows is allowed.
    Where the phase in force is unknown, only what all of them allow is. After the end: none.
    """
    steps = program.steps
    if progress.stage is PhaseStage.UNKNOWN:
        named = dict.fromkeys(channel for phase in program.phases for channel in phase.limits)
        return {
            channel: strictest(
                [
                    own.get(channel, ()),
                    *(one.limits.get(channel, own.get(channel, ())) for one in program.phases),
                ]
            )
            for channel in named
        }
    if not 0 <= progress.at < len(steps):
        return {}
    phase = steps[progress.at].phase
    before = program.phase(progress.before)
    if before is None or progress.stage not in {PhaseStage.DUE, PhaseStage.SETTLING}:
        return dict(phase.limits)
    named = dict.fromkeys([*before.limits, *phase.limits])
    return {
        channel: looser([one.limits.get(channel, own.get(channel, ())) for one in (before, phase)])
        for channel in named
    }
