"""Digests and bins say of readings what a reading-by-reading loop says, whole or in pieces."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.channel_digest import SECOND_NS, WIDTHS_S, bins, digest, merged, none, whole
from rig.domain.model import Series, Status

READING = st.tuples(
    st.integers(0, 4000),
    st.one_of(st.sampled_from([1.0, 1.5, float("nan"), float("inf")]), st.floats(-1e6, 1e6)),
    st.sampled_from([0, 0, 0, 0, *range(1, 10)]),
)
ROWS = st.lists(READING, min_size=1, max_size=60)


def series(rows: list[tuple[int, float, int]]) -> Series:
    t_s, value, status = zip(*rows, strict=True)
    return Series(
        channel="x", t_ns=np.array(t_s, np.int64) * SECOND_NS, h_ns=np.zeros(len(rows), np.int64),
        value=np.array(value), status=np.array(status, np.uint8), session=np.ones(len(rows), np.int32),
    )  # fmt: skip


def good(rows: list[tuple[int, float, int]]) -> list[int]:
    return [k for k, (_, value, status) in enumerate(rows) if status == 0 and np.isfinite(value)]


@given(ROWS)
def test_a_digest_agrees_with_a_loop_over_the_readings(rows: list[tuple[int, float, int]]) -> None:
    found = digest(series(rows))
    usable = good(rows)
    values = [rows[k][1] for k in usable]
    heard = [k for k, row in enumerate(rows) if Status(row[2]).name not in {"NO_REPLY", "BAD_REPLY", "LOST"}]
    sick = [row for row in rows if Status(row[2]).name in {"SUSPECT", "OVER", "UNDER", "NO_VALUE"}]
    steps = [(abs(b - a), usable[k + 1]) for k, (a, b) in enumerate(pairwise(values))]
    assert (found.rows, found.usable, found.sick) == (len(rows), len(usable), len(sick))
    assert (found.start_ns, found.end_ns) == (min(rows)[0] * SECOND_NS, max(rows)[0] * SECOND_NS)
    assert found.heard == (heard[-1] if heard else -1)
    assert (found.first, found.last) == ((usable[0], usable[-1]) if usable else (-1, -1))
    assert found.heard_ns == (rows[heard[-1]][0] * SECOND_NS if heard else 0)
    assert found.moved == max((at for step, at in steps if step > 0), default=-1)
    if usable:
        assert (found.low, found.high) == (min(values), max(values))
        assert (found.first_value, found.last_value) == (values[0], values[-1])
    if steps:
        assert found.step == max(step for step, _ in steps)
        assert found.step_at == next(at for step, at in steps if step == found.step)


@given(ROWS, st.sampled_from(WIDTHS_S))
def test_bins_agree_with_a_loop_over_the_readings(rows: list[tuple[int, float, int]], width_s: int) -> None:
    found = bins(series(rows), width_s)
    numbers = sorted({row[0] // width_s for row in rows})
    assert found.number.tolist() == numbers
    for k, number in enumerate(numbers):
        mine = [at for at, row in enumerate(rows) if row[0] // width_s == number]
        values = [rows[at][1] for at in mine if at in good(rows)]
        assert (found.rows[k], found.usable[k]) == (len(mine), len(values))
        if values:
            assert (found.low[k], found.high[k]) == (min(values), max(values))
            assert found.mean[k] == pytest.approx(sum(values) / len(values), rel=1e-9, abs=1e-6)
        else:
            assert np.isnan([found.mean[k], found.low[k], found.high[k]]).all()


@given(ROWS, st.integers(0, 60), st.sampled_from(WIDTHS_S))
def test_bins_of_pieces_joined_are_those_of_the_whole(
    rows: list[tuple[int, float, int]], cut: int, width_s: int
) -> None:
    parts = [rows[:cut], rows[cut:]]
    pieces = [whole(series(part)) for part in parts if part]
    joined = merged([piece.bins(width_s) for piece in pieces], width_s)
    all_at_once = whole(series(rows)).bins(width_s)
    for name in ("number", "rows", "usable", "low", "high"):
        np.testing.assert_array_equal(getattr(joined, name), getattr(all_at_once, name))
    np.testing.assert_allclose(joined.mean, all_at_once.mean, rtol=1e-9, atol=1e-6)


def test_nothing_has_no_bins() -> None:
    assert len(merged([], 60)) == len(none(60)) == 0
