"""The projected time to a limit: how often its bounds hold, and where it does not pretend to know."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rig.domain.model import Limit, Side
from rig.view.margin import reach, trends
from rig.view.snapshot import Pace, Reach, Trend
from tests.view.rooms import channel

LIMIT = 100.0
CHANNEL = channel("A1.heatsink", "A1", "degC", high=LIMIT)
Floats = np.ndarray[tuple[int, ...], np.dtype[np.float64]]


def found(values: Floats, step_s: float = 1.0) -> tuple[Trend, Reach | None]:
    t = np.asarray((np.arange(len(values)) - len(values) + 1.0) * step_s, np.float64)
    (trend,) = trends(t, values[:, None], np.array([0.0]))
    assert trend is not None
    return trend, reach(CHANNEL, float(values[-1]), trend)


def alike(rng: np.random.Generator, count: int, sigma: float, r: float) -> Floats:
    """Return noise whose neighbours have correlation ``r`` (first-order autoregression)."""
    noise = np.empty(count)
    noise[0] = rng.normal(0.0, sigma)
    for at in range(1, count):
        noise[at] = r * noise[at - 1] + rng.normal(0.0, sigma * math.sqrt(1 - r * r))
    return noise


@pytest.mark.parametrize("r", [0.0, 0.5, 0.8])
def test_the_bounds_hold_the_true_moment_about_as_often_as_they_say(r: float) -> None:
    """Lines of known slope, noise independent and not: 95 % claimed, a binomial margin allowed."""
    rng = np.random.default_rng(5)
    held = told = 0
    for _ in range(200):
        slope = rng.uniform(0.01, 0.05)
        truth_s = rng.uniform(300.0, 3000.0)
        level = LIMIT - slope * truth_s
        values = level + slope * np.arange(-599.0, 1.0) + alike(rng, 600, 0.2, r)
        _, projected = found(values)
        if projected is not None:
            told += 1
            held += projected.low_s <= truth_s <= projected.high_s
    assert told > 190
    # 0.95 less 2.6 standard deviations of a share of 200
    assert held / told > 0.91


def test_a_rise_that_slows_down_has_no_upper_bound() -> None:
    """Heating towards a final value: the line comes too soon, so only "not before" is honest."""
    t = np.arange(-599.0, 1.0)
    for final, tau in ((99.0, 300.0), (105.0, 200.0)):
        values = final - 40.0 * np.exp(-(t + 600.0) / tau) + np.random.default_rng(3).normal(0, 0.05, 600)
        trend, projected = found(values)
        assert trend.pace is Pace.SLOWING
        if projected is not None:
            assert projected.high_s == math.inf
            truth_s = tau * math.log((final - values[-1]) / (final - LIMIT)) if final > LIMIT else math.inf
            assert projected.low_s <= truth_s


def test_a_runaway_has_no_lower_bound() -> None:
    t = np.arange(-599.0, 1.0)
    values = 70.0 + 10.0 * np.exp(t / 60.0) + np.random.default_rng(4).normal(0, 0.05, 600)
    trend, projected = found(values)
    assert trend.pace is Pace.QUICKENING
    assert projected is not None
    assert projected.low_s == 0.0
    truth_s = 60.0 * math.log((LIMIT - 70.0) / 10.0)
    assert truth_s <= projected.high_s


def test_a_straight_line_is_neither() -> None:
    rng = np.random.default_rng(6)
    for _ in range(50):
        values = 70.0 + 0.02 * np.arange(600.0) + rng.normal(0, 0.1, 600)
        assert found(values)[0].pace is Pace.EVEN


def test_what_falls_meets_the_low_limit() -> None:
    mains = channel("mains", None, "V", high=253.0, low=207.0)
    t = np.arange(-599.0, 1.0)
    (trend,) = trends(t, (220.0 - 0.01 * (t + 600))[:, None], np.array([0.0]))
    projected = reach(mains, 214.01, trend)
    assert projected is not None
    assert projected.best_s == pytest.approx(701, rel=0.01)
    assert any(one == Limit(side=Side.LOW, value=207.0, deadband=2.07) for one in mains.limits)
