"""The plain walk: worked examples, and the definition in words, whatever the stamps and blanks are."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.limit_arrays import Excursion
from rig.domain.model import Limit, Side, Status
from rig.forensics.channel_readings import readings
from rig.forensics.walk import rows_of, stretches
from tests.forensics.rooms import channel, series

VALUES = st.one_of(
    st.sampled_from([89.0, 90.0, 91.0, 88.0, 87.999, 90.000001, float("nan"), float("inf")]),
    st.floats(80, 100),
)
READING = st.tuples(VALUES, st.sampled_from([0, 0, 0, 0, 1, 2, 4, 5, 9]))


def by_definition(rows: list[tuple[float, int]], limit: Limit) -> list[tuple[int, int, int, int]]:
    """Return what the words say, without walking.

    The channel is out at a good reading if some good reading up to
    then is beyond the limit and no good one since has come back by the deadband.
    """
    sign = 1.0 if limit.side is Side.HIGH else -1.0
    good = [i for i, (value, status) in enumerate(rows) if status == Status.GOOD and np.isfinite(value)]
    beyond = {i for i in good if sign * rows[i][0] > sign * limit.value}
    back = {i for i in good if sign * rows[i][0] <= sign * limit.value - limit.deadband}
    out = {i for i in good if any(j <= i and not any(j < k <= i for k in back) for j in beyond)}
    found = []
    for first in (i for i in out if not any(j in out for j in good[: good.index(i)][-1:])):
        place = good.index(first)
        after = next((i for i in good[place:] if i not in out), -1)
        end = good.index(after) if after >= 0 else len(good)
        last = max(i for i in good[place:end] if i in beyond)
        found.append((good[place - 1] if place else -1, first, last, after))
    return sorted(found, key=lambda one: one[1])


HIGH = Limit(side=Side.HIGH, value=90.0, deadband=2.0)
LOW = Limit(side=Side.LOW, value=90.0, deadband=2.0)
BAD = 5


@pytest.mark.parametrize(
    ("values", "found", "worst"),
    [
        ([80, 91, 80], [(0, 1, 1, 2)], [1]),
        ([80, 90, 80], [], []),  # on the limit is not out
        ([80, 91, 89, 88, 87], [(0, 1, 1, 3)], [1]),  # back is two below, and that is back
        ([80, 91, 88.001, 88.001], [(0, 1, 1, -1)], [1]),
        ([80, 89, 89.9, 80], [], []),  # within the deadband from inside: never out
        ([91, 95, 92, 80], [(-1, 0, 2, 3)], [1]),
        ([89, 91], [(0, 1, 1, -1)], [1]),
        ([80, 91, None, 80], [(0, 1, 1, 3)], [1]),
        ([80, None, 91, None, None, 89, None, 70, 95], [(0, 2, 2, 7), (7, 8, 8, -1)], [2, 8]),
        ([None, 91, 70], [(-1, 1, 1, 2)], [1]),
        ([80, 91, 96, 96, 95, 70], [(0, 1, 4, 5)], [2]),  # of equal ones the first is the worst
        ([], [], []),
        ([None, None], [], []),
    ],
)
def test_stretches_worked_out_by_hand(
    values: list[float | None], found: list[tuple[int, int, int, int]], worst: list[int]
) -> None:
    usable = np.array([v is not None for v in values], dtype=bool)
    value = np.array([np.nan if v is None else v for v in values], dtype=float)
    above, below = stretches(value, usable, HIGH), stretches(180.0 - value, usable, LOW)
    for seen in (above, below):
        assert [as_tuple(s) for s in seen] == found
        assert [s.worst_at for s in seen] == worst
    rows = [(0.0 if v is None else float(v), BAD if v is None else 0) for v in values]
    assert by_definition(rows, HIGH) == found


def as_tuple(s: Excursion) -> tuple[int, int, int, int]:
    return (s.last_inside, s.first_outside, s.last_outside, s.returned)


@given(
    rows=st.lists(READING, max_size=60),
    side=st.sampled_from(list(Side)),
    deadband=st.sampled_from([0.0, 1.0, 2.0]),
)
def test_a_walk_finds_what_the_definition_says(
    rows: list[tuple[float, int]], side: Side, deadband: float
) -> None:
    limit = Limit(side=side, value=90.0, deadband=deadband)
    value = np.array([v for v, _ in rows], dtype=float)
    usable = np.array([s == Status.GOOD for _, s in rows], dtype=bool) & np.isfinite(value)
    found = [as_tuple(s) for s in stretches(value, usable, limit)]
    assert found == by_definition(rows, limit)


def test_a_value_on_the_limit_is_not_out() -> None:
    value = np.array([89.0, 90.0, 89.0])
    assert stretches(value, np.ones(3, bool), Limit(side=Side.HIGH, value=90.0)) == []


def test_readings_that_are_not_good_neither_start_nor_end_an_excursion() -> None:
    value = np.array([80.0, 99.0, 95.0, np.nan, 80.0, 96.0, 80.0])
    usable = np.array([True, False, True, False, False, True, True])
    [only] = stretches(value, usable, Limit(side=Side.HIGH, value=90.0))
    assert as_tuple(only) == (0, 2, 5, 6)
    assert only.worst_at == 5


def test_rows_are_of_the_values_or_of_their_sizes() -> None:
    found = readings(channel("A1.x"), series("A1.x", [0.0, 1.0], [-3.0, 2.0]))
    assert rows_of(found).value.tolist() == [-3.0, 2.0]
    assert rows_of(found, size=True).value.tolist() == [3.0, 2.0]
