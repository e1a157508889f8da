"""The account's excursions are those of the limits in force, on the account's own time line."""

from __future__ import annotations

import numpy as np
import pytest

from rig.domain.limit_history import LimitSpan
from rig.domain.model import Limit
from rig.endurance.excursions import excursions, on_the_time_line
from tests.endurance.rooms import S, at, limit, series


def always(*limits: Limit) -> list[LimitSpan]:
    return [LimitSpan(start_ns=None, end_ns=None, limits=limits)]


def test_the_worst_reading_is_kept_with_its_moment() -> None:
    got = excursions(series("x", range(6), [0, 11, 15, 12, 0, 0.0]), always(limit("high", 10)))
    assert [(e.worst, e.worst_ns, e.last_ns, e.end_ns) for e in got] == [(15, at(2), at(3), at(4))]


@pytest.mark.parametrize("side", ["high", "low"])
def test_an_excursion_that_is_not_over_has_no_end(side: str) -> None:
    sign = 1 if side == "high" else -1
    got = excursions(series("x", range(3), sign * np.array([0, 11, 11.0])), always(limit(side, sign * 10.0)))
    assert [e.end_ns for e in got] == [None]


def test_both_sides_are_looked_at_and_told_in_order_of_time() -> None:
    got = excursions(series("x", range(6), [5, -1, 5, 11, 5, -1]), always(limit("high", 10), limit("low", 0)))
    assert [(e.side.value, e.start_ns) for e in got] == [("low", at(1)), ("high", at(3)), ("low", at(5))]


def test_readings_that_are_not_good_move_nothing() -> None:
    one = series("x", range(5), [5, 11, np.nan, 11, 5], status=[0, 0, 4, 0, 0])
    (only,) = excursions(one, always(limit("high", 10, on_delay_s=2.0)))
    assert (only.start_ns, only.counted_ns, only.end_ns) == (at(1), at(3), at(4))


def test_an_excursion_moves_with_its_readings_on_the_time_line() -> None:
    one = series("x", range(6), [5, 11, 12, 11, 11, 5], session=[1, 1, 1, 2, 2, 2])
    (found,) = excursions(one, always(limit("high", 10)))
    moved = on_the_time_line(found, one, {1: 0, 2: 100 * S})
    assert (moved.start_ns, moved.worst_ns) == (at(1), at(2))
    assert (moved.last_ns, moved.end_ns) == (at(104), at(105))
    assert on_the_time_line(found, one, {1: 0, 2: 0}) is found
