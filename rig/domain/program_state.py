"""State of the test program: a table of stages, and the function that moves through it.

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
from rig.domain.program import Program, ProgramStep, looser, strictest

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


_TOLD: dict[tuple[PhaseStage, PhaseStage], What] = {
    (PhaseStage.SETTLING, PhaseStage.WARMING): What.REACHED,
    (PhaseStage.SLIPPING, PhaseStage.LEFT): What.LEFT,
    (PhaseStage.RETURNING, PhaseStage.WARMING): What.BACK,
    (PhaseStage.HELD, PhaseStage.DUE): What.GOES_ON,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """Where the program stands. ``at``: index among the program's steps, -1 where it is not known.

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


def begin(now_ns: int) -> tuple[Progress, tuple[ProgramChange, ...]]:
    """Return a program at its very beginning."""
    progress = Progress(since_ns=now_ns)
    return progress, (ProgramChange(what=What.DUE, progress=progress),)


def advance(
    progress: Progress,
    steps: Sequence[ProgramStep],
    sight: PhaseObservation,
    now_ns: int,
    new_cycles: int = 0,
) -> tuple[Progress, tuple[ProgramChange, ...]]:
    """Return where the program stands after a look at ``now_ns`` (boot clock), and what happened.

    new_cycles: drive cycles completed since the look before. Looks must not go back in time.
    """
    if progress.stage in {PhaseStage.OVER, PhaseStage.UNKNOWN} or not 0 <= progress.at < len(steps):
        return progress, ()
    progress = _counted(progress, sight, now_ns, new_cycles)
    happenings: list[ProgramChange] = []
    for signal in _signals(progress, steps[progress.at], sight, now_ns):
        stage = TABLE.get((progress.stage, signal))
        if stage is not None:
            what = _TOLD.get((progress.stage, stage))
            progress = replace(progress, stage=stage, since_ns=now_ns)
            if what is not None:
                happenings.append(ProgramChange(what=what, progress=progress, why=sight.missed))
    phase = steps[progress.at].phase
    if progress.stage is PhaseStage.WARMING and _is_warm(progress, steps[progress.at], sight):
        warmed = bool(phase.warm_up_s or phase.steady) and progress.done_s == 0.0
        progress = replace(progress, stage=PhaseStage.RUNNING, since_ns=now_ns)
        if warmed:
            happenings.append(ProgramChange(what=What.COUNTS, progress=progress))
    if progress.stage is PhaseStage.RUNNING and _is_full(progress, steps[progress.at], sight):
        happenings.append(ProgramChange(what=What.DONE, progress=progress))
        progress, more = to_step(progress, steps, progress.at + 1, now_ns)
        happenings += more
    return progress, tuple(happenings)


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


def _is_full(progress: Progress, step: ProgramStep, sight: PhaseObservation) -> bool:
    phase = step.phase
    if phase.duration_s is None and phase.count is None and not phase.until:
        return False  # it ends by hand
    long = phase.duration_s is None or progress.done_s >= phase.duration_s
    often = phase.count is None or progress.cycles >= phase.count
    return long and often and (not phase.until or sight.ended)


def to_step(
    progress: Progress, steps: Sequence[ProgramStep], at: int, now_ns: int
) -> tuple[Progress, tuple[ProgramChange, ...]]:
    """Return the program at the beginning of step ``at``, or at its end if there is no such step."""
    before = steps[progress.at].phase.name if 0 <= progress.at < len(steps) else ""
    stage = PhaseStage.DUE if at < len(steps) else PhaseStage.OVER
    fresh = Progress(at=at, stage=stage, before=before, since_ns=now_ns, last_ns=now_ns)
    return fresh, (ProgramChange(what=What.DUE if stage is PhaseStage.DUE else What.ENDED, progress=fresh),)


def by_hand(
    progress: Progress, program: Program, wish: str, now_ns: int
) -> tuple[Progress, tuple[ProgramChange, ...]]:
    """Return the program after an order: ``hold``, ``go``, ``next``, or a phase's name.

    A name means its next time in the course, from the present step on, else its last. Raises ValueError in
    words for a wish that makes no sense now.
    """
    steps = program.steps
    if wish in {"hold", "go"}:
        stage = TABLE.get((progress.stage, PhaseSignal.HOLD if wish == "hold" else PhaseSignal.GO))
        if stage is None:
            raise ValueError(f"the program is {progress.stage}: {wish} is not possible now")
        moved = replace(progress, stage=stage, since_ns=now_ns, met=False)
        return moved, (ProgramChange(what=What.HELD if wish == "hold" else What.GOES_ON, progress=moved),)
    if wish == "next":
        if progress.stage in {PhaseStage.OVER, PhaseStage.UNKNOWN}:
            raise ValueError(f"the program is {progress.stage}: name the phase to go to")
        return to_step(progress, steps, progress.at + 1, now_ns)
    places = [at for at, step in enumerate(steps) if step.phase.name == wish]
    if not places:
        known = ", ".join(dict.fromkeys(step.phase.name for step in steps))
        raise ValueError(f"the program has no phase {wish!r}; there are: {known}")
    at = next((place for place in places if place > progress.at), places[-1])
    return to_step(progress, steps, at, now_ns)


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
