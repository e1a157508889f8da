"""Crossing intervals: what widens them, what narrows them, and that the truth lies inside."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.limit_arrays import always
from rig.domain.model import Channel, Limit, Series, Side, Status
from rig.forensics.answer import CrossingExcursion, Method
from rig.forensics.channel_readings import readings
from rig.forensics.crossings import excursions
from rig.forensics.episodes import unbroken
from rig.forensics.noise import of
from rig.forensics.order import certainly_before
from tests.domain.test_limit_arrays import Reading, one_by_one
from tests.forensics.rooms import START_NS, channel, high, low, series
from tests.forensics.test_walk import READING


def out(c: Channel, s: Series, limit: Limit) -> list[CrossingExcursion]:
    return excursions(readings(c, s), limit, 0.95)


def sure_stays(found: list[CrossingExcursion]) -> list[CrossingExcursion]:
    """Return the stays beyond the limit that are out beyond doubt, each as one whatever noise made of it."""
    return [e for e in unbroken(found) if e.sure]


def ends(e: CrossingExcursion) -> tuple[float, float]:
    assert e.interval.earliest_ns is not None
    assert e.interval.latest_ns is not None
    return (e.interval.earliest_ns - START_NS) / 1e9, (e.interval.latest_ns - START_NS) / 1e9


def test_a_jump_is_bracketed_by_two_readings_and_their_stamps() -> None:
    t = np.arange(0, 20.0)
    [e] = out(channel("A1.x", high(50)), series("A1.x", t, np.where(t < 9.5, 20.0, 90.0), h_s=0.02), high(50))
    assert e.interval.method is Method.BRACKET
    assert ends(e) == pytest.approx((8.98, 10.02))
    assert e.last_inside is not None
    assert (e.last_inside.value, e.first_outside.value) == (20.0, 90.0)
    assert {r.code: r.widened_s for r in e.interval.reasons} == pytest.approx(
        {"sampling": 1.0, "stamp": 0.04}
    )


def test_lost_readings_widen_the_bracket_and_end_nothing() -> None:
    t = np.arange(0, 20.0)
    status = [int(Status.NO_REPLY) if 7 <= k <= 11 else 0 for k in range(20)]
    s = series("A1.x", t, np.where(t < 9.5, 20.0, 90.0), status=status)
    [e] = out(channel("A1.x"), s, high(50))
    assert ends(e) == pytest.approx((6.0, 12.0))
    assert e.lost == 5
    assert e.returned is None
    assert any(r.code == "lost" for r in e.interval.reasons)


def test_a_missing_value_is_neither_in_nor_out() -> None:
    s = series("A1.x", np.arange(5.0), [20, np.nan, np.nan, 20, 20], status=[0, 4, 4, 0, 0])
    assert out(channel("A1.x"), s, high(50)) == []


def test_stamps_that_run_backwards_never_break_the_walk() -> None:
    t = [0, 1, 2, 3, 3, 2.5, 4, 5]
    [e] = out(channel("A1.x"), series("A1.x", t, [20, 20, 20, 20, 20, 90, 90, 90]), high(50))
    assert e.last_inside is not None
    assert (e.last_inside.index, e.first_outside.index) == (4, 5)
    assert ends(e) == pytest.approx((2.5, 3.0))
    assert any(r.code == "order-of-stamps" for r in e.interval.reasons)


STAMPS = st.lists(st.sampled_from([-3.0, 0.0, 0.0, 0.5, 1.0, 1.0, 1.0, 60.0]), min_size=60, max_size=60)


@given(
    rows=st.lists(READING, min_size=1, max_size=60),
    steps=STAMPS,
    side=st.sampled_from(list(Side)),
    deadband=st.sampled_from([0.0, 1.5]),
    delay=st.sampled_from([0.0, 2.0]),
    lag=st.sampled_from([0.0, 3.0]),
)
def test_the_excursions_are_those_of_the_limit_table_whatever_the_stamps(
    rows: list[tuple[float, int]], steps: list[float], side: Side, deadband: float, delay: float, lag: float
) -> None:
    limit = Limit(side=side, value=90.0, deadband=deadband, on_delay_s=delay)
    t = np.cumsum(steps[: len(rows)])
    s = series("A1.x", t, [v for v, _ in rows], status=[q for _, q in rows], h_s=0.01)
    found = out(channel("A1.x", lag_s=lag, lag_tolerance_s=lag / 10), s, limit)
    table = one_by_one(
        [Reading(t_ns, v, q) for t_ns, (v, q) in zip(s.t_ns.tolist(), rows, strict=True)], always(limit)
    )
    assert [
        (e.first_outside.index, e.counted_ns, e.last_outside.index, e.worst.value,
         e.returned.index if e.returned else -1)
        for e in found
    ] == [
        (one.first, one.counted_ns, one.last, one.worst, one.returned) for one in table if one.counted >= 0
    ]  # fmt: skip
    for e in found:
        if e.interval.earliest_ns is not None and e.interval.latest_ns is not None:
            assert e.interval.earliest_ns <= e.interval.latest_ns


def test_already_out_at_the_first_reading_leaves_the_beginning_open() -> None:
    [e] = out(channel("A1.x"), series("A1.x", [0, 1, 2], [90, 90, 20]), high(50))
    assert e.interval.earliest_ns is None
    assert e.interval.method is Method.CENSORED
    assert e.last_inside is None


def test_the_on_delay_decides_whether_it_counts_but_not_when_it_began() -> None:
    # OPC UA part 9, B.1.5: a spike shorter than the on-delay makes no alarm. A is out at 20 s with 10 s
    # delay, B at 23 s with 2 s delay: the alarms come at 30 and 25 s, the crossings the other way round.
    t = np.arange(0, 60, 0.5)
    a_limit, b_limit = high(50, on_delay_s=10.0), high(50, on_delay_s=2.0)
    [a] = out(channel("A1.a"), series("A1.a", t, np.where(t < 20, 20.0, 90.0)), a_limit)
    [b] = out(channel("A1.b"), series("A1.b", t, np.where(t < 23, 20.0, 90.0)), b_limit)
    assert [(e.counted_ns - START_NS) / 1e9 for e in (a, b)] == [30.0, 25.0]
    assert certainly_before(a.interval, b.interval)
    spike = np.where((t >= 20) & (t < 23), 90.0, 20.0)
    assert out(channel("A1.a"), series("A1.a", t, spike), a_limit) == []


@pytest.mark.parametrize(
    ("times", "counted"),
    [
        ([20.0], False),
        ([20.0, 21.0, 21.999], False),
        ([20.0, 21.0, 22.0], True),  # for the whole delay
        ([20.0, 20.1, 22.5], True),
        ([20.0, 25.0], True),
    ],
)
def test_out_for_two_seconds_counts_by_hand(times: list[float], counted: bool) -> None:
    before, after = [17.0, 18.0, 19.0], [30.0, 31.0]
    t = [*before, *times, *after]
    y = [20.0] * 3 + [90.0] * len(times) + [20.0] * 2
    found = out(channel("A1.x"), series("A1.x", t, y), high(50, on_delay_s=2.0))
    assert (found != []) is counted
    assert len(out(channel("A1.x"), series("A1.x", t, y), high(50))) == 1


def test_the_resolution_is_a_rectangle_of_its_width() -> None:
    # GUM (JCGM 100:2008) 4.3.7: half-width a gives a/sqrt(3); 0.1 full width gives 0.0289.
    rng = np.random.default_rng(1)
    true = np.cumsum(rng.normal(0.5, 0.2, 4000))
    shown = np.round(true / 0.1) * 0.1
    assert float(np.std(shown - true)) == pytest.approx(0.0289, abs=0.001)
    assert of(np.full(100, 7.0), 0.1).sigma == pytest.approx(0.1 / np.sqrt(12))
    assert 4 / np.sqrt(3) == pytest.approx(2.3094, abs=5e-5)


def test_a_coarse_display_cannot_place_a_slow_crossing_between_two_readings() -> None:
    t = np.arange(0, 400.0)
    true = 90.0 + 0.004 * t  # crosses 91 at 250 s; the display shows 91.0 from 237.5 s on, 91.1 from 262.5 s
    shown = np.round(true / 0.1) * 0.1
    [e] = out(channel("A1.t", resolution=0.1), series("A1.t", t, shown), high(91.0))
    early, late = ends(e)
    assert early < 250 < late
    assert late - early > 2.0


SLOW = pytest.mark.slow


@pytest.mark.parametrize("sigma", [0.2, pytest.param(0.02, marks=SLOW), pytest.param(1.0, marks=SLOW)])
def test_a_trend_through_noise_holds_the_truth_as_often_as_stated(sigma: float) -> None:
    rng = np.random.default_rng(7)
    inside, widths = 0, []
    for _ in range(40):
        t = np.arange(0, 300.0) + rng.uniform(0, 1)
        rate, crossed = rng.uniform(0.05, 0.3), rng.uniform(120, 180)
        y = 80 + rate * (t - crossed) + rng.normal(0, sigma, 300)
        found = sure_stays(out(channel("A1.t"), series("A1.t", t, y, h_s=0.01), high(80.0)))
        early, late = ends(found[0])
        inside += early <= crossed <= late
        widths.append(late - early)
    assert inside >= 34  # 95 % of 40, less three standard deviations of the count
    assert np.median(widths) < max(40 * sigma, 2.0)


def test_noise_about_a_limit_makes_one_stay_of_many_excursions_and_hides_none() -> None:
    # A ramp of 0.125 K/min with 0.2 K noise crosses its limit dozens of times without a deadband.
    rng = np.random.default_rng(2)
    t = np.arange(0, 3600.0)
    y = 80 + 0.125 / 60 * (t - 1800) + rng.normal(0, 0.2, len(t))
    ways_out = int(np.count_nonzero((y[1:] > 80) & (y[:-1] <= 80)))
    found = out(channel("A1.t"), series("A1.t", t, y), high(80.0))
    assert len(found) == ways_out > 40
    sure = unbroken([e for e in found if e.sure])
    assert len(sure) == 1
    assert [(e.part, e.pieces) for e in found if e.sure] == [
        (k, sure[0].pieces) for k in range(1, sure[0].pieces + 1)
    ]
    assert (sure[0].last_outside, sure[0].returned) == (found[-1].last_outside, None)
    early, late = ends(sure[0])
    assert early < 1800 < late


def lagging(t: np.ndarray, x: np.ndarray, tau: float) -> np.ndarray:
    """What a first-order sensor makes of a straight-piece signal, integrated finely by itself."""
    y = np.empty_like(x)
    y[0] = x[0]
    for k in range(1, len(t)):
        d = t[k] - t[k - 1]
        slope = (x[k] - x[k - 1]) / d
        keep = np.exp(-d / tau)
        y[k] = x[k] - slope * tau + (y[k - 1] - x[k - 1] + slope * tau) * keep
    return y


def test_a_lagging_sensor_answers_a_step_as_the_textbook_says() -> None:
    # First-order lag: 63.212, 86.466, 95.021, 99.326 % of a step after 1, 2, 3, 5 time constants.
    t = np.linspace(0, 50, 50001)
    y = lagging(t, np.concatenate([[0.0], np.ones(50000)]), 10.0)
    assert [y[np.searchsorted(t, 10 * k)] for k in (1, 2, 3, 5)] == pytest.approx(
        [0.63212, 0.86466, 0.95021, 0.99326], abs=2e-4
    )


def test_two_sensors_of_different_lag_on_one_ramp_are_not_ordered_by_their_lag() -> None:
    # On a ramp the reading is late by exactly the time constant: stamps 18 s apart, causes simultaneous.
    t = np.arange(0, 400, 0.5)
    x = np.where(t < 100, 60.0, 60 + 0.25 * (t - 100))  # crosses 100 at 260 s
    rng = np.random.default_rng(5)
    found = []
    for name, tau in (("A1.fast", 2.0), ("A1.slow", 20.0)):
        c = channel(name, lag_s=tau, lag_tolerance_s=tau / 10)
        y = lagging(t, x, tau) + rng.normal(0, 0.03, len(t))
        [e] = sure_stays(out(c, series(name, t, y, h_s=0.01), high(100.0)))
        found.append(e)
    fast, slow = found
    assert (slow.first_outside.t_ns - fast.first_outside.t_ns) / 1e9 == pytest.approx(18, abs=1.5)
    for e in found:
        early, late = ends(e)
        assert early < 260 < late
    assert not certainly_before(fast.interval, slow.interval)
    assert not certainly_before(slow.interval, fast.interval)


def test_a_step_behind_a_lagging_sensor_is_found_before_its_reading_crosses() -> None:
    t = np.arange(0, 100, 0.5)
    x = np.where(t < 40.2, 20.0, 120.0)
    fine = np.linspace(0, 100, 20001)
    y = np.interp(t, fine, lagging(fine, np.where(fine < 40.2, 20.0, 120.0), 10.0))
    c = channel("A1.t", lag_s=10.0, lag_tolerance_s=1.0)
    [e] = out(c, series("A1.t", t, y), high(100.0))
    early, late = ends(e)
    assert (e.first_outside.t_ns - START_NS) / 1e9 > 55  # two thirds and more of the step: many seconds late
    assert early <= 40.2 <= late
    assert late < 45
    assert x[-1] == 120.0


def test_an_averaged_value_belongs_half_its_window_earlier() -> None:
    t = np.arange(0, 100.0)
    window = 4.0
    rng = np.random.default_rng(3)
    mean = 50 + 0.5 * (t - window / 2) + rng.normal(0, 0.01, 100)  # a straight line, crosses 75 at 50 s
    c = channel("A1.v", averaging_s=window)
    [e] = out(c, series("A1.v", t, mean), high(75.0))
    early, late = ends(e)
    assert early < 50 < late
    assert late - early < 1.0


def test_the_accuracy_of_a_sensor_moves_a_slow_crossing_by_accuracy_over_slope() -> None:
    t = np.arange(0, 600.0)
    rng = np.random.default_rng(4)
    y = 80 + 0.05 * (t - 300) + rng.normal(0, 0.02, 600)
    [sharp] = sure_stays(out(channel("A1.t"), series("A1.t", t, y), high(80.0)))
    [vague] = sure_stays(out(channel("A1.t", accuracy=1.0), series("A1.t", t, y), high(80.0)))
    assert ends(sharp)[1] - ends(sharp)[0] < 3
    assert ends(vague)[1] - ends(vague)[0] == pytest.approx(0.95 * 2 * 1.0 / 0.05, rel=0.1)
    assert any(r.code == "accuracy" for r in vague.interval.reasons)


def test_out_by_less_than_the_accuracy_is_not_sure() -> None:
    t = np.arange(0, 100.0)
    y = np.where((t > 40) & (t < 60), 80.4, 79.0)
    [e] = out(channel("A1.t", accuracy=1.0), series("A1.t", t, y), high(80.0))
    assert not e.sure


def test_the_scan_order_never_becomes_the_failure_order() -> None:
    # A fails 0.2 s before B; a scanner reads B half a second before A, once a second. Ordering by first
    # bad reading is wrong in 30 % of trials (simulated before): intervals must never be.
    rng = np.random.default_rng(11)
    wrong = told = 0
    a_channel, b_channel = channel("A1.a"), channel("A1.b")
    for _ in range(150):
        fails = 30 + rng.uniform(0, 1)
        t = np.arange(0, 60.0)
        [a] = out(a_channel, series("A1.a", t + 0.5, np.where(t + 0.5 < fails, 1.0, 9.0), h_s=0.005), high(5))
        [b] = out(b_channel, series("A1.b", t, np.where(t < fails + 0.2, 1.0, 9.0), h_s=0.005), high(5))
        wrong += certainly_before(b.interval, a.interval)
        told += certainly_before(a.interval, b.interval)
    assert wrong == 0
    assert told == 0  # brackets of a second cannot tell two tenths: a tie is reported as a tie


def test_a_low_limit_is_the_mirror_of_a_high_one() -> None:
    rng = np.random.default_rng(9)
    t = np.arange(0, 200.0)
    y = 50 + 0.2 * (t - 100) + rng.normal(0, 0.1, 200)
    up = [e for e in out(channel("A1.x"), series("A1.x", t, y), high(50.0)) if e.sure]
    down = [e for e in out(channel("A1.x"), series("A1.x", t, -y), low(-50.0)) if e.sure]
    assert [ends(e) for e in up] == [ends(e) for e in down]


# ---- closed forms: one uncertainty at a time, all others made negligible


def on_a_line(
    confidence: float = 0.95, h_s: float = 0.001, rate: float = 1.0, **more: Any
) -> CrossingExcursion:
    """A straight line through 50 at 100.25 s, read every half second with next to no noise."""
    t = np.arange(0, 200, 0.5)
    y = 50 + rate * (t - 100.25) + np.random.default_rng(3).normal(0, 1e-4, len(t))
    s = series("A1.x", t, y, h_s=h_s)
    [e] = [e for e in excursions(readings(channel("A1.x", **more), s), high(50.0), confidence) if e.sure]
    return e


def halves(e: CrossingExcursion) -> list[float]:
    """Lower end, quarter, middle, three quarters and upper end of what is stated, seconds."""
    assert e.interval.method is Method.TREND
    cuts = e.interval.quantiles_ns
    early, late = ends(e)
    return [early, *((cuts[k] - START_NS) / 1e9 for k in (10, 20, 30)), late]


@pytest.mark.parametrize(("confidence", "share"), [(0.95, 0.95), (0.5, 0.5)])
def test_a_stamp_known_to_a_fifth_of_a_second_is_a_rectangle_of_that_width(
    confidence: float, share: float
) -> None:
    # GUM (JCGM 100:2008) 4.3.7: anywhere within +-0.2 s is equally likely
    found = halves(on_a_line(confidence, h_s=0.2))
    assert found == pytest.approx([100.25 + 0.2 * k for k in (-share, -0.5, 0, 0.5, share)], abs=0.01)


@pytest.mark.parametrize("tolerance", [1.0, 3.0])
def test_the_lag_moves_a_ramp_by_its_time_constant_and_its_tolerance_is_a_rectangle(tolerance: float) -> None:
    found = halves(on_a_line(lag_s=10.0, lag_tolerance_s=tolerance, rate=0.2))
    expected = [100.25 - 10 + tolerance * k for k in (-0.95, -0.5, 0, 0.5, 0.95)]
    assert found == pytest.approx(expected, abs=0.03 + 0.01 * tolerance)


def test_accuracy_over_slope_is_a_rectangle_too() -> None:
    found = halves(on_a_line(accuracy=0.5, rate=0.25))
    assert found == pytest.approx([100.25 + 2 * k for k in (-0.95, -0.5, 0, 0.5, 0.95)], abs=0.04)


def test_two_rectangles_add_as_independent_ones() -> None:
    # the sum of two equal rectangles is a triangle (GUM 4.3.9): half-width 0.8, quarter at 0.8 (1 -
    # sqrt(1/2))
    found = halves(on_a_line(h_s=0.4, accuracy=0.4))
    quarter = 0.8 * (1 - np.sqrt(0.5))
    end = 0.8 * (1 - np.sqrt(0.05))
    assert found == pytest.approx([100.25 + k for k in (-end, -quarter, 0, quarter, end)], abs=0.03)


def test_an_averaging_window_moves_a_line_by_half_of_it_and_is_no_uncertainty_of_a_curve() -> None:
    found = halves(on_a_line(averaging_s=3.0))
    assert found == pytest.approx([98.75] * 5, abs=0.01)


def test_what_widens_a_curve_is_said_with_its_share() -> None:
    e = on_a_line(h_s=0.2, accuracy=0.5, rate=0.25, lag_s=4.0, lag_tolerance_s=1.5)
    parts = {r.code: r.widened_s for r in e.interval.reasons}
    assert parts["stamp"] == pytest.approx(0.4)
    assert parts["accuracy"] == pytest.approx(2 * 0.5 / 0.25, rel=0.01)
    assert parts["lag"] == pytest.approx(3.0)
    assert parts["noise"] < 0.01
    early, late = ends(e)
    assert parts["trend"] == pytest.approx(min((late - early) - 0.9, 0.0), abs=0.01)
    narrow = {r.code: r.widened_s for r in on_a_line().interval.reasons}
    assert narrow["trend"] == pytest.approx(-0.5, abs=0.01)  # less than the half second between two readings
    assert set(narrow) == {"trend", "noise", "stamp"}


# ---- brackets


def test_an_averaged_reading_may_have_crossed_a_window_earlier() -> None:
    t = np.arange(0, 20.0)
    s = series("A1.x", t, np.where(t < 9.5, 20.0, 90.0), h_s=0.02)
    [e] = out(channel("A1.x", averaging_s=0.5), s, high(50))
    assert ends(e) == pytest.approx((8.48, 10.02))
    assert {r.code: r.widened_s for r in e.interval.reasons} == pytest.approx(
        {"sampling": 1.0, "stamp": 0.04, "averaging": 0.5}
    )


def test_lost_readings_and_polling_share_what_lies_between() -> None:
    status = [5 if 7 <= k <= 11 else 0 for k in range(20)]
    s = series("A1.x", np.arange(20.0), np.where(np.arange(20) < 9.5, 20.0, 90.0), status=status)
    [e] = out(channel("A1.x"), s, high(50))
    assert {r.code: r.widened_s for r in e.interval.reasons} == pytest.approx({"sampling": 1.0, "lost": 5.0})


def test_backward_stamps_are_covered_with_their_windows() -> None:
    s = series("A1.x", [0, 1, 2, 1.5, 3], [20, 20, 20, 90, 90], h_s=0.1)
    [e] = out(channel("A1.x", averaging_s=0.2), s, high(50))
    assert ends(e) == pytest.approx((1.2, 2.1))
    assert {r.code: r.widened_s for r in e.interval.reasons}["order-of-stamps"] == pytest.approx(0.9)


# ---- what is beyond doubt

SIGMA = 1.0
CALM = np.random.default_rng(21).normal(70.0, SIGMA, 400)
SEEN = of(CALM[-240:], 0.0).sigma


def after_calm(*sigmas: float, **more: Any) -> list[CrossingExcursion]:
    """Readings so many standard deviations beyond a limit of 100 after 400 at 70, then back there."""
    values = np.concatenate([CALM, 100.0 + SEEN * np.array(sigmas), CALM[:60]])
    return out(channel("A1.x", **more), series("A1.x", np.arange(len(values)) * 1.0, values), high(100.0))


SEPARATE, ONE_STAY = [(1, 1), (1, 1)], [(1, 2), (2, 2)]


def parts_of(found: list[CrossingExcursion]) -> list[tuple[int, int]]:
    """Return of each excursion which part of how many it is."""
    return [(e.part, e.pieces) for e in found]


def places(found: list[CrossingExcursion]) -> list[tuple[int, int, int | None]]:
    """Return of each excursion the positions of its first and last reading outside and of its return."""
    return [
        (e.first_outside.index, e.last_outside.index, e.returned.index if e.returned else None) for e in found
    ]


@pytest.mark.parametrize(("sigmas", "sure"), [(4.3, True), (3.7, False)])
def test_one_reading_is_surely_out_by_four_sigmas(sigmas: float, sure: bool) -> None:
    [e] = after_calm(sigmas)
    assert e.sure is sure


@pytest.mark.parametrize(
    ("count", "sigmas", "sure"),
    [(4, 2.2, True), (4, 1.8, False), (16, 1.1, True), (16, 0.9, False), (64, 0.55, True), (64, 0.45, False)],
)
def test_a_mean_of_neighbours_is_surely_out_by_four_of_its_own_sigmas(
    count: int, sigmas: float, sure: bool
) -> None:
    [e] = after_calm(*[sigmas] * count)
    assert e.sure is sure
    if not sure:  # then nothing but the two readings is said
        assert e.interval.method is Method.BRACKET
        assert ends(e) == (399.0, 400.0)


@pytest.mark.parametrize(
    ("count", "sigmas", "parts"),
    [
        (1, 4.4, SEPARATE),
        (1, 3.6, ONE_STAY),
        (4, 2.2, SEPARATE),
        (4, 1.8, ONE_STAY),
        (16, 1.1, SEPARATE),
        (16, 0.9, ONE_STAY),
    ],
)
def test_between_two_excursions_the_readings_must_show_that_it_came_back(
    count: int, sigmas: float, parts: list[tuple[int, int]]
) -> None:
    found = after_calm(*[12.0] * 5, *[-sigmas] * count, *[12.0] * 5)
    assert parts_of(found) == parts
    assert [e.pieces for e in unbroken(found)] == ([2] if parts == ONE_STAY else [1, 1])
    assert all(e.sure for e in found)
    back = 405 + count
    assert places(found) == [(400, 404, 405), (back, back + 4, back + 5)]


def test_a_deadband_must_be_crossed_beyond_doubt_to_have_come_back() -> None:
    values = np.concatenate([CALM, [112.0] * 5, [93.0] * 3, [112.0] * 5, CALM[:60]])
    s = series("A1.x", np.arange(len(values)) * 1.0, values)
    for deadband, parts in ((2.0, SEPARATE), (5.0, ONE_STAY)):  # back by 5 beyond the band, and by 2
        assert parts_of(out(channel("A1.x"), s, high(100.0, deadband=deadband))) == parts


def test_excursions_torn_apart_by_noise_each_keep_their_own_readings() -> None:
    found = after_calm(12.0, 13.0, -1.0, 20.0, 12.0, -1.0, 15.0)
    assert parts_of(found) == [(1, 3), (2, 3), (3, 3)]
    assert places(found) == [(400, 401, 402), (403, 404, 405), (406, 406, 407)]
    assert [e.worst.index for e in found] == [401, 403, 406]
    assert [ends(e) for e in found[1:]] == [(402.0, 403.0), (405.0, 406.0)]
    assert all(e.interval.method is Method.BRACKET for e in found[1:])


def test_a_stay_of_several_pieces_has_the_first_way_out_the_last_way_back_and_the_worst_of_all() -> None:
    found = after_calm(12.0, 13.0, -1.0, 20.0, 12.0, -1.0, 15.0)
    [e] = unbroken(found)
    assert e.pieces == 3
    assert e.interval == found[0].interval
    assert e.last_inside is not None
    assert places([e]) == [(400, 406, 407)]
    assert (e.last_inside.index, e.worst.index) == (399, 403)
    assert e.worst.value == pytest.approx(100 + 20 * SEEN)


def test_the_worst_of_a_low_limit_is_the_lowest() -> None:
    values = -np.concatenate([CALM, 100.0 + SEEN * np.array([12, 20, -1, 30, 15.0]), CALM[:60]])
    [e] = unbroken(out(channel("A1.x"), series("A1.x", np.arange(len(values)) * 1.0, values), low(-100.0)))
    assert (e.worst.index, e.pieces) == (403, 2)


@pytest.mark.parametrize(
    ("settings", "code"),
    [({"accuracy": 9.0}, "accuracy"), ({}, "noise"), ({"resolution": 10.0}, "resolution")],
)
def test_what_keeps_readings_near_the_limit_from_showing_their_side_is_named(
    settings: dict[str, Any], code: str
) -> None:
    rng = np.random.default_rng(5)
    values = np.concatenate([rng.normal(80, 0.5, 300), rng.normal(100, 0.5, 40), rng.normal(150, 0.5, 60)])
    values[300:340] = np.abs(values[300:340] - 100) + 98.5
    values[300:340:2] += 2.0
    if "resolution" in settings:
        values = np.round(values / 10) * 10
        values[300:340] = np.resize([110.0, 100.0], 40)
    s = series("A1.x", np.arange(400.0), values)
    limit = high(104.0 if "resolution" in settings else 100.0)
    e = sure_stays(out(channel("A1.x", **settings), s, limit))[-1]
    assert e.interval.method is Method.BEYOND_DOUBT
    assert code in {r.code for r in e.interval.reasons}
