"""Which phase was in force, and who sat where, by the recorded events."""

from __future__ import annotations

from typing import Any

import pytest

from rig.domain.model import Event, EventKind
from rig.endurance.phases_in_force import Phase, PhaseTarget, in_force, installations, time_of
from tests.endurance.rooms import Room, S, at, channel, event, limit, phase_event

SPAN = (at(0), at(100))


def test_a_phase_lasts_until_the_next_begins_or_the_record_ends() -> None:
    got = in_force([phase_event(10, "low"), phase_event(40, "high")], SPAN)
    assert [(one.phase, one.start_ns, one.end_ns) for one in got] == [
        ("low", at(10), at(40)),
        ("high", at(40), at(100)),
    ]


def test_an_empty_name_ends_a_phase_without_beginning_another() -> None:
    got = in_force([phase_event(10, "low"), phase_event(40, "")], SPAN)
    assert [(one.phase, one.end_ns) for one in got] == [("low", at(40))]


def test_repetitions_are_numbered_and_add_up() -> None:
    events = [phase_event(t, name) for t, name in ((0, "low"), (10, "high"), (20, "low"), (30, "high"))]
    got = in_force(events, SPAN)
    assert [(one.phase, one.number) for one in got] == [("low", 1), ("high", 1), ("low", 2), ("high", 2)]
    assert time_of("low", got).total_s == pytest.approx(20)
    assert time_of("unheard of", got).total_s == 0


def test_a_recorded_number_of_the_repetition_is_taken_as_it_is() -> None:
    seventh: dict[str, Any] = {"phase": "low", "pass": 7}
    events = [event(EventKind.PHASE, 0, "run", **seventh), phase_event(50, "low")]
    assert [one.number for one in in_force(events, SPAN)] == [7, 8]


def test_an_event_with_words_only_names_the_phase_in_words() -> None:
    assert [one.phase for one in in_force([event(EventKind.PHASE, 0, "run", "burn-in")], SPAN)] == ["burn-in"]


def test_a_phase_begun_before_the_span_counts_from_its_beginning() -> None:
    got = in_force([phase_event(-50, "low")], SPAN)
    assert [(one.start_ns, one.end_ns) for one in got] == [SPAN]


def test_events_move_with_their_session() -> None:
    got = in_force([event(EventKind.PHASE, 10, "run", session=3, phase="low")], SPAN, {3: 5 * S})
    assert got[0].start_ns == at(15)


def of_group(t_s: float, name: str, *units: str) -> Event:
    return event(EventKind.PHASE, t_s, "run", phase=name, group=list(units))


def test_a_unit_is_in_the_phase_of_its_own_group() -> None:
    events = [
        of_group(0, "low", "A1", "A2"), of_group(1, "low", "B1"), of_group(40, "high", "B1"),
        of_group(60, "high", "A1", "A2"),
    ]  # fmt: skip

    def periods(unit: str | None) -> list[tuple[str, int, int]]:
        return [(one.phase, one.start_ns, one.end_ns) for one in in_force(events, SPAN, unit=unit)]

    assert periods("A2") == [("low", at(0), at(60)), ("high", at(60), at(100))]
    assert periods("B1") == [("low", at(1), at(40)), ("high", at(40), at(100))]
    assert sorted(periods(None)) == sorted([*periods("A1"), *periods("B1")])
    assert {one.group for one in in_force(events, SPAN)} == {("A1", "A2"), ("B1",)}


def test_what_was_recorded_before_there_were_groups_holds_for_all_until_the_groups_begin() -> None:
    events = [phase_event(0, "low"), of_group(50, "high", "A1"), of_group(51, "low", "B1")]
    got = [(one.phase, one.start_ns, one.end_ns) for one in in_force(events, SPAN, unit="B1")]
    assert got == [("low", at(0), at(51)), ("low", at(51), at(100))]


def test_a_place_holds_one_serial_number_after_another_and_may_be_empty() -> None:
    layout = Room(channels=[channel("A1.x"), channel("A2.x")], data={}).layout
    events = [
        event(EventKind.UNIT, 30, "A1", serial=None),
        event(EventKind.UNIT, 40, "A1", serial="0099"),
        event(EventKind.UNIT, 50, "A1", "looked at; nothing changed"),
    ]
    got = [(one.unit, one.serial, one.start_ns, one.end_ns) for one in installations(layout, events, SPAN)]
    assert got == [
        ("A1", "SA1", at(0), at(30)),
        ("A1", "0099", at(40), at(100)),
        ("A2", "SA2", at(0), at(100)),
    ]


def test_targets_and_limits_of_a_phase_are_filled_in_for_each_unit() -> None:
    phase = Phase(
        name="p",
        targets={"{unit}.drive": PhaseTarget(value=1, tolerance=0.25)},
        limits={"{unit}.heat": (limit("high", 70),)},
    )
    assert phase.targets_of("B2") == {"B2.drive": PhaseTarget(value=1, tolerance=0.25)}
    assert (phase.targets["{unit}.drive"].low, phase.targets["{unit}.drive"].high) == (0.75, 1.25)
    own = (limit("high", 95),)
    assert phase.limits_of("B2.heat", "B2", own)[0].value == 70
    assert phase.limits_of("mains", None, own) == own
