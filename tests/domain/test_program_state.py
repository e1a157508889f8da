"""How far the test program has come: only what the readback shows counts, whatever happens in between."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain import group_progress, program_state
from rig.domain.group_progress import GroupProgress
from rig.domain.model import Limit, Side
from rig.domain.phase_monitor import PhaseObservation
from rig.domain.program import Phase, PhaseCondition, PhaseTarget, Program
from rig.domain.program_state import TABLE, PhaseSignal, PhaseStage, ProgramChange, Progress, What

S = 1_000_000_000
MET, OUT, NOT_SEEN = (
    PhaseObservation(met=True),
    PhaseObservation(met=False, missed="mains reads 230"),
    PhaseObservation(met=None),
)
LOW = Phase(name="low", duration_s=10.0, targets={"mains": PhaseTarget(value=207, tolerance=3)}, settle_s=2.0)
HIGH = replace(LOW, name="high", duration_s=20.0)
PROGRAM = Program(phases=(LOW, HIGH), order=("low", "high"), passes=2)


WHO = {"A1": "0001"}


def look(
    group: GroupProgress, program: Program, sight: PhaseObservation, now_ns: int, cycles: int = 0
) -> tuple[GroupProgress, tuple[ProgramChange, ...]]:
    """Look once at a group of one unit."""
    plan = group_progress.group_plan(program)
    return group_progress.advance(
        group, plan, WHO, lambda _units: sight, now_ns=now_ns, cycles={"A1": cycles}
    )


def begun(program: Program, now_ns: int = 0) -> tuple[GroupProgress, tuple[ProgramChange, ...]]:
    return group_progress.begin(group_progress.group_plan(program), WHO, now_ns)


def order(
    group: GroupProgress, program: Program, wish: str
) -> tuple[GroupProgress, tuple[ProgramChange, ...]]:
    plan = group_progress.group_plan(program)
    return group_progress.by_hand(group, plan, WHO, wish, group.lead.last_ns)


def course(program: Program, looks: list[tuple[PhaseObservation, float]]) -> tuple[GroupProgress, list[What]]:
    """Look for so many seconds at each sight, ten times a second; return where it ended and what happened."""
    now_ns = 100 * S
    group, told = begun(program, now_ns)
    changes: list[ProgramChange] = list(told)
    for sight, lasts_s in looks:
        for _ in range(round(lasts_s * 10)):
            now_ns += S // 10
            group, more = look(group, program, sight, now_ns)
            changes += more
    return group, [one.what for one in changes]


def run(program: Program, looks: list[tuple[PhaseObservation, float]]) -> tuple[Progress, list[What]]:
    """Return where a course ended and what happened in it."""
    group, told = course(program, looks)
    return group.lead, told


def test_the_ordinary_course_is_due_reached_done_and_the_next() -> None:
    progress, told = run(PROGRAM, [(OUT, 60.0), (MET, 2.5 + 10.5)])
    assert told == [What.DUE, What.REACHED, What.DONE, What.DUE]
    assert (progress.at, progress.before, progress.done_s) == (1, "low", 0.0)


def test_time_counts_only_while_the_targets_are_met() -> None:
    looks = [(MET, 2.5), (MET, 4.0), (OUT, 30.0), (MET, 1.0), (OUT, 5.0), (MET, 2.5), (MET, 3.0)]
    progress, told = run(PROGRAM, looks)
    assert told == [What.DUE, What.REACHED, What.LEFT, What.BACK]
    assert progress.stage is PhaseStage.RUNNING
    assert progress.done_s == pytest.approx(7.0, abs=0.9)


def test_a_short_slip_is_not_told_and_not_counted() -> None:
    progress, told = run(PROGRAM, [(MET, 4.0), (OUT, 1.0), (MET, 1.0)])
    assert told == [What.DUE, What.REACHED]
    assert progress.done_s == pytest.approx(2.8, abs=0.3)


def test_what_nobody_sees_does_not_count_and_is_told_like_a_missed_target() -> None:
    progress, told = run(PROGRAM, [(MET, 4.0), (NOT_SEEN, 60.0)])
    assert told[-1] is What.LEFT
    assert progress.done_s < 2.5


def test_a_step_of_suspended_time_counts_for_nothing() -> None:
    group, _ = course(PROGRAM, [(MET, 4.0)])
    before_s = group.lead.done_s
    group, _ = look(group, PROGRAM, MET, group.lead.last_ns + 3600 * S)
    assert group.lead.done_s == before_s


def test_warm_up_and_steadiness_come_before_the_count() -> None:
    warm = Program(phases=(replace(LOW, warm_up_s=5.0),), order=("low",))
    unsteady = PhaseObservation(met=True, steady=False)
    progress, told = run(warm, [(unsteady, 12.0)])
    assert (progress.stage, progress.done_s) == (PhaseStage.WARMING, 0.0)
    progress, told = run(warm, [(unsteady, 12.0), (MET, 4.0)])
    assert told == [What.DUE, What.REACHED, What.COUNTS]
    assert progress.done_s == pytest.approx(4.0, abs=0.3)
    progress, _ = run(warm, [(MET, 3.0), (OUT, 5.0), (MET, 8.0)])
    assert progress.stage is PhaseStage.RUNNING


def test_a_phase_by_count_ends_when_its_cycles_are_full() -> None:
    counted = Program(phases=(replace(LOW, duration_s=None, count=3),), order=("low",))
    group, _ = begun(counted)
    for second in range(1, 9):
        cycles = 1 if second > 5 else 0
        group, _ = look(group, counted, MET, second * S, cycles)
    assert group.lead.stage is PhaseStage.OVER


def test_a_phase_until_a_condition_ends_with_it_and_one_by_hand_never() -> None:
    cooling = Program(phases=(replace(LOW, duration_s=None, until=(_below(50.0),)),), order=("low",))
    progress, told = run(cooling, [(MET, 100.0)])
    assert progress.stage is PhaseStage.RUNNING
    progress, told = run(cooling, [(MET, 10.0), (PhaseObservation(met=True, ended=True), 1.0)])
    assert told[-1] is What.ENDED
    by_hand = Program(phases=(replace(LOW, duration_s=None),), order=("low",))
    assert run(by_hand, [(MET, 1000.0)])[0].stage is PhaseStage.RUNNING


def _below(value: float) -> PhaseCondition:
    return PhaseCondition(channel="A1.heatsink", low=float("-inf"), high=value)


def test_passes_repeat_the_order_and_once_means_the_first_only() -> None:
    program = Program(phases=(replace(LOW, once=True), HIGH), order=("low", "high"), passes=3)
    assert [(one.phase.name, one.number) for one in program.steps] == [
        ("low", 1), ("high", 1), ("high", 2), ("high", 3),
    ]  # fmt: skip
    assert [(one.name, one.duration_s) for one in program.planned()] == [("low", 10.0), ("high", 60.0)]


@given(
    st.lists(st.tuples(st.sampled_from([MET, OUT, NOT_SEEN]), st.floats(0.0, 8.0)), min_size=1, max_size=40)
)
def test_no_course_ever_counts_more_than_the_time_in_which_the_targets_were_met(
    looks: list[tuple[PhaseObservation, float]],
) -> None:
    met_s = sum(round(lasts_s * 10) / 10 for sight, lasts_s in looks if sight is MET)
    progress, told = run(PROGRAM, looks)
    steps = PROGRAM.steps
    counted_s = progress.done_s + sum(one.phase.duration_s or 0.0 for one in steps[: progress.at])
    assert counted_s <= met_s + 1e-6
    assert told.count(What.DONE) == progress.at


# ---- by hand


def test_hold_stops_the_time_and_go_asks_for_the_targets_again() -> None:
    group, _ = course(PROGRAM, [(MET, 5.0)])
    had_s = group.lead.done_s
    group, (held,) = order(group, PROGRAM, "hold")
    assert held.what is What.HELD
    for _ in range(50):
        group, _ = look(group, PROGRAM, MET, group.lead.last_ns + S)
    assert group.lead.done_s == had_s
    group, (on,) = order(group, PROGRAM, "go")
    assert (on.what, group.lead.stage) == (What.GOES_ON, PhaseStage.DUE)
    assert group.lead.done_s == had_s


def test_a_named_phase_is_its_next_time_in_the_course() -> None:
    group, _ = course(PROGRAM, [(MET, 13.0)])
    assert group.lead.at == 1
    group, (due,) = order(group, PROGRAM, "low")
    assert (group.lead.at, due.what) == (2, What.DUE)
    with pytest.raises(ValueError, match="no phase 'lwo'; there are: low, high"):
        order(group, PROGRAM, "lwo")


def test_next_after_the_last_is_the_end_and_then_makes_no_sense() -> None:
    group, _ = course(PROGRAM, [(MET, 13.0)])
    for _ in range(2):
        group, _ = order(group, PROGRAM, "next")
    group, (ended,) = order(group, PROGRAM, "next")
    assert ended.what is What.ENDED
    with pytest.raises(ValueError, match="name the phase"):
        order(group, PROGRAM, "next")


# ---- from session to session


def test_a_session_goes_on_where_the_last_one_was_and_asks_for_the_targets_again() -> None:
    before, _ = run(PROGRAM, [(MET, 5.0)])
    kept = json.loads(json.dumps(program_state.to_json(before, PROGRAM.steps)))
    after = program_state.resumed(kept, PROGRAM.steps, 7)
    assert (after.at, after.stage) == (0, PhaseStage.LEFT)
    assert after.done_s == pytest.approx(before.done_s, abs=1e-3)
    progress, more = program_state.within_step(after, PROGRAM.steps[0], MET, 8)
    assert (progress.stage, more) == (PhaseStage.RETURNING, ())


def test_a_changed_program_is_entered_by_name_and_pass() -> None:
    before, _ = run(PROGRAM, [(MET, 13.0), (MET, 3.0)])
    longer = replace(PROGRAM, order=("low", "low", "high"))
    after = program_state.resumed(program_state.to_json(before, PROGRAM.steps), longer.steps, 0)
    assert longer.steps[after.at].phase.name == "high"
    gone = Program(phases=(LOW,), order=("low",))
    assert (
        program_state.resumed(program_state.to_json(before, PROGRAM.steps), gone.steps, 0).stage
        is PhaseStage.UNKNOWN
    )


@given(
    st.dictionaries(
        st.sampled_from(["at", "phase", "pass", "stage", "before", "done_s", "cycles", "warm_s"]),
        st.none() | st.integers() | st.text(max_size=5) | st.floats() | st.lists(st.integers()),
    )
)
def test_a_record_that_makes_no_sense_is_unknown_and_never_an_error(values: dict[str, object]) -> None:
    kept = program_state.to_json(Progress(at=1), PROGRAM.steps) | values
    progress = program_state.resumed(kept, PROGRAM.steps, 0)
    assert -1 <= progress.at <= len(PROGRAM.steps)
    look(GroupProgress(lead=progress), PROGRAM, MET, 1)


def test_every_stage_but_the_ends_can_be_left() -> None:
    left = {stage for (stage, _), _ in TABLE.items()}
    assert set(PhaseStage) - left == {PhaseStage.OVER, PhaseStage.UNKNOWN}
    assert all(signal in PhaseSignal for _, signal in TABLE)


# ---- limits


def high(value: float, **more: float | bool) -> Limit:
    return Limit(side=Side.HIGH, value=value, **more)  # type: ignore[arg-type]


def low(value: float) -> Limit:
    return Limit(side=Side.LOW, value=value)


OWN = {"mains": (low(207.0), high(253.0)), "A1.heat": (high(95.0),)}
LIMITED = Program(
    phases=(
        replace(LOW, limits={"mains": (low(200.0), high(215.0))}),
        replace(HIGH, limits={"mains": (low(245.0), high(260.0)), "A1.heat": (high(105.0, trip=True),)}),
    ),
    order=("low", "high"),
)


def values(limits: tuple[Limit, ...]) -> dict[str, float]:
    return {str(one.side): one.value for one in limits}


def test_on_the_way_from_one_phase_to_the_next_what_either_allows_is_allowed() -> None:
    in_force = program_state.limits_in_force(LIMITED, Progress(at=1, before="low", stage=PhaseStage.DUE), OWN)
    assert values(in_force["mains"]) == {"low": 200.0, "high": 260.0}
    assert values(in_force["A1.heat"]) == {"high": 105.0}
    assert not in_force["A1.heat"][0].trip  # before, it did not trip


def test_in_a_phase_its_own_limits_count_and_after_the_end_the_rig_files() -> None:
    for stage in (PhaseStage.RUNNING, PhaseStage.WARMING, PhaseStage.LEFT, PhaseStage.HELD):
        in_force = program_state.limits_in_force(LIMITED, Progress(at=1, before="low", stage=stage), OWN)
        assert values(in_force["mains"]) == {"low": 245.0, "high": 260.0}
    assert program_state.limits_in_force(LIMITED, Progress(at=2, stage=PhaseStage.OVER), OWN) == {}


def test_when_nobody_knows_the_phase_the_strictest_limits_of_all_count() -> None:
    in_force = program_state.limits_in_force(LIMITED, Progress(at=-1, stage=PhaseStage.UNKNOWN), OWN)
    assert values(in_force["mains"]) == {"low": 245.0, "high": 215.0}
    assert values(in_force["A1.heat"]) == {"high": 95.0}
    assert in_force["A1.heat"][0].trip
