"""Deadlines that do not drift, waits that grow, lateness that is counted in bounded memory."""

import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.schedule import Backoff, Cadence, Lateness

MS = 1_000_000


def test_deadlines_stay_on_their_grid_however_late_the_polls_are() -> None:
    cadence = Cadence(period_ns=500 * MS, due_ns=0)
    for late_ms in (1, 3, 499, 0):
        assert cadence.advance(cadence.due_ns + late_ms * MS) == 0
    assert cadence.due_ns == 4 * 500 * MS


def test_deadlines_passed_over_are_counted_and_not_caught_up() -> None:
    cadence = Cadence(period_ns=500 * MS, due_ns=0)
    assert cadence.advance(1_600 * MS) == 3
    assert cadence.due_ns == 2_000 * MS


@given(st.integers(1, 10**10), st.integers(0, 10**12), st.integers(0, 10**12))
def test_the_next_deadline_is_the_first_one_after_now(period: int, due: int, late: int) -> None:
    cadence = Cadence(period_ns=period, due_ns=due)
    cadence.advance(due + late)
    assert due + late < cadence.due_ns <= due + late + period
    assert (cadence.due_ns - due) % period == 0


def test_a_shorter_period_takes_effect_at_once_and_a_longer_one_after_the_next_poll() -> None:
    cadence = Cadence(period_ns=1_000 * MS, due_ns=5_000 * MS)
    cadence.change(100 * MS, 4_200 * MS)
    assert cadence.due_ns == 4_300 * MS
    cadence.change(1_000 * MS, 4_250 * MS)
    assert cadence.due_ns == 4_300 * MS


def test_waits_double_up_to_the_cap_and_start_over_after_a_success() -> None:
    backoff = Backoff(first_s=1.0, cap_s=30.0)
    assert [backoff.failed() for _ in range(7)] == [1, 2, 4, 8, 16, 30, 30]
    backoff.worked()
    assert backoff.failed() == 1


def test_a_thousand_failures_do_not_overflow_the_wait() -> None:
    backoff = Backoff(first_s=0.5, cap_s=60.0, failures=10_000)
    assert backoff.failed() == 60.0


@pytest.mark.parametrize("fraction", [0.5, 0.99, 1.0])
def test_quantiles_agree_with_numpy_within_one_step_of_the_histogram(fraction: float) -> None:
    draw = random.Random(5)
    late_ns = [round(draw.lognormvariate(13, 1.5)) for _ in range(5000)]
    lateness = Lateness()
    for one in late_ns:
        lateness.note(one)
    exact_ms = float(np.quantile(late_ns, fraction, method="inverted_cdf")) / 1e6
    assert exact_ms <= lateness.quantile_ms(fraction) * 1.0001 <= exact_ms * 1.06


def test_lateness_memory_is_bounded_by_the_histogram() -> None:
    lateness = Lateness()
    for late_ns in range(-1000, 60_000_000_000, 7_000_001):
        lateness.note(late_ns)
    assert len(lateness.counts) < 400
