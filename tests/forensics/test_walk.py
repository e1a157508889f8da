"""The plain walk agrees with a reading-by-reading loop, whatever the stamps and blanks are."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.limit_arrays import Excursion
from rig.domain.model import Limit, Side, Status
from rig.forensics.walk import stretches

VALUES = st.one_of(
    st.sampled_from([89.0, 90.0, 91.0, 88.0, 87.999, 90.000001, float("nan"), float("inf")]),
    st.floats(80, 100),
)
READING = st.tuples(VALUES, st.sampled_from([0, 0, 0, 0, 1, 2, 4, 5, 9]))


def plain_loop(rows: list[tuple[float, int]], limit: Limit) -> list[tuple[int, int, int, int]]:
    """ExcursionWalk reading by reading, as a person with a printout would."""
    found: list[tuple[int, int, int, int]] = []
    is_out = False
    last_in, first_out, last_out = -1, -1, -1
    for i, (value, status) in enumerate(rows):
        if status != Status.GOOD or not np.isfinite(value):
            continue
        beyond = value > limit.value if limit.side is Side.HIGH else value < limit.value
        if limit.side is Side.HIGH:
            back = value <= limit.value - limit.deadband
        else:
            back = value >= limit.value + limit.deadband
        if is_out and back:
            found.append((last_in, first_out, last_out, i))
            is_out, last_in = False, i
        elif is_out:
            last_out = i if beyond else last_out
        elif beyond:
            is_out, first_out, last_out = True, i, i
        else:
            last_in = i
    if is_out:
        found.append((last_in, first_out, last_out, -1))
    return found


def as_tuple(s: Excursion) -> tuple[int, int, int, int]:
    return (s.last_inside, s.first_outside, s.last_outside, s.returned)


@given(
    rows=st.lists(READING, max_size=60),
    side=st.sampled_from(list(Side)),
    deadband=st.sampled_from([0.0, 1.0, 2.0]),
)
def test_walk_agrees_with_a_loop_over_readings(
    rows: list[tuple[float, int]], side: Side, deadband: float
) -> None:
    limit = Limit(side=side, value=90.0, deadband=deadband)
    value = np.array([v for v, _ in rows], dtype=float)
    usable = np.array([s == Status.GOOD for _, s in rows], dtype=bool) & np.isfinite(value)
    found = [as_tuple(s) for s in stretches(value, usable, limit)]
    assert found == plain_loop(rows, limit)


def test_a_value_on_the_limit_is_not_out() -> None:
    value = np.array([89.0, 90.0, 89.0])
    assert stretches(value, np.ones(3, bool), Limit(side=Side.HIGH, value=90.0)) == []


def test_readings_that_are_not_good_neither_start_nor_end_an_excursion() -> None:
    value = np.array([80.0, 99.0, 95.0, np.nan, 80.0, 96.0, 80.0])
    usable = np.array([True, False, True, False, False, True, True])
    [only] = stretches(value, usable, Limit(side=Side.HIGH, value=90.0))
    assert as_tuple(only) == (0, 2, 5, 6)
    assert only.worst_at == 5
