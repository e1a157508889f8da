"""A group goes on with those that take part; what is done belongs to the serial number."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain import group_progress, kept_progress
from rig.domain.group_progress import GroupPlan, GroupProgress, Work, group_plan
from rig.domain.phase_monitor import PhaseObservation
from rig.domain.program import (
    WAIT_BY_HAND_S,
    Duty,
    Phase,
    PhaseTarget,
    Program,
    StimulusSource,
    by_hand,
    wait_s,
)
from rig.domain.program_state import PhaseStage, ProgramChange, What

S = 1_000_000_000
LOW = Phase(name="low", duration_s=10.0, targets={"mains": PhaseTarget(value=207, tolerance=3)}, settle_s=2.0)
HIGH = replace(LOW, name="high", duration_s=5.0)
PLAN = group_plan(Program(phases=(LOW, HIGH), order=("low", "high"), passes=2))
SERIALS = {"A1": "0001", "A2": "0002", "A3": "0003"}


class Room:
    """A group whose units are seen as the test says, ten times a second."""

    def __init__(self, plan: GroupPlan = PLAN, who: Mapping[str, str] = SERIALS) -> None:
        self.plan, self.who = plan, dict(who)
        self.met: dict[str, bool | None] = {}
        self.now_ns = 100 * S
        self.group, changes = group_progress.begin(plan, self.who, self.now_ns)
        self.changes: list[ProgramChange] = list(changes)

    def see(self, units: Collection[str]) -> PhaseObservation:
        seen = [self.met.get(unit, True) for unit in units]
        met = False if False in seen else (None if None in seen else True)
        return PhaseObservation(met=met, missed="" if met else "mains is out")

    def live(self, seconds: float, cycles: int = 0) -> None:
        for _ in range(round(seconds * 10)):
            self.now_ns += S // 10
            self.group, more = group_progress.advance(
                self.group,
                self.plan,
                self.who,
                self.see,
                now_ns=self.now_ns,
                cycles=dict.fromkeys(self.who, cycles),
            )
            self.changes += more

    def order(self, wish: str) -> None:
        self.group, more = group_progress.by_hand(self.group, self.plan, self.who, wish, self.now_ns)
        self.changes += more

    def whats(self) -> list[What]:
        return [one.what for one in self.changes]

    def done_s(self, serial: str, at: int) -> float:
        return kept_progress.all_work(self.group).get(serial, {}).get(at, Work()).done_s

    def ended(self, serial: str) -> list[int]:
        return [at for at, one in sorted(self.group.work.get(serial, {}).items()) if one.ended]


def test_a_unit_whose_own_target_is_missed_loses_its_time_and_nobody_elses() -> None:
    room = Room()
    room.live(4.0)
    room.met["A2"] = False
    room.live(6.0)
    assert room.group.lead.stage is PhaseStage.LEFT
    assert room.done_s("0001", 0) == pytest.approx(8.0, abs=0.2)
    assert room.done_s("0002", 0) == pytest.approx(2.0, abs=0.2)
    # the group shows the time of the unit that lacks most
    assert room.group.lead.done_s == room.done_s("0002", 0)
    room.live(3.0)
    assert room.ended("0001") == [0]
    assert room.group.lead.at == 0, "one of those that take part still lacks some of it"
    room.met["A2"] = True
    room.live(10.5)
    assert room.group.lead.at == 1


def test_a_unit_that_has_done_its_part_of_a_step_is_not_waited_for() -> None:
    room = Room()
    room.live(4.0)
    room.met["A2"] = False
    room.live(9.0)
    room.met = {"A1": False, "A2": True}
    before = len(room.changes)
    room.live(3.0)
    assert [one.what for one in room.changes[before:]] == [What.BACK]


def test_a_dead_unit_leaves_and_the_others_go_on() -> None:
    room = Room()
    room.live(4.0)
    room.met["A2"] = False
    room.live(60.0)
    assert room.group.lead.at == 0
    del room.who["A2"]
    room.live(0.2)
    assert room.group.lead.at == 1, "the others had done it long ago"
    assert room.done_s("0002", 0) == pytest.approx(2.0, abs=0.2)


def test_a_repaired_unit_is_given_what_it_lacks_after_the_last_step() -> None:
    room = Room(who={"A1": "0001", "A2": "0002"})
    room.live(13.0)  # low, first pass
    del room.who["A2"]
    room.live(8.0)  # high, first pass
    room.who["A2"] = "0002"
    room.live(13.0 + 8.0)  # the second pass, with both
    due = [one.progress.at for one in room.changes if one.what is What.DUE]
    assert due == [0, 1, 2, 3, 1], "the one step that it lacks, and nothing else"
    assert room.ended("0001") == [0, 1, 2, 3]
    assert [one.why for one in room.changes if one.what is What.DUE] == [*[""] * 4, "only A2 still to do"]
    room.live(8.0)
    assert room.whats()[-1] is What.ENDED
    assert room.ended("0002") == [0, 1, 2, 3]


def test_a_spare_begins_with_nothing_done_and_a_program_that_was_over_begins_again_for_it() -> None:
    room = Room(who={"A1": "0001"})
    room.live(13 + 8 + 13 + 8)
    assert room.group.lead.stage is PhaseStage.OVER
    room.who["A1"] = "0009"
    room.live(0.2)
    assert (room.group.lead.at, room.group.lead.stage) == (0, PhaseStage.SETTLING)
    room.live(13 + 8 + 13 + 8)
    assert room.group.lead.stage is PhaseStage.OVER
    assert room.ended("0009") == [0, 1, 2, 3]


def test_who_joins_in_the_middle_of_a_step_settles_first() -> None:
    room = Room(who={"A1": "0001"})
    room.live(5.0)
    room.who["A2"] = "0002"
    room.live(3.0)
    assert room.done_s("0001", 0) - room.done_s("0002", 0) == pytest.approx(3.0 + 2.0, abs=0.3)
    assert What.LEFT not in room.whats()


def test_next_passes_a_step_over_for_all_that_take_part_and_for_nobody_else() -> None:
    room = Room(who={"A1": "0001", "A2": "0002"})
    del room.who["A2"]
    room.live(3.0)
    room.order("next")
    assert room.group.lead.at == 1
    assert room.ended("0001") == [0]
    assert room.ended("0002") == []
    room.live(8 + 13 + 8)
    assert room.group.lead.stage is PhaseStage.OVER
    room.who["A2"] = "0002"
    room.live(0.2)
    assert room.group.lead.at == 0


def test_a_named_phase_is_done_again_with_all_that_follows() -> None:
    room = Room(who={"A1": "0001"})
    room.live(13 + 8 + 13 + 1)
    assert room.group.lead.at == 3
    room.order("low")  # its last time in the course
    assert room.group.lead.at == 2
    assert room.ended("0001") == [0, 1]
    room.live(13 + 8)
    assert room.group.lead.stage is PhaseStage.OVER


def test_a_program_that_is_held_stays_where_it_is_whoever_leaves() -> None:
    room = Room(who={"A1": "0001", "A2": "0002"})
    room.met["A2"] = False
    room.live(13.0)
    room.order("hold")
    del room.who["A2"]
    room.live(5.0)
    assert (room.group.lead.at, room.group.lead.stage) == (0, PhaseStage.HELD)
    room.order("go")
    room.live(0.2)
    assert room.group.lead.at == 1


def test_with_nobody_to_take_part_nothing_counts_and_nothing_ends() -> None:
    room = Room(who={"A1": "0001"})
    room.live(5.0)
    room.who.clear()
    room.live(30.0)
    assert room.group.lead.stage is PhaseStage.LEFT
    assert room.changes[-1].why == "no unit takes part"
    assert room.done_s("0001", 0) == pytest.approx(3.0, abs=0.2)
    room.live(2 * WAIT_BY_HAND_S)
    assert What.OVERDUE not in room.whats(), "nobody would profit"


# ---- whatever happens

HAPPENINGS = st.lists(
    st.tuples(
        st.sampled_from(["A1", "A2", "A3"]),
        st.sampled_from(["met", "out", "unseen", "leaves", "joins", "spare"]),
        st.floats(0.1, 6.0),
    ),
    max_size=25,
)


@given(HAPPENINGS)
def test_nothing_is_counted_for_who_takes_no_part_or_misses_its_targets(
    happenings: list[tuple[str, str, float]],
) -> None:
    room = Room()
    met_s: dict[str, float] = {}
    spares = iter(range(100))
    for unit, what, lasts_s in happenings:
        _happen(room, unit, what, f"9{next(spares):03}")
        before = {serial: _total_s(room.group, serial) for serial in kept_progress.all_work(room.group)}
        room.live(lasts_s)
        for serial, was_s in before.items():
            if serial not in room.who.values():
                assert _total_s(room.group, serial) == was_s
        for one, serial in room.who.items():
            if room.met.get(one, True) is True:
                met_s[serial] = met_s.get(serial, 0.0) + round(lasts_s * 10) / 10
    for serial in kept_progress.all_work(room.group):
        assert _total_s(room.group, serial) <= met_s.get(serial, 0.0) + 1e-6


@given(HAPPENINGS)
def test_whoever_drops_out_the_group_comes_to_its_end_with_nobody_lacking_anything(
    happenings: list[tuple[str, str, float]],
) -> None:
    room = Room()
    spares = iter(range(100))
    for unit, what, lasts_s in happenings:
        _happen(room, unit, what, f"9{next(spares):03}")
        room.live(lasts_s)
    # one is dead for good and missed for ever; the others are in order from now on
    room.who.pop("A2", None)
    room.met = {"A2": False}
    room.who.setdefault("A1", "0001")
    # each of the four steps at most twice: forwards from here, then what is lacking still
    room.live(2 * (13 + 8 + 13 + 8))
    assert room.group.lead.stage is PhaseStage.OVER
    assert all(room.ended(serial) == [0, 1, 2, 3] for serial in room.who.values())


def _happen(room: Room, unit: str, what: str, spare: str) -> None:
    if what == "leaves":
        room.who.pop(unit, None)
    elif what == "joins":
        room.who[unit] = SERIALS[unit]
    elif what == "spare":
        room.who[unit] = spare
    else:
        room.met[unit] = {"met": True, "out": False, "unseen": None}[what]


def _total_s(group: GroupProgress, serial: str) -> float:
    return sum(one.done_s for one in kept_progress.all_work(group).get(serial, {}).values())


@given(HAPPENINGS)
def test_a_next_session_knows_what_each_serial_number_has_done(
    happenings: list[tuple[str, str, float]],
) -> None:
    room = Room()
    spares = iter(range(100))
    for unit, what, lasts_s in happenings:
        _happen(room, unit, what, f"9{next(spares):03}")
        room.live(lasts_s)
    for whole in (True, False):
        kept = json.loads(json.dumps(kept_progress.to_json(room.group, room.plan, room.who, whole=whole)))
        again = kept_progress.resumed(kept, room.plan, room.who, 7)
        assert again.lead.at == room.group.lead.at
        was, now = kept_progress.all_work(room.group), kept_progress.all_work(again)
        for serial in was:
            for at in range(4):
                one = was[serial].get(at, Work())
                other = now.get(serial, {}).get(at, Work())
                assert one.ended is other.ended
                if not one.ended:
                    assert other.done_s == pytest.approx(one.done_s, abs=1e-3)


# ---- from session to session


def test_a_state_of_before_there_were_groups_means_that_all_have_done_the_same() -> None:
    old = {
        "at": 2, "of": 4, "phase": "low", "pass": 2, "stage": "running", "before": "high",
        "done_s": 4.5, "cycles": 3, "warm_s": 1.0,
    }  # fmt: skip
    group = kept_progress.resumed(old, PLAN, SERIALS, 7)
    for serial in SERIALS.values():
        assert [at for at, one in group.work[serial].items() if one.ended] == [0, 1]
        assert (group.present[serial].done_s, group.present[serial].stage) == (4.5, PhaseStage.LEFT)


def test_what_is_kept_names_step_and_stage_of_the_group_and_the_work_of_each_serial_number() -> None:
    room = Room(who={"A1": "0001", "A2": "0002"})
    room.live(15.0)
    values = kept_progress.to_json(room.group, PLAN, room.who, whole=True)
    assert (values["phase"], values["pass"], values["at"], values["of"]) == ("high", 1, 1, 4)
    part = [round(room.done_s("0001", 1), 3), 0, 0.0]
    assert part[0] == pytest.approx(0.8, abs=0.3)
    work = {"low": {"ended": [[1, 1]], "part": {}}, "high": {"ended": [], "part": {"1": part}}}
    assert values["serials"] == {"0001": work, "0002": work}
    alike = kept_progress.to_json(room.group, PLAN, room.who)
    assert alike == {name: value for name, value in values.items() if name != "serials"}


def test_what_was_done_is_found_again_by_phase_and_pass_in_a_changed_program() -> None:
    room = Room(who={"A1": "0001"})
    room.live(13 + 8 + 2)
    values = kept_progress.to_json(room.group, PLAN, room.who, whole=True)
    longer = group_plan(Program(phases=(LOW, HIGH), order=("high", "low"), passes=3))
    group = kept_progress.resumed(values, longer, room.who, 0)
    assert [at for at, one in group.work["0001"].items() if one.ended] == [0, 1]
    assert (longer.steps[group.lead.at].phase.name, longer.steps[group.lead.at].number) == ("low", 2)


@pytest.mark.parametrize("nonsense", [{"0001": 7}, {"0001": {"low": {"ended": 3}}}, {"0001": {"low": None}}])
def test_work_that_makes_no_sense_is_not_done(nonsense: dict[str, object]) -> None:
    room = Room(who={"A1": "0001"})
    kept = kept_progress.to_json(room.group, PLAN, room.who) | {"serials": nonsense}
    assert kept_progress.resumed(kept, PLAN, room.who, 0).work.get("0001", {}) == {}


# ---- time-outs


def overdue_at(room: Room) -> list[float]:
    """Return when it was said that targets are overdue, in s after the beginning."""
    found: list[float] = []
    began_ns = room.now_ns
    while (room.now_ns - began_ns) / 1e9 < 400.0:
        before = len(room.changes)
        room.live(1.0)
        if What.OVERDUE in [one.what for one in room.changes[before:]]:
            found.append(round((room.now_ns - began_ns) / 1e9))
    return found


def test_targets_that_stay_unmet_are_told_after_each_time_out() -> None:
    plan = group_plan(Program(phases=(replace(LOW, time_out_s=120.0),), order=("low",)))
    room = Room(plan)
    room.met = dict.fromkeys(SERIALS, False)
    assert overdue_at(room) == [120, 240, 360]
    assert [one.why for one in room.changes if one.what is What.OVERDUE] == ["2 min", "4 min", "6 min"]


def test_a_time_out_begins_anew_when_the_targets_have_been_met() -> None:
    plan = group_plan(Program(phases=(replace(LOW, time_out_s=120.0),), order=("low",)))
    room = Room(plan)
    room.met = dict.fromkeys(SERIALS, False)
    room.live(100.0)
    room.met = {}
    room.live(5.0)
    room.met = dict.fromkeys(SERIALS, False)
    room.live(100.0)
    assert What.OVERDUE not in room.whats()
    room.order("hold")
    room.live(500.0)
    assert What.OVERDUE not in room.whats(), "held by hand: nobody waits"


SOURCE = StimulusSource(instrument="tone", command="LEV {value}", lowest=0.0, highest=300.0)


def test_only_what_a_person_sets_has_a_time_out_that_is_not_written() -> None:
    by_person = Program(phases=(LOW,), order=("low",))
    by_source = replace(by_person, sources={"mains": SOURCE})
    assert (wait_s(LOW, by_person), by_hand(LOW, by_person)) == (1800.0, ["mains"])
    assert (wait_s(LOW, by_source), by_hand(LOW, by_source)) == (None, [])
    assert wait_s(LOW, by_person, foreign={"mains"}) is None
    assert wait_s(replace(LOW, time_out_s=60.0), by_source) == 60.0
    burst = replace(LOW, drive=Duty(channel="level", on_above=0.5, on_s=5.0, off_s=5.0))
    assert wait_s(burst, by_source) == 1800.0
    pause = Phase(name="pause", duration_s=60.0)
    assert wait_s(pause, Program(phases=(pause,), order=("pause",))) is None
