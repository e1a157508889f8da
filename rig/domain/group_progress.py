"""Course of a group of units through the steps of the test program.

All units that take part go through a step together, each with its own time: it counts while the targets
that concern the unit are met. What is done belongs to the serial number. The step is complete when nobody
who takes part lacks any of it; after the last one the group goes back to what somebody lacks still, a unit
that came late or was repaired. Who takes no part holds nobody up.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from typing import Any

from rig.domain import program_state
from rig.domain.formatting import duration
from rig.domain.phase_monitor import PhaseObservation
from rig.domain.program import Program, ProgramStep, wait_s
from rig.domain.program_state import TABLE, PhaseSignal, PhaseStage, ProgramChange, Progress, What

Who = Mapping[str, str]
"""Units that take part, with their serial numbers."""
See = Callable[[Collection[str]], PhaseObservation]
"""Returns what the readback shows of the phase for some units together."""

_WAITING = frozenset({PhaseStage.DUE, PhaseStage.SETTLING, PhaseStage.LEFT, PhaseStage.RETURNING})
COUNTS = ("done_s", "cycles", "warm_s")
"""What is counted of a step."""
_UNMET = frozenset({PhaseStage.DUE, PhaseStage.LEFT})


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """What a serial number has done of one step. ended: it lacks nothing (done, or passed over by hand)."""

    done_s: float = 0.0
    cycles: int = 0
    warm_s: float = 0.0
    ended: bool = False


NO_WORK = Work()


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupPlan:
    """The program as one group has to do it. foreign: channels of sources that feed other groups only."""

    program: Program
    steps: tuple[ProgramStep, ...]
    foreign: frozenset[str] = frozenset()


def group_plan(program: Program, foreign: frozenset[str] = frozenset()) -> GroupPlan:
    """Return the plan of a group."""
    return GroupPlan(program=program, steps=program.steps, foreign=foreign)


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupProgress:
    """Where a group stands.

    lead: the group as a whole, with the time of the unit that lacks most. present: by serial number, the
    units that take part, in the present step. work: by serial number and index of the step, what is done;
    a serial number that left keeps it. waiting_ns: since when targets are unmet (None: they are not);
    reminded: how often that was told.
    """

    lead: Progress
    present: Mapping[str, Progress] = field(default_factory=dict)
    work: Mapping[str, Mapping[int, Work]] = field(default_factory=dict)
    waiting_ns: int | None = None
    reminded: int = 0

    def work_of(self, serial: str, at: int) -> Work:
        """Return what a serial number has done of a step that it is not in."""
        return self.work.get(serial, {}).get(at, NO_WORK)


MovedGroup = tuple[GroupProgress, tuple[ProgramChange, ...]]


def begin(plan: GroupPlan, who: Who, now_ns: int) -> MovedGroup:
    """Return a group at the beginning of the program."""
    lead = Progress(since_ns=now_ns)
    group = seated(GroupProgress(lead=lead, waiting_ns=now_ns), plan, who, now_ns)
    return group, (ProgramChange(what=What.DUE, progress=lead),)


def advance(
    group: GroupProgress, plan: GroupPlan, who: Who, see: See, *, now_ns: int, cycles: Mapping[str, int]
) -> MovedGroup:
    """Return where the group stands after a look at ``now_ns`` (boot clock), and what happened.

    cycles: by unit, drive cycles completed since the look before. Looks must not go back in time.
    """
    if group.lead.stage is PhaseStage.UNKNOWN:
        return group, ()
    group = seated(group, plan, who, now_ns)
    at = group.lead.at
    if not 0 <= at < len(plan.steps):
        lacked = _lacked(group, plan, who)
        return (group, ()) if lacked is None else _to_step(group, plan, who, lacked, now_ns)
    lacking = {unit: serial for unit, serial in who.items() if not group.work_of(serial, at).ended}
    group = _look(group, plan.steps[at], lacking, see, now_ns=now_ns, cycles=cycles)
    group, changes = _lead(group, plan.steps[at], lacking or who, see(lacking) if lacking else None, now_ns)
    held = group.lead.stage is PhaseStage.HELD
    if who and not held and all(group.work_of(serial, at).ended for serial in who.values()):
        done = ProgramChange(what=What.DONE, progress=group.lead)
        group, more = _to_step(group, plan, who, _lacked(group, plan, who), now_ns)
        return group, (*changes, done, *more)
    group, late = _remind(group, plan, who, now_ns)
    return group, (*changes, *late)


def _look(
    group: GroupProgress,
    step: ProgramStep,
    lacking: Who,
    see: See,
    *,
    now_ns: int,
    cycles: Mapping[str, int],
) -> GroupProgress:
    """Return the group with the time of each unit that lacks some of the step."""
    at, present, work = group.lead.at, dict(group.present), dict(group.work)
    for unit, serial in lacking.items():
        sight = see([unit])
        one, _ = program_state.within_step(present[serial], step, sight, now_ns, cycles.get(unit, 0))
        present[serial] = one
        if program_state.is_full(one, step, sight):
            work[serial] = {**work.get(serial, {}), at: _work(one, ended=True)}
    return replace(group, present=present, work=work)


def _lead(
    group: GroupProgress, step: ProgramStep, counted: Who, sight: PhaseObservation | None, now_ns: int
) -> MovedGroup:
    """Return the group as a whole after a look. sight: None where nobody lacks any of the step.

    counted: whose times it shows, the least of them.
    """
    lead = group.lead
    changes: tuple[ProgramChange, ...] = ()
    if sight is not None or not counted:
        nobody = PhaseObservation(met=None, missed="no unit takes part")
        lead, changes = program_state.within_step(lead, step, sight or nobody, now_ns)
    least = _least([group.present[serial] for serial in counted.values()])
    if least:
        lead = replace(lead, **least)
        changes = tuple(replace(one, progress=replace(one.progress, **least)) for one in changes)
    return replace(group, lead=lead), changes


def _least(ones: Sequence[Progress]) -> dict[str, Any]:
    """Return the least that any of these has done, by field; {} for nobody."""
    return {name: min(getattr(one, name) for one in ones) for name in COUNTS} if ones else {}


def _remind(group: GroupProgress, plan: GroupPlan, who: Who, now_ns: int) -> MovedGroup:
    """Return the group, and OVERDUE where targets have been unmet for another time-out."""
    if group.lead.stage not in _WAITING:
        return replace(group, waiting_ns=None, reminded=0), ()
    if group.waiting_ns is None:
        return replace(group, waiting_ns=now_ns, reminded=0), ()
    limit_s = wait_s(plan.steps[group.lead.at].phase, plan.program, plan.foreign)
    waited_s = (now_ns - group.waiting_ns) / 1e9
    if (
        limit_s is None
        or not who
        or group.lead.stage not in _UNMET
        or waited_s < limit_s * (group.reminded + 1)
    ):
        return group, ()
    group = replace(group, reminded=int(waited_s // limit_s))
    return group, (ProgramChange(what=What.OVERDUE, progress=group.lead, why=duration(waited_s)),)


# ---- who takes part


def with_work(group: GroupProgress, work: Mapping[str, Mapping[int, Work]]) -> GroupProgress:
    """Return the group with other work done by serial numbers that are not in the present step."""
    return replace(group, work=work)


def seated(group: GroupProgress, plan: GroupPlan, who: Who, now_ns: int) -> GroupProgress:
    """Return the group with these units in the present step; what the others have done of it is kept."""
    serials = set(who.values())
    if serials == set(group.present):
        return group
    present = {serial: one for serial, one in group.present.items() if serial in serials}
    work = {serial: dict(steps) for serial, steps in group.work.items()}
    at = group.lead.at
    if 0 <= at < len(plan.steps):
        for serial, one in group.present.items():
            if serial not in serials:
                work.setdefault(serial, {})[at] = _work(one, ended=group.work_of(serial, at).ended)
    for serial in serials - set(present):
        present[serial] = _joining(group, serial, now_ns)
    lacking = [one for serial, one in present.items() if not group.work_of(serial, at).ended]
    lead = replace(group.lead, **_least(lacking or list(present.values())))
    return replace(group, lead=lead, present=present, work=work)


def _joining(group: GroupProgress, serial: str, now_ns: int) -> Progress:
    """Return a unit that comes into the present step: its targets must be met before its time counts."""
    lead = group.lead
    same = lead.stage in {PhaseStage.DUE, PhaseStage.SETTLING, PhaseStage.HELD}
    stage = lead.stage if same else PhaseStage.LEFT
    stage = PhaseStage.DUE if stage is PhaseStage.SETTLING else stage
    return _in_step(Progress(at=lead.at, stage=stage, before=lead.before, since_ns=now_ns), group, serial)


def _in_step(progress: Progress, group: GroupProgress, serial: str) -> Progress:
    work = group.work_of(serial, progress.at)
    return replace(progress, done_s=work.done_s, cycles=work.cycles, warm_s=work.warm_s)


def _work(progress: Progress, *, ended: bool) -> Work:
    return Work(done_s=progress.done_s, cycles=progress.cycles, warm_s=progress.warm_s, ended=ended)


# ---- from step to step


def _lacked(group: GroupProgress, plan: GroupPlan, who: Who) -> int | None:
    """Return the next step that somebody lacks: first those to come, then from the beginning; None: none."""
    coming = range(max(0, group.lead.at + 1), len(plan.steps))
    for at in chain(coming, range(len(plan.steps))):
        if any(not group.work_of(serial, at).ended for serial in who.values()):
            return at
    return None


def _to_step(group: GroupProgress, plan: GroupPlan, who: Who, at: int | None, now_ns: int) -> MovedGroup:
    """Return the group at the beginning of a step, or at the end of the program (None)."""
    steps, was = plan.steps, group.lead
    before = steps[was.at].phase.name if 0 <= was.at < len(steps) else ""
    ended = at is None or at >= len(steps)
    lead = Progress(
        at=len(steps) if at is None or ended else at,
        stage=PhaseStage.OVER if ended else PhaseStage.DUE,
        before=before,
        since_ns=now_ns,
        last_ns=now_ns,
    )
    ones = {serial: _in_step(lead, group, serial) for serial in who.values()}
    lacking = {unit: ones[one] for unit, one in who.items() if not group.work_of(one, lead.at).ended}
    lead = replace(lead, **_least(list(lacking.values()) or list(ones.values())))
    what = What.ENDED if ended else What.DUE
    moved = replace(group, lead=lead, present=ones, waiting_ns=None if ended else now_ns, reminded=0)
    why = f"only {', '.join(lacking)} still to do" if not ended and len(lacking) < len(who) else ""
    return moved, (ProgramChange(what=what, progress=lead, why=why),)


def by_hand(group: GroupProgress, plan: GroupPlan, who: Who, wish: str, now_ns: int) -> MovedGroup:
    """Return the group after an order: ``hold``, ``go``, ``next``, or a phase's name.

    A name means its next time in the course, from the present step on, else its last; the steps from there on
    are to be done (again), those between are passed over. Raises ValueError in words for a wish that makes no
    sense now.
    """
    group, lead = seated(group, plan, who, now_ns), group.lead
    if wish in {"hold", "go"}:
        return _held(group, wish, now_ns)
    if wish == "next":
        if lead.stage in {PhaseStage.OVER, PhaseStage.UNKNOWN}:
            raise ValueError(f"the program is {lead.stage}: name the phase to go to")
        group = _passed_over(group, who, lead.at, lead.at + 1)
        return _to_step(group, plan, who, _lacked(group, plan, who) if who else lead.at + 1, now_ns)
    places = [at for at, step in enumerate(plan.steps) if step.phase.name == wish]
    if not places:
        known = ", ".join(dict.fromkeys(step.phase.name for step in plan.steps))
        raise ValueError(f"the program has no phase {wish!r}; there are: {known}")
    at = next((place for place in places if place > lead.at), places[-1])
    group = _passed_over(group, who, max(0, lead.at), at)
    work = {
        serial: {n: one for n, one in steps.items() if n < at} if serial in who.values() else steps
        for serial, steps in group.work.items()
    }
    return _to_step(replace(group, work=work), plan, who, at, now_ns)


def _held(group: GroupProgress, wish: str, now_ns: int) -> MovedGroup:
    signal = PhaseSignal.HOLD if wish == "hold" else PhaseSignal.GO
    stage = TABLE.get((group.lead.stage, signal))
    if stage is None:
        raise ValueError(f"the program is {group.lead.stage}: {wish} is not possible now")
    lead = replace(group.lead, stage=stage, since_ns=now_ns, met=False)
    present = {
        serial: replace(one, stage=stage, since_ns=now_ns, met=False) for serial, one in group.present.items()
    }
    moved = replace(
        group, lead=lead, present=present, waiting_ns=now_ns if wish == "go" else None, reminded=0
    )
    what = What.HELD if wish == "hold" else What.GOES_ON
    return moved, (ProgramChange(what=what, progress=lead),)


def _passed_over(group: GroupProgress, who: Who, start: int, end: int) -> GroupProgress:
    """Return the group with the steps from ``start`` to ``end`` ended for all that take part."""
    work = dict(group.work)
    for serial in who.values():
        mine = dict(work.get(serial, {}))
        for at in range(start, end):
            here = at == group.lead.at and serial in group.present
            done = _work(group.present[serial], ended=True) if here else mine.get(at, NO_WORK)
            mine[at] = replace(done, ended=True)
        work[serial] = mine
    return replace(group, work=work)
