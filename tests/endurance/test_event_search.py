"""What happened, picked by kind, channel, unit and time."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rig.domain.model import Event, EventKind
from rig.endurance.event_search import KINDS, EventMatch, EventQuery, in_order, matches
from rig.endurance.run_identity import RunIdentity
from tests.endurance.rooms import Room, at, channel, event, limit, phase_event, series

T = np.arange(0, 1000.0)
FACTS = RunIdentity(run="r", name="r", rig="room", where="/r", state="stopped", created_ns=0)


def out(t_s: float, subject: str, side: str = "high", kind: EventKind = EventKind.LIMIT_OUT) -> Event:
    return event(kind, t_s, subject, "out", side=side, limit=95.0)


def back(t_s: float, subject: str, side: str = "high") -> Event:
    return event(EventKind.LIMIT_IN, t_s, subject, "back", side=side, limit=95.0)


def room(*events: Event) -> Room:
    names = ["A1.heat", "A2.heat", "A1.volts", "mains"]
    return Room(
        channels=[channel(n, limit("high", 95), uom="degC" if "heat" in n else "V") for n in names],
        data={n: series(n, T, np.where((T >= 100) & (T < 200), 100 + T / 100, 70.0)) for n in names},
        happened=sorted(events, key=lambda one: one.t_ns),
    )


def found(query: EventQuery, *events: Event) -> list[EventMatch]:
    return matches(room(*events), FACTS, query)


def test_an_excursion_has_a_beginning_an_end_and_a_worst_value() -> None:
    (one,) = found(EventQuery(), out(100, "A1.heat"), back(200, "A1.heat"))
    assert (one.start_ns, one.end_ns) == (at(100), at(200))
    assert one.worst == pytest.approx(101.99)
    assert (one.unit, one.serial, one.limit, one.side) == ("A1", "SA1", 95.0, "high")


def test_what_had_not_come_back_has_no_end() -> None:
    (one,) = found(EventQuery(), out(100, "A1.heat"))
    assert one.end_ns is None


def test_both_sides_of_a_channel_are_told_apart() -> None:
    events = (out(100, "mains", "low"), out(150, "mains"), back(180, "mains", "low"), back(200, "mains"))
    assert [(one.side, one.end_ns) for one in found(EventQuery(), *events)] == [
        ("low", at(180)), ("high", at(200)),
    ]  # fmt: skip


def restart(t_s: float) -> Event:
    return event(EventKind.SESSION_START, t_s, "run", "session begins")


def test_an_excursion_goes_on_over_a_restart_that_finds_it_still_out() -> None:
    events = (out(100, "A1.heat"), restart(150), out(152, "A1.heat"), back(200, "A1.heat"))
    (one,) = found(EventQuery(), *events)
    assert (one.start_ns, one.end_ns) == (at(100), at(200))


def test_a_note_after_the_end_ends_no_excursion() -> None:
    (one,) = found(EventQuery(), out(100, "A1.heat"), event(EventKind.SESSION_START, 700, "run", brief=True))
    assert one.end_ns is None


def test_an_excursion_that_a_restart_does_not_repeat_ended_before_it() -> None:
    (one,) = found(EventQuery(), out(100, "A1.heat"), restart(150))
    assert (one.start_ns, one.end_ns) == (at(100), at(150))


def test_out_long_after_a_restart_is_another_excursion() -> None:
    first, second = found(EventQuery(), out(100, "A1.heat"), restart(150), out(400, "A1.heat"))
    assert [(one.start_ns, one.end_ns) for one in (first, second)] == [(at(100), at(150)), (at(400), None)]


@pytest.mark.parametrize(
    ("pattern", "expected"),
    [
        ("heat", {"A1.heat", "A2.heat"}),
        ("A2.*", {"A2.heat"}),
        ("*", {"A1.heat", "A2.heat", "A1.volts", "mains"}),
        ("A*.heat", {"A1.heat", "A2.heat"}),
        ("mains", {"mains"}),
        ("Heat", set()),
    ],
)
def test_a_channel_is_picked_by_its_quantity_or_a_pattern(pattern: str, expected: set[str]) -> None:
    events = [out(100, name) for name in ("A1.heat", "A2.heat", "A1.volts", "mains")]
    assert {one.subject for one in found(EventQuery(channel=pattern), *events)} == expected


@pytest.mark.parametrize(
    ("query", "count"),
    [
        ({"unit": "A1"}, 1),
        ({"unit": "A9"}, 0),
        ({"serial": "SA2"}, 1),
        ({"since_ns": at(250)}, 1),
        ({"since_ns": at(150)}, 2),
        ({"until_ns": at(150)}, 1),
        ({"until_ns": at(50)}, 0),
        ({"text": "OUT"}, 2),
        ({"text": "smoke"}, 0),
        ({"since_ns": at(5000)}, 0),
    ],
)
def test_the_other_filters(query: dict[str, Any], count: int) -> None:
    events = (out(100, "A1.heat"), back(200, "A1.heat"), out(300, "A2.heat"), back(400, "A2.heat"))
    assert len(found(EventQuery(**query), *events)) == count


def test_who_sat_there_and_which_phase_was_in_force_are_told() -> None:
    swap = event(EventKind.UNIT, 500, "A1", "swapped", serial="0099")
    phases = (phase_event(0, "low"), phase_event(550, "high"))
    first, second = found(
        EventQuery(), out(100, "A1.heat"), back(200, "A1.heat"), swap, *phases, out(600, "A1.heat")
    )
    assert [(one.serial, one.phase) for one in (first, second)] == [("SA1", "low"), ("0099", "high")]


def test_every_kind_of_event_can_be_looked_for() -> None:
    gap = event(EventKind.GAP, 10, "meter", "3 polls passed over")
    early = out(20, "A1.heat", kind=EventKind.EARLY_OUT)
    note = event(EventKind.NOTE, 30, "A1", "smells")
    for kind, subject in (("gap", "meter"), ("warning", "A1.heat"), ("note", "A1")):
        (one,) = found(EventQuery(kind=kind), gap, early, note)
        assert (one.kind, one.subject) == (kind, subject)
    assert set(KINDS) >= {kind.value for kind in EventKind}


def test_of_two_copies_of_a_run_the_one_that_tells_more_is_taken() -> None:
    events = (out(100, "A1.heat"), back(200, "A1.heat"), out(300, "A2.heat"))
    whole, part = found(EventQuery(), *events), found(EventQuery(), *events[:2])
    assert in_order([part, whole, []]) == whole
    assert in_order([whole, part]) == whole
