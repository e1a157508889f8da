"""No spike is lost, no gap is joined over, whatever the number of readings."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.model import Series, Status
from rig.render.charts.envelope import Envelope, envelope

SECOND = 1_000_000_000
T0 = 1_900_000_000 * SECOND


def series(
    values: list[float] | np.ndarray, seconds: list[float] | np.ndarray | None = None, statuses: object = None
) -> Series:
    value = np.asarray(values, np.float64)
    at = np.arange(len(value)) if seconds is None else np.asarray(seconds, np.float64)
    status = np.zeros(len(value), np.uint8) if statuses is None else np.asarray(statuses, np.uint8)
    return Series(
        channel="x", t_ns=T0 + (at * SECOND).astype(np.int64), h_ns=np.zeros(len(value), np.int64),
        value=np.where(status <= Status.SUSPECT, value, np.nan), status=status,
        session=np.ones(len(value), np.int32),
    )  # fmt: skip


def whole(one: Series, columns: int = 100) -> Envelope:
    return envelope(one, int(one.t_ns.min()), int(one.t_ns.max()), columns)


@pytest.mark.slow
def test_one_reading_of_2_4_million_is_as_high_in_the_picture_as_it_was() -> None:
    values = np.random.default_rng(1).normal(70.0, 0.2, 28 * 86_400)
    values[1_234_567] = 141.5
    found = whole(series(values), 430)
    assert found.high == 141.5
    run = next(run for run in found.runs if run.high.max() == 141.5)
    at_s = (run.t_ns[run.high.argmax()] - T0) / SECOND
    assert abs(at_s - 1_234_567) <= 28 * 86_400 / 430
    assert found.coarser(2).high == 141.5


@given(
    st.lists(st.tuples(st.floats(-1e6, 1e6), st.sampled_from(list(Status))), min_size=1, max_size=400),
    st.integers(1, 50),
)
def test_extremes_and_counts_are_those_of_the_readings(
    readings: list[tuple[float, Status]], columns: int
) -> None:
    values, statuses = zip(*readings, strict=True)
    found = whole(series(list(values), statuses=statuses), columns)
    good = [value for value, status in readings if status is Status.GOOD]
    assert found.good == len(good)
    assert found.counts == {s: statuses.count(s) for s in Status if s in statuses}
    for one in (found, found.coarser(2), found.coarser(7)):
        if good:
            assert (one.low, one.high) == (min(good), max(good))
        assert sum(len(run.t_ns) for run in one.runs) <= max(2 * columns, len(one.runs))
    assert sum(sum(s.counts.values()) for s in found.bad) == len(readings) - len(good)


@given(st.permutations(range(60)))
def test_stamps_in_any_order_give_the_same_picture(order: list[int]) -> None:
    values = [float(k * k % 17) for k in range(60)]
    straight = whole(series(values), 10)
    mixed = whole(series([values[k] for k in order], [float(k) for k in order]), 10)
    for a, b in zip(straight.runs, mixed.runs, strict=True):
        assert (a.t_ns == b.t_ns).all()
        assert (a.low == b.low).all()
        assert (a.high == b.high).all()


def test_a_lost_reading_parts_the_line_where_readings_stand_for_themselves() -> None:
    statuses = [0, 0, 0, 5, 0, 0]
    found = whole(series([1.0] * 6, statuses=statuses), 100)
    assert found.single
    assert [len(run.t_ns) for run in found.runs] == [3, 2]
    assert found.bad[0].counts == {Status.NO_REPLY: 1}


@pytest.mark.parametrize("count", [60, 6000])
def test_a_gap_parts_the_line_with_few_readings_and_with_many(count: int) -> None:
    seconds = np.concatenate([np.arange(count), np.arange(count) + 2.0 * count])
    found = whole(series(np.ones(2 * count), seconds), 50)
    assert len(found.runs) == 2
    assert (found.runs[0].t_ns[-1] - T0) / SECOND < count
    assert (found.runs[1].t_ns[0] - T0) / SECOND >= 2 * count


def test_fast_polls_in_between_do_not_part_the_slow_ones() -> None:
    seconds = np.concatenate(
        [np.arange(0, 5000, 5.0), np.arange(5000, 5300, 0.05), np.arange(5300, 9000, 5.0)]
    )
    one = series(np.ones(len(seconds)), seconds)
    found = envelope(one, int(one.t_ns.min()), int(one.t_ns.max()), 100, usual_s=5.0)
    assert len(found.runs) == 1


def test_numbers_that_cannot_be_are_kept_apart_from_the_good_ones() -> None:
    found = whole(series([20.0, 21.0, 4000.0, 22.0], statuses=[0, 0, 1, 0]))
    assert (found.low, found.high) == (20.0, 22.0)
    assert found.suspect == ((T0 + 2 * SECOND, 4000.0),)


def test_a_silent_channel_has_an_empty_envelope() -> None:
    found = envelope(series([]), T0, T0 + SECOND, 100)
    assert found.runs == ()
    assert np.isnan(found.low)
    assert found.coarser(2) is found or found.coarser(2).runs == ()
