"""For which time a reading vouches: the gap rule, to the nanosecond."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.domain.model import Status
from rig.endurance.coverage import REACH, hold, known_together, time_line
from rig.endurance.stretches import stretch
from tests.endurance.rooms import START_NS, S, at, series, session


def span(a: float, b: float) -> tuple[int, int]:
    return at(a), at(b)


@given(st.sets(st.integers(1, 98), max_size=40))
@settings(deadline=None)
def test_n_polls_without_a_record_are_n_poll_periods_unlogged(missing: set[int]) -> None:
    polls = [t for t in range(100) if t not in missing]
    if np.median(np.diff(polls)) != 1:
        return
    held = hold(series("x", polls, 1.0), span(-0.5, 99.5))
    assert 100 - held.known.total_s == pytest.approx(len(missing), abs=1e-9)


def test_a_record_without_a_good_number_makes_its_own_time_unlogged() -> None:
    for status in (Status.NO_REPLY, Status.SUSPECT, Status.OVER, Status.LOST):
        codes = np.zeros(10, int)
        codes[4] = status
        held = hold(series("x", range(10), 1.0, status=codes), span(-0.5, 9.5))
        assert held.known.total_s == pytest.approx(9.0, abs=1e-9)
        assert held.recorded.total_s == pytest.approx(10.0, abs=1e-9)


def test_jitter_of_half_a_period_is_not_a_gap() -> None:
    held = hold(series("x", [0, 1, 2, 3.4, 4, 5], 1.0), span(0, 5))
    assert held.known.total_s == pytest.approx(5.0, abs=1e-9)


def test_a_reading_never_vouches_for_more_than_the_reach() -> None:
    rng = np.random.default_rng(5)
    t = np.cumsum(rng.exponential(1.0, 2000))
    held = hold(series("x", t, 1.0), span(-10, float(t[-1]) + 10))
    assert (held.end_ns - held.start_ns).max() <= REACH * held.usual_s * S + 2
    assert (held.start_ns[1:] >= held.end_ns[:-1]).all()


def test_nothing_reaches_over_the_span_asked_for() -> None:
    held = hold(series("x", range(10), 1.0), span(2.25, 6.75))
    assert held.known.start_ns[0] == at(2.25)
    assert held.known.end_ns[-1] == at(6.75)


def test_each_session_has_its_own_usual_interval() -> None:
    """A poll period changed from 1 s to 10 s is not nine tenths of a gap."""
    t = [*range(100), *range(105, 505, 10)]
    held = hold(series("x", t, 1.0, session=[0] * 100 + [1] * 40), span(-0.5, 500))
    # the two half intervals, 0.5 s and 5 s, would overlap by less than they are apart: 99 + 0.5 .. 105 - 3
    assert 500.5 - held.known.total_s == pytest.approx(105 - 99 - 0.5 - 3.0, abs=1e-9)


def test_faster_polls_for_a_while_make_no_gaps_of_the_slower_ones() -> None:
    """Near a limit a unit is polled ten times as often; most records of the session are then fast ones."""
    t = np.concatenate([np.arange(0, 300.0), np.arange(300, 600, 0.1), np.arange(600, 900.0)])
    held = hold(series("x", t, 1.0), span(0, 899), poll_s=1.0)
    assert held.known.total_s == pytest.approx(899, abs=1e-6)


def test_polls_that_are_missing_among_slow_and_fast_ones_are_found_all_the_same() -> None:
    slow = [k for k in range(300) if not 100 <= k < 150]
    t = np.concatenate([slow, np.arange(300, 600, 0.1), np.arange(600, 900.0)])
    held = hold(series("x", t, 1.0), span(0, 899), poll_s=1.0)
    assert 899 - held.known.total_s == pytest.approx(50, abs=1e-6)


@given(st.sets(st.integers(1, 98), max_size=40), st.sampled_from([0.0, 1.0, 10.0]))
@settings(deadline=None)
def test_the_interval_of_the_rig_file_does_not_hide_missing_polls(missing: set[int], poll_s: float) -> None:
    """Also where the rig file was changed to poll more slowly later on."""
    polls = [t for t in range(100) if t not in missing]
    kept = np.array(polls)
    if any(len(kept[(kept > t - 8) & (kept < t + 8)]) < 14 for t in missing):
        return  # so much is missing round about that no interval is the usual one
    held = hold(series("x", polls, 1.0), span(-0.5, 99.5), poll_s=poll_s)
    assert 100 - held.known.total_s == pytest.approx(len(missing), abs=1e-6)


def test_one_reading_alone_in_its_session_takes_the_usual_interval_of_the_others() -> None:
    held = hold(series("x", [0, 1, 2, 3, 100], 1.0, session=[0, 0, 0, 0, 1]), span(-0.5, 200))
    assert held.known.total_s == pytest.approx(5.0, abs=1e-9)


def test_no_readings_at_all_vouch_for_nothing() -> None:
    held = hold(series("x", [], []), span(0, 10))
    assert held.known.total_s == 0
    assert np.isnan(held.at(np.array([START_NS]))).all()
    assert held.integral(stretch(*span(0, 10))) == 0.0


def test_a_clock_put_back_between_boots_counts_no_time_twice() -> None:
    lived = [session(0, 0, 100, "a"), session(1, 50, 150, "b"), session(2, 160, 200, "b")]
    shifts = time_line(lived)
    assert shifts == {0: 0, 1: 50 * S, 2: 40 * S}
    t = [*range(100), *range(50, 150), *range(160, 200)]
    number = [0] * 100 + [1] * 100 + [2] * 40
    held = hold(series("x", t, 1.0, session=number), span(0, 240), shifts)
    assert (held.start_ns[1:] >= held.end_ns[:-1]).all()
    assert held.known.total_s == pytest.approx(240, abs=1.5)


def test_sessions_in_order_stay_where_they_are() -> None:
    assert time_line([session(0, 0, 10), session(1, 20, 30)]) == {0: 0, 1: 0}


@given(st.floats(0, 50), st.floats(0, 50))
@settings(deadline=None)
def test_the_integral_of_a_ramp_is_that_of_the_ramp(a: float, b: float) -> None:
    a, b = sorted((a, b))
    t = np.arange(0, 51.0, 0.5)
    held = hold(series("x", t, t), span(-0.25, 50.25))
    # a staircase through the middles: off by an eighth of a step squared at each end at the most
    assert held.integral(stretch(*span(a, b))) == pytest.approx((b * b - a * a) / 2, abs=0.0626)


def test_a_change_is_placed_midway_between_its_two_readings() -> None:
    held = hold(series("x", [0, 1, 2, 3], [0, 0, 9, 9]), span(0, 3))
    assert held.between(5, 10).start_ns.tolist() == [at(1.5)]
    assert held.edge_s == pytest.approx(REACH / 2)


def test_known_together_is_where_all_are_known() -> None:
    one = hold(series("x", range(10), 1.0), span(0, 20))
    two = hold(series("y", range(5, 15), 1.0), span(0, 20))
    together = known_together([one, two])
    assert together.start_ns.tolist() == [at(4.5)]
    assert together.end_ns.tolist() == [at(9.5)]
    assert len(known_together([])) == 0
