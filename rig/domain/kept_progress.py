"""Progress of a group as JSON values: what events carry and the next session goes on from.

Beside the step and stage of the group it holds what each serial number has done, by phase and pass, so that
it is found again in a program that was changed. Where all units that take part have done the same, an event
leaves that out; a state without it is read the same way.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from rig.domain import program_state
from rig.domain.group_progress import NO_WORK, GroupPlan, GroupProgress, Who, Work, seated
from rig.domain.program_state import PhaseStage, Progress

SERIALS = "serials"


def to_json(group: GroupProgress, plan: GroupPlan, who: Who, *, whole: bool = False) -> dict[str, Any]:
    """Return where a group stands as JSON values. whole: with the serial numbers in any case."""
    values = program_state.to_json(group.lead, plan.steps)
    work = all_work(group)
    if whole or not _is_alike(group, who, work):
        values[SERIALS] = {serial: _to_json(steps, plan) for serial, steps in work.items()}
    return values


def all_work(group: GroupProgress) -> dict[str, dict[int, Work]]:
    """Return what every serial number has done of every step, the present one included."""
    work = {serial: dict(steps) for serial, steps in group.work.items()}
    for serial, one in group.present.items():
        mine = work.setdefault(serial, {})
        if not group.work_of(serial, one.at).ended and group.lead.stage is not PhaseStage.OVER:
            mine[one.at] = Work(done_s=one.done_s, cycles=one.cycles, warm_s=one.warm_s)
    return work


def resumed(
    values: Mapping[str, Any],
    plan: GroupPlan,
    who: Who,
    now_ns: int,
    serials: Mapping[str, Any] | None = None,
) -> GroupProgress:
    """Return a group where an earlier session left it; its targets must be met again before time counts.

    serials: what is kept by serial number, of all groups; None: what ``values`` have. UNKNOWN where the
    values make no sense.
    """
    lead = program_state.resumed(values, plan.steps, now_ns)
    kept = values.get(SERIALS) if serials is None else serials
    known = _from_json(kept, plan) if isinstance(kept, Mapping) else None
    work = _alike(lead, who) if known is None else known
    waits = None if lead.stage in {PhaseStage.OVER, PhaseStage.UNKNOWN, PhaseStage.HELD} else now_ns
    return seated(GroupProgress(lead=lead, work=work, waiting_ns=waits), plan, who, now_ns)


def _is_alike(group: GroupProgress, who: Who, work: Mapping[str, Mapping[int, Work]]) -> bool:
    """Return whether all have done the steps before the present one, the same of it, and nothing else."""
    lead = group.lead
    if set(work) != set(who.values()):
        return False
    past = range(max(0, lead.at))
    here = Work(done_s=lead.done_s, cycles=lead.cycles, warm_s=lead.warm_s)
    return all(
        all(steps.get(at, NO_WORK).ended for at in past)
        and all(at in past or (at == lead.at and one == here) for at, one in steps.items())
        for steps in work.values()
    )


def _alike(lead: Progress, who: Who) -> dict[str, dict[int, Work]]:
    """Return the work of units that have all done the same."""
    if lead.stage is PhaseStage.UNKNOWN:
        return {}
    steps = {at: Work(ended=True) for at in range(max(0, lead.at))}
    if lead.stage is not PhaseStage.OVER:
        steps[lead.at] = Work(done_s=lead.done_s, cycles=lead.cycles, warm_s=lead.warm_s)
    return {serial: dict(steps) for serial in who.values()}


def _to_json(steps: Mapping[int, Work], plan: GroupPlan) -> dict[str, Any]:
    """Return the work of one serial number, by phase: runs of passes that lack nothing, and parts."""
    phases: dict[str, dict[str, Any]] = {}
    for at, one in sorted(steps.items()):
        if not 0 <= at < len(plan.steps) or one == NO_WORK:
            continue
        step = plan.steps[at]
        phase = phases.setdefault(step.phase.name, {"ended": [], "part": {}})
        if one.ended:
            _extend(phase["ended"], step.number)
        else:
            phase["part"][str(step.number)] = [round(one.done_s, 3), one.cycles, round(one.warm_s, 3)]
    return phases


def _extend(runs: list[list[int]], number: int) -> None:
    if runs and runs[-1][1] == number - 1:
        runs[-1][1] = number
    else:
        runs.append([number, number])


def _from_json(kept: Mapping[str, Any], plan: GroupPlan) -> dict[str, dict[int, Work]]:
    """Return the work of each serial number; what makes no sense is not done."""
    return {str(serial): dict(_work_of(phases, plan)) for serial, phases in kept.items()}


def _work_of(phases: Any, plan: GroupPlan) -> Iterable[tuple[int, Work]]:
    for at, step in enumerate(plan.steps):
        try:
            phase = phases[step.phase.name]
            if any(first <= step.number <= last for first, last in phase["ended"]):
                yield at, Work(ended=True)
            elif str(step.number) in phase["part"]:
                done_s, cycles, warm_s = phase["part"][str(step.number)]
                yield (
                    at,
                    Work(
                        done_s=max(0.0, float(done_s)),
                        cycles=max(0, int(cycles)),
                        warm_s=max(0.0, float(warm_s)),
                    ),
                )
        except (KeyError, TypeError, ValueError, OverflowError):
            continue
