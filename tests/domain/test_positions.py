"""Who sat where, with swaps that were recorded after the fact."""

from __future__ import annotations

from typing import Any

import pytest

from rig.domain.model import Event, EventKind
from rig.domain.positions import PositionChange, by_effect, contradiction, happened_ns
from tests.endurance.rooms import at, event


def swap(t_s: float, unit: str, serial: str, before: str, session: int = 1, **more: Any) -> Event:
    change = PositionChange(unit=unit, before=before, serial=serial, why="a test")
    return event(EventKind.UNIT, t_s, unit, change.text, session, **change.data(), **more)


def test_without_a_stated_time_the_recorded_order_is_left_alone() -> None:
    events = [swap(5, "A1", "2", "1"), swap(3, "A2", "9", "8")]
    assert by_effect(events) is events


def test_a_swap_after_the_fact_stands_where_it_takes_effect_in_the_session_of_that_time() -> None:
    events = [
        event(EventKind.SESSION_START, 0, "run", session=1),
        event(EventKind.NOTE, 100, "run", session=1),
        event(EventKind.SESSION_START, 200, "run", session=2),
        swap(300, "A1", "3", "2", session=3, at_ns=at(150)),
        swap(310, "A1", "2", "1", session=4, at_ns=at(50)),
    ]
    moved = by_effect(events)
    assert [(one.kind, one.t_ns, one.session) for one in moved] == [
        (EventKind.SESSION_START, at(0), 1),
        (EventKind.UNIT, at(50), 1),
        (EventKind.NOTE, at(100), 1),
        (EventKind.UNIT, at(150), 1),
        (EventKind.SESSION_START, at(200), 2),
    ]
    assert [one.data["serial"] for one in moved if one.kind is EventKind.UNIT] == ["2", "3"]


@pytest.mark.parametrize("said", [None, True, "noon", 1.5])
def test_a_time_that_is_none_is_not_taken_for_one(said: object) -> None:
    assert happened_ns(swap(5, "A1", "2", "1", at_ns=said)) is None


@pytest.mark.parametrize(
    ("unit", "serial", "t_s", "refused"),
    [
        ("A1", "7", 99, True),
        ("A1", "7", 100, True),
        ("A1", "7", 101, False),
        ("A2", "1", 99, True),  # it sat in A1 until 100 s
        ("A2", "1", 101, False),
        ("A2", "7", 50, False),
        ("A2", "", 50, False),
    ],
)
def test_a_later_swap_on_record_contradicts(unit: str, serial: str, t_s: float, refused: bool) -> None:
    known = [swap(500, "A1", "2", "1", at_ns=at(100))]
    assert bool(contradiction(known, unit, serial, at(t_s))) is refused


def test_the_words_say_that_it_was_recorded_afterwards() -> None:
    for before, serial in (("1", "2"), ("1", ""), ("", "2")):
        change = PositionChange(unit="A1", before=before, serial=serial, why="forgotten", at_ns=at(0))
        assert "at 2023-11-14 22:13:20 UTC, recorded afterwards" in change.text
        assert change.data()["at_ns"] == at(0)
