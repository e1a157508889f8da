"""Which limits a channel had when, and what a changed rig file changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from rig.domain.accounting import LevelPlan
from rig.domain.group_limits import of_all
from rig.domain.layout_json import limits_to_json
from rig.domain.limit_evaluation import Evaluation
from rig.domain.limit_history import (
    PRE_FLIGHT,
    change_data,
    courses,
    judged_by,
    limit_changes,
    limit_spans,
    only_limits_differ,
)
from rig.domain.model import (
    Channel,
    ChannelKind,
    ChannelSource,
    Event,
    EventKind,
    Layout,
    Limit,
    Scan,
    Side,
    Signals,
    Unit,
)
from rig.domain.program import Phase, Program
from rig.domain.source_groups import source_groups

HIGH = Limit(side=Side.HIGH, value=95.0, deadband=2.0)
HOTTER = Limit(side=Side.HIGH, value=105.0, deadband=2.0)
HEAT = Channel(
    name="A1.heat", unit_of_measure="degC", unit="A1", kind=ChannelKind.RESPONSE,
    source=ChannelSource(instrument="meter", field="heat"), limits=(HIGH,),
)  # fmt: skip
LAYOUT = Layout(
    rig="room",
    units={"A1": Unit(name="A1", serial="1", load="8 ohm", channels=("A1.heat",))},
    channels={"A1.heat": HEAT},
    instruments={},
)


def with_limits(*limits: Limit) -> Layout:
    return replace(LAYOUT, channels={"A1.heat": replace(HEAT, limits=limits)})


def event(t_ns: int, kind: EventKind, session: int = 1, **data: Any) -> Event:
    return Event(kind=kind, t_ns=t_ns, session=session, seq=t_ns, subject="run", text="", data=data)


def begin(t_ns: int, session: int = 1) -> Event:
    return event(t_ns, EventKind.SESSION_START, session)


def test_without_changes_the_rig_files_limits_hold_for_ever() -> None:
    (span,) = limit_spans("A1.heat", LAYOUT, [begin(5), event(9, EventKind.NOTE)])
    assert (span.start_ns, span.end_ns, span.limits) == (None, None, (HIGH,))


def test_in_a_pre_flight_only_what_it_lets_hold_holds_and_in_the_next_session_the_rig_files_own() -> None:
    free: dict[str, Any] = {"A1.heat": []}
    events = [
        begin(5),
        event(6, EventKind.PHASE, what=PRE_FLIGHT, limits=free),
        begin(40, 2),
        event(41, EventKind.PHASE, 2, what="due", limits={"A1.heat": limits_to_json([HOTTER])}),
    ]
    expected = [(None, 6, (HIGH,)), (6, 40, ()), (40, 41, (HIGH,)), (41, None, (HOTTER,))]
    assert spans_of(events) == expected


def spans_of(
    events: list[Event], layout: Layout = LAYOUT
) -> list[tuple[int | None, int | None, tuple[Limit, ...]]]:
    return [(one.start_ns, one.end_ns, one.limits) for one in limit_spans("A1.heat", layout, events)]


def sits(t_ns: int, serial: str, before: str = "", unit: str = "A1") -> Event:
    return replace(event(t_ns, EventKind.UNIT, serial=serial, before=before), subject=unit)


def test_the_limits_of_an_empty_place_sleep_until_somebody_is_put_in_whatever_a_phase_says() -> None:
    hotter = event(30, EventKind.PHASE, limits={"A1.heat": limits_to_json([HOTTER])})
    events = [begin(5), sits(20, "", "1"), hotter, begin(35, 2), sits(40, "2"), sits(50, "3", "2")]
    assert spans_of(events) == [(None, 20, (HIGH,)), (20, 40, ()), (40, None, (HIGH,))]
    assert spans_of([begin(5), sits(20, "", "1", "A2")]) == [(None, None, (HIGH,))]
    assert spans_of([begin(5), sits(20, "1", before="")]) == [(None, 20, ()), (20, None, (HIGH,))]
    # words about a place that name nobody change nothing
    assert spans_of([begin(5), replace(sits(20, ""), data={})]) == [(None, None, (HIGH,))]


def test_a_phase_that_says_nothing_of_its_limits_has_those_that_the_program_gives_it() -> None:
    program = Program(phases=(Phase(name="hot", limits={"{unit}.heat": (HOTTER,)}),), order=("hot",))
    planned = replace(LAYOUT, program=program)
    told = [
        event(10, EventKind.PHASE, what="due", phase="hot"),
        event(12, EventKind.PHASE, what="reached", phase="hot"),
        event(20, EventKind.PHASE, what="ended", phase=""),
    ]
    assert spans_of(told, planned) == [(None, 10, (HIGH,)), (10, 20, (HOTTER,)), (20, None, (HIGH,))]
    assert spans_of(told) == [(None, None, (HIGH,))]


def test_what_is_in_force_on_each_side_is_what_excursions_are_found_by() -> None:
    low = Limit(side=Side.LOW, value=5.0, on_delay_s=2.0)
    spans = limit_spans(
        "A1.heat",
        with_limits(HIGH, low),
        [begin(5), event(9, EventKind.PHASE, limits={"A1.heat": limits_to_json([low])})],
    )
    high_side, low_side = courses(spans)
    assert [(one.start_ns, one.bound and one.bound.value, one.session) for one in high_side] == [
        (None, 95.0, 1),
        (9, None, 1),
    ]
    assert [one.bound and (one.bound.value, one.bound.on_delay_ns) for one in low_side] == [
        (5.0, 2 * 10**9)
    ] * 2
    assert courses(limit_spans("A1.heat", with_limits(), [])) == []


def test_a_reload_counts_from_its_moment_and_a_phase_lies_over_it() -> None:
    hotter = {"A1.heat": limits_to_json([HOTTER])}
    events = [
        begin(5),
        event(20, EventKind.CONFIG_CHANGE, limits=hotter),
        event(30, EventKind.PHASE, limits={"A1.heat": []}),
        event(40, EventKind.PHASE, limits=hotter),
        event(50, EventKind.PHASE, limits={}),
    ]
    spans = limit_spans("A1.heat", LAYOUT, events)
    assert [(one.start_ns, one.end_ns, one.limits) for one in spans] == [
        (None, 20, (HIGH,)),
        (20, 30, (HOTTER,)),
        (30, 40, ()),
        (40, 50, (HOTTER,)),
        (50, None, (HIGH,)),
    ]


def test_each_session_begins_with_the_limits_of_its_own_rig_file() -> None:
    spans = limit_spans(
        "A1.heat", with_limits(HOTTER), [begin(5, 1), begin(60, 2)], {1: LAYOUT, 2: with_limits(HOTTER)}
    )
    assert [one.limits for one in spans] == [(HIGH,), (HOTTER,)]
    assert (spans[0].end_ns, spans[1].start_ns) == (60, 60)


def test_data_that_make_no_sense_leave_the_rig_files_limits() -> None:
    events = [begin(5), event(9, EventKind.PHASE, limits={"A1.heat": [{"side": "up"}]}),
              event(10, EventKind.PHASE, limits="none")]  # fmt: skip
    assert [one.limits for one in limit_spans("A1.heat", LAYOUT, events)] == [(HIGH,)]


def test_only_limits_may_differ_and_everything_else_is_named() -> None:
    assert only_limits_differ(LAYOUT, with_limits(HOTTER)) == []
    moved = replace(
        LAYOUT, channels={"A1.heat": replace(HEAT, source=ChannelSource(instrument="m", field="x"))}
    )
    other = replace(moved, units={"A1": replace(LAYOUT.units["A1"], serial="2")})
    assert only_limits_differ(LAYOUT, other) == ["unit A1", "channel A1.heat"]
    assert only_limits_differ(LAYOUT, replace(LAYOUT, channels={})) == ["channel A1.heat"]


def test_a_change_is_told_with_old_and_new_values() -> None:
    changes = limit_changes(LAYOUT, with_limits(HOTTER))
    data = change_data(changes, LAYOUT, "aaa", "bbb")
    assert data["words"] == "A1.heat: high 95 degC -> high 105 degC"
    assert data["changes"][0]["was"][0]["value"] == 95.0
    assert limit_changes(LAYOUT, LAYOUT) == ()


# ---- live limits that change while a channel is out


def scan(value: float, at_s: float) -> Scan:
    at_ns = round(at_s * 1e9)
    return Scan(block=0, sent_ns=at_ns, received_ns=at_ns, values=(value,), statuses=b"\0")


def armed(*limits: Limit) -> dict[str, Channel]:
    return {"A1.heat": replace(HEAT, limits=limits)}


def test_a_channel_that_is_out_stays_out_until_a_reading_is_inside_the_new_limit() -> None:
    evaluation = Evaluation([("A1.heat",)], armed(HIGH), 0)
    assert [one.kind for one in evaluation.feed(scan(100.0, 1))] == [EventKind.LIMIT_OUT]
    assert evaluation.arm(armed(HOTTER), 0) == []
    (back,) = evaluation.feed(scan(100.0, 2))
    assert back.kind is EventKind.LIMIT_IN
    assert back.data["limit"] == 105.0


def test_a_lower_limit_takes_effect_with_the_next_reading() -> None:
    evaluation = Evaluation([("A1.heat",)], armed(HOTTER), 0)
    assert evaluation.feed(scan(100.0, 1)) == []
    evaluation.arm(armed(HIGH), 0)
    assert [one.kind for one in evaluation.feed(scan(100.0, 2))] == [EventKind.LIMIT_OUT]


def test_a_limit_that_is_taken_away_ends_its_excursion_at_once() -> None:
    evaluation = Evaluation([("A1.heat",)], armed(HIGH), 0)
    evaluation.feed(scan(100.0, 1))
    (ended,) = evaluation.arm(armed(), 2)
    assert ended.kind is EventKind.LIMIT_IN
    assert ended.data["cause"] == "limit taken away"
    assert evaluation.near == set()
    assert evaluation.feed(scan(200.0, 3)) == []


def test_a_running_on_delay_goes_on_through_a_change() -> None:
    slow = replace(HIGH, on_delay_s=10.0)
    evaluation = Evaluation([("A1.heat",)], armed(slow), 0)
    evaluation.feed(scan(120.0, 1))
    evaluation.arm(armed(replace(HOTTER, on_delay_s=10.0)), 2)
    assert evaluation.feed(scan(120.0, 10.5)) == []
    (out,) = evaluation.feed(scan(120.0, 11.5))
    assert out.data["began_boot_ns"] == 1_000_000_000


# ---- groups of units, each in a phase of its own

A_MAINS, B_MAINS = (
    LevelPlan(channel=name, on_above=100.0, off_below=90.0) for name in ("mains_a", "mains_b")
)


def of_room(name: str) -> Channel:
    return replace(HEAT, name=name, unit=None, kind=ChannelKind.STIMULUS)


GROUPS = replace(
    LAYOUT,
    units={
        "A1": Unit(name="A1", serial="1", load="", channels=("A1.heat",), signals=Signals(mains=A_MAINS)),
        "B1": Unit(name="B1", serial="2", load="", channels=("B1.heat",), signals=Signals(mains=B_MAINS)),
    },
    channels={
        "A1.heat": HEAT,
        "B1.heat": replace(HEAT, name="B1.heat", unit="B1"),
        **{name: of_room(name) for name in ("mains_a", "mains_b", "ambient")},
    },
)
FEVER = Phase(name="hot", limits=dict.fromkeys(GROUPS.channels, (HOTTER,)))
ALL_HOTTER: dict[str, Any] = {"limits": {name: limits_to_json([HOTTER]) for name in GROUPS.channels}}


def changed_by(*events: Event, phases: Sequence[Phase] = ()) -> set[str]:
    return {
        name
        for name in GROUPS.channels
        if limit_spans(name, GROUPS, [begin(0), *events], phases=phases)[-1].limits == (HOTTER,)
    }


def test_an_event_of_a_group_changes_only_what_concerns_its_units() -> None:
    of_a = event(5, EventKind.PHASE, phase="hot", group=["A1"], **ALL_HOTTER)
    of_b = event(6, EventKind.PHASE, phase="hot", group=["B1"], **ALL_HOTTER)
    of_all = event(6, EventKind.PHASE, phase="hot", **ALL_HOTTER)
    assert changed_by(of_a) == {"A1.heat", "mains_a", "ambient"}
    assert changed_by(of_b) == {"B1.heat", "mains_b", "ambient"}
    assert changed_by(of_a, of_b) == changed_by(of_all) == set(GROUPS.channels)
    # so it is where the record has no limits of its own, and the program is asked
    bare = event(5, EventKind.PHASE, phase="hot", group=["B1"])
    assert changed_by(bare, phases=[FEVER]) == {"B1.heat", "mains_b", "ambient"}


def test_a_picture_of_the_limits_in_force_keeps_those_of_the_other_groups() -> None:
    of_a = event(5, EventKind.PHASE, phase="hot", group=["A1"], **ALL_HOTTER)
    of_b = event(6, EventKind.PHASE, phase="", group=["B1"], limits={})
    judged = judged_by(GROUPS, of_b, judged_by(GROUPS, of_a))
    assert {name for name, one in judged.channels.items() if one.limits == (HOTTER,)} == {
        "A1.heat",
        "mains_a",
    }


def test_limits_of_several_groups_hold_each_for_its_own_and_loosely_for_what_they_share() -> None:
    first, second = source_groups(GROUPS)
    own = {name: one.limits for name, one in GROUPS.channels.items()}
    cool = replace(HIGH, value=80.0)
    found = of_all(
        GROUPS,
        [
            (first, dict.fromkeys(GROUPS.channels, (HOTTER,))),
            (second, {"B1.heat": (cool,), "ambient": (cool,), "A1.heat": (cool,)}),
        ],
        own,
    )
    assert {name: limits[0].value for name, limits in found.items()} == {
        "A1.heat": 105.0, "mains_a": 105.0, "ambient": 105.0, "B1.heat": 80.0,
    }  # fmt: skip
    # the other group has no limits for it: it goes by the rig file's
    found = of_all(GROUPS, [(first, {"ambient": (cool,)}), (second, {})], own)
    assert found == {"ambient": (HIGH,)}
    # a single group's limits are taken as they are, whatever they are about
    assert of_all(GROUPS, [(first, {"B1.heat": (cool,)})], own) == {"B1.heat": (cool,)}
