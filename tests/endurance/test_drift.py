"""Theil-Sen, Mann-Kendall and the step, against published examples and definitions."""

from __future__ import annotations

import numpy as np
import pytest

from rig.endurance.coverage import hold
from rig.endurance.drift import drift, mann_kendall, step, theil_sen
from rig.endurance.stretches import stretch
from tests.endurance.rooms import at, series

COLLEGE = (12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7)
EPA = (10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15)
NILE = (
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958,
    1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020,
    1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796,
    1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874,
    848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718,
    714, 740,
)  # fmt: skip


def floats(values: tuple[float, ...]) -> np.ndarray:
    return np.array(values, float)


def test_mann_kendall_worked_by_hand() -> None:
    """A college's statistics page: 91 pairs, 72 up, 18 down, 1 tie: S 54, variance 332.6667, Z 2.9058."""
    got = mann_kendall(floats(COLLEGE))
    assert got.s == 54
    assert (got.variance, got.z) == pytest.approx((332.6667, 2.9058), abs=5e-5)
    assert got.p == pytest.approx(0.00366, abs=5e-6)
    line = theil_sen(np.arange(14.0), floats(COLLEGE))
    assert (line.slope, line.intercept) == pytest.approx((0.566667, 11.966667), abs=5e-6)


def test_mann_kendall_with_ties() -> None:
    """EPA QA/G-9S, page 109: S 22, variance 155.33, Z 1.685; two-sided p 0.0920; Sen slope 1.0."""
    got = mann_kendall(floats(EPA))
    assert got.s == 22
    assert got.variance == pytest.approx(155.33, abs=5e-3)
    assert (got.z, got.p) == pytest.approx((1.685, 0.0920), abs=5e-4)
    assert theil_sen(np.arange(11.0), floats(EPA)).slope == 1.0


def test_theil_sen_by_definition() -> None:
    """Pair slopes of 1 3 2 5 9: -1, 1/2, 1, 4/3, 2, 2, 2, 3, 7/2, 4; their median is 2."""
    line = theil_sen(np.arange(5.0), floats((1, 3, 2, 5, 9)))
    assert (line.slope, line.intercept) == (2.0, -1.0)


@pytest.mark.parametrize("widening", [1.0, 1.7])
@pytest.mark.parametrize("seed", range(6))
def test_the_interval_of_the_slope_is_sen_s(seed: int, widening: float) -> None:
    """Sen (1968), equation 2.6, written out: ranks (N -+ z sd(S)) / 2 of the N sorted slopes; with ties."""
    rng = np.random.default_rng(seed)
    at_h = np.sort(rng.uniform(0, 10, 25)).tolist()
    value = np.round(0.3 * np.array(at_h) + rng.normal(0, 1, 25), 1).tolist()
    slopes = sorted((value[j] - value[i]) / (at_h[j] - at_h[i]) for j in range(25) for i in range(j))
    ties = [value.count(one) for one in set(value)]
    variance = (25 * 24 * 55 - sum(k * (k - 1) * (2 * k + 5) for k in ties)) / 18
    reach = 1.959964 * widening * variance**0.5  # z of 95 %, from any table of the normal distribution
    low, high = round((300 - reach) / 2) - 1, round((300 + reach) / 2)
    ours = theil_sen(np.array(at_h), np.array(value), 0.95, widening=widening)
    assert ours.slope == pytest.approx((slopes[149] + slopes[150]) / 2)
    assert (ours.low, ours.high) == pytest.approx((slopes[low], slopes[high]))


def test_a_step_passes_for_a_trend_and_is_told_apart() -> None:
    """Flow of the Nile 1871-1970 (public domain): the level drops after 1898, means 1097.75 and 849.97.

    Mann-Kendall on it: S -1387, Z -4.128, Sen -2.6 a year, though nothing drifts.
    """
    flow = floats(NILE)
    trend = mann_kendall(flow)
    assert trend.s == -1387
    assert trend.z == pytest.approx(-4.128, abs=1e-3)
    assert theil_sen(np.arange(100.0), flow).slope == pytest.approx(-2.6, abs=1e-9)
    got = step(flow)
    assert got is not None
    assert 1871 + got.last_before == 1898
    assert (got.before, got.after) == pytest.approx((1097.75, 849.97), abs=5e-3)
    assert got.better_than_line


def test_a_straight_line_is_no_step() -> None:
    got = step(np.arange(20.0) + np.random.default_rng(0).normal(0, 0.5, 20))
    assert got is not None
    assert not got.better_than_line
    assert step(np.zeros(3)) is None


def test_a_drift_is_found_with_its_size_per_hour() -> None:
    rng = np.random.default_rng(9)
    t = np.arange(0, 36_000.0, 5)
    value = 60 + 0.4 * t / 3600 + rng.normal(0, 0.5, len(t))
    span = (at(0), at(36_000))
    got = drift(hold(series("x", t, value), span), stretch(*span))
    assert got is not None
    assert got.significant
    assert got.low_per_h <= 0.4 <= got.high_per_h
    assert got.change == pytest.approx(4.0, abs=0.3)
    assert got.step_ns is None


def test_a_change_at_one_moment_is_reported_as_a_step_with_its_time() -> None:
    rng = np.random.default_rng(10)
    t = np.arange(0, 36_000.0, 5)
    value = np.where(t < 20_000, 60.0, 63.0) + rng.normal(0, 0.5, len(t))
    span = (at(0), at(36_000))
    got = drift(hold(series("x", t, value), span), stretch(*span))
    assert got is not None
    assert got.step_ns is not None
    assert abs(got.step_ns - at(20_000)) < 5000e9


def test_noise_drifts_no_more_often_than_stated() -> None:
    rng = np.random.default_rng(12)
    span = (at(0), at(2000))
    proven = []
    for _ in range(100):
        got = drift(hold(series("x", np.arange(2000), rng.normal(0, 1, 2000)), span), stretch(*span))
        assert got is not None
        proven.append(got.significant)
    assert np.mean(proven) <= 0.12


def test_a_flat_channel_has_no_drift() -> None:
    span = (at(0), at(500))
    got = drift(hold(series("x", np.arange(500), 5.0), span), stretch(*span))
    assert got is not None
    assert (got.per_h, got.significant, got.p, got.step_ns) == (0.0, False, 1.0, None)
