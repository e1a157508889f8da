"""Distance to the limit, and where a trend leads."""

import math

import numpy as np
import pytest

from rig.domain.model import Channel, ChannelKind, Limit, Side
from rig.view.margin import margin, reach, trends
from rig.view.snapshot import Trend

NONE = np.array([0.0])


def channel(*limits: Limit) -> Channel:
    return Channel(name="x", unit_of_measure="V", unit=None, kind=ChannelKind.RESPONSE, limits=limits)


HIGH = Limit(side=Side.HIGH, value=100.0, early=90.0)
LOW = Limit(side=Side.LOW, value=20.0)


def test_the_nearest_of_two_limits_counts_and_half_the_band_is_the_measure() -> None:
    found = margin(channel(LOW, HIGH), 90.0)
    assert found is not None
    assert (found.side, found.distance) == (Side.HIGH, 10.0)
    assert found.used == pytest.approx(1 - 10 / 40)
    assert found.warning == pytest.approx(0.75)
    low = margin(channel(LOW, HIGH), 25.0)
    assert low is not None
    assert (low.side, low.distance) == (Side.LOW, 5.0)


def test_beyond_a_limit_the_distance_is_negative_and_all_is_used() -> None:
    found = margin(channel(HIGH), 103.0)
    assert found is not None
    assert (found.distance, found.used) == (-3.0, 1.0)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_without_a_number_or_a_limit_there_is_no_margin(value: float) -> None:
    assert margin(channel(HIGH), value) is None
    assert margin(channel(), 5.0) is None


def test_a_limit_of_zero_or_below_zero_has_a_margin_too() -> None:
    for limit in (0.0, -40.0):
        found = margin(channel(Limit(side=Side.HIGH, value=limit)), limit - 0.25)
        assert found is not None
        assert found.distance == 0.25
        assert 0 <= found.used <= 1


def test_a_straight_line_gives_its_slope_and_the_time_to_the_limit() -> None:
    t = np.arange(0.0, 120.0)
    values = (70 + 0.05 * t)[:, None]
    (trend,) = trends(t, values, np.array([0.1]))
    assert trend is not None
    assert trend.clear
    assert trend.per_s == pytest.approx(0.05)
    left = reach(channel(HIGH), float(values[-1, 0]), trend)
    assert left is not None
    assert left.best_s == pytest.approx((100 - values[-1, 0]) / 0.05)


def test_scatter_around_a_constant_is_called_steady() -> None:
    rng = np.random.default_rng(11)
    t = np.arange(0.0, 600.0)
    clear = [
        trends(t, rng.normal(230, 0.3, (600, 1)), NONE)[0].clear  # type: ignore[union-attr]
        for _ in range(100)
    ]
    # 4 standard errors, two looks (10 min and the last minute): under 1 in 1000 if readings are independent
    assert sum(clear) <= 1


def test_a_display_that_flips_its_last_digit_has_no_trend() -> None:
    t = np.arange(0.0, 60.0)
    values = np.where(t < 30, 70.0, 70.1)[:, None]
    (trend,) = trends(t, values, np.array([0.1]))
    assert trend is not None
    assert not trend.clear


def test_a_runaway_in_the_last_minute_is_not_averaged_away() -> None:
    t = np.arange(0.0, 600.0)
    values = np.where(t < 560, 70.0, 70 + 0.5 * (t - 560))[:, None]
    (trend,) = trends(t, values, np.array([0.1]))
    assert trend is not None
    assert trend.clear
    assert trend.per_s > 0.2
    assert trend.window_s <= 60


def test_a_peak_just_passed_is_not_a_trend_towards_the_limit() -> None:
    t = np.arange(0.0, 30.0)
    values = np.where(t < 22, 70 + 1.5 * t, 103 - 1.5 * (t - 22))[:, None]
    (trend,) = trends(t, values, np.array([0.1]))
    assert trend is not None
    assert not (trend.clear and trend.per_s > 0)


def test_a_trend_that_turned_round_is_told_as_it_is_now() -> None:
    t = np.arange(0.0, 100.0)
    values = np.where(t < 80, 70 + 0.5 * t, 110 - 0.5 * (t - 80))[:, None]
    (trend,) = trends(t, values, np.array([0.1]))
    assert trend is not None
    assert trend.clear
    assert trend.per_s == pytest.approx(-0.5)


def test_missing_readings_leave_the_slope_as_it_is() -> None:
    t = np.arange(0.0, 100.0)
    values = np.stack([70 + 0.05 * t, np.full(100, np.nan)], axis=1)
    values[::3, 0] = np.nan
    first, second = trends(t, values, np.array([0.0, 0.0]))
    assert first is not None
    assert first.per_s == pytest.approx(0.05)
    assert second is None


def test_a_trend_away_from_every_limit_reaches_none_and_a_far_one_is_not_told() -> None:
    away = Trend(per_s=-0.05, window_s=60, clear=True)
    slow = Trend(per_s=1e-5, window_s=600, clear=True)
    unclear = Trend(per_s=1.0, window_s=600, clear=False)
    for trend in (away, slow, unclear, None):
        assert reach(channel(HIGH), 80.0, trend) is None
