"""What the events of a run say of excursions: each is one, however often a restart says it again."""

from __future__ import annotations

from typing import Any

import pytest

from rig.domain.model import Event, EventKind
from rig.domain.recorded_excursions import EARLY, SETTLING_S, left_open, recorded

S = 1_000_000_000
OUT, BACK = EventKind.LIMIT_OUT, EventKind.LIMIT_IN


def event(kind: EventKind, t_s: float, subject: str = "A1.heat", **data: Any) -> Event:
    return Event(
        kind=kind, t_ns=round(t_s * S), session=1, seq=0, subject=subject, text="",
        data={"side": "high", **data},
    )  # fmt: skip


def start(t_s: float, **data: Any) -> Event:
    return event(EventKind.SESSION_START, t_s, "run", **data)


def told(*events: Event) -> list[tuple[float, float | None]]:
    return [(one.start_ns / S, one.ended.t_ns / S if one.ended else None) for one in recorded(events)]


def test_an_excursion_begins_when_it_was_first_out_and_not_when_it_counted() -> None:
    assert told(event(OUT, 30, out_for_ns=5 * S), event(BACK, 40)) == [(25, 40)]
    assert told(event(OUT, 30), event(OUT, 31, side="low"), event(BACK, 40)) == [(30, 40), (31, None)]


def test_a_session_that_names_what_it_goes_on_with_says_it_again_or_finds_it_back() -> None:
    goes_on = start(100, left_open=[["A1.heat", "high"]])
    assert told(event(OUT, 30), goes_on, event(OUT, 500, again=True), event(BACK, 600)) == [(30, 600)]
    assert told(event(OUT, 30), goes_on, event(BACK, 110), event(OUT, 120)) == [(30, 110), (120, None)]
    assert told(event(OUT, 30), goes_on) == [(30, None)]
    assert left_open(goes_on) == {("A1.heat", "high")}
    assert left_open(start(1)) == left_open(start(1, left_open=["x", ["y"]])) == frozenset()


def test_a_session_that_only_carried_out_an_order_ends_nothing() -> None:
    assert told(event(OUT, 30), start(100, brief=True)) == [(30, None)]


@pytest.mark.parametrize(
    ("late_s", "same"), [(SETTLING_S - 0.001, True), (SETTLING_S, True), (SETTLING_S + 0.001, False)]
)
def test_an_older_session_says_again_soon_after_its_start_what_is_out(late_s: float, same: bool) -> None:
    """60 s: as the first version of the search had it (common practice, no source)."""
    assert SETTLING_S == 60.0
    found = told(event(OUT, 30), start(100), event(OUT, 100 + late_s))
    assert found == ([(30, None)] if same else [(30, 100), (100 + late_s, None)])


def test_how_soon_is_told_by_the_first_reading_out_where_that_is_recorded() -> None:
    slow = event(OUT, 400, began_boot_ns=7 * S)
    assert told(event(OUT, 30), start(100, boot_ns=5 * S), slow) == [(30, None)]
    assert told(event(OUT, 30), start(100, boot_ns=-54 * S), slow) == [(30, 100), (400, None)]


def test_what_an_older_session_does_not_say_again_ended_with_its_start() -> None:
    assert told(event(OUT, 30), start(100), start(200)) == [(30, 100)]


def test_early_warnings_are_a_pair_of_their_own() -> None:
    events = [event(EventKind.EARLY_OUT, 10), event(OUT, 20), event(EventKind.EARLY_IN, 30)]
    (early,) = recorded(events, EARLY)
    assert (early.start_ns, early.ended and early.ended.t_ns) == (10 * S, 30 * S)
