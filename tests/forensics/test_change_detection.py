"""Detectors against the published worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.forensics.change_detection import bend, cusum, last_rest, split

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3: target 325, k 0.3175, h 4.1959.
NIST_CUSUM = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip
# NIST/SEMATECH e-Handbook, 6.3.2.4: EWMA0 50, s 2.0539, lambda 0.3.
# A textbook's example as a chart library's manual quotes it: mean 10, sigma 1, the last ten shifted.
TEXTBOOK = [
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40,
    10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62,
    11.31, 10.52,
]  # fmt: skip
# Annual flow of the Nile at Aswan, 1871 to 1970 (public domain; as statsmodels ships it).
NILE = [
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180,
    799, 958, 1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833,
    701, 916, 692, 1020, 1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845,
    864, 862, 698, 845, 744, 796, 1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649,
    846, 812, 742, 801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815,
    1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
]  # fmt: skip


def test_cusum_gives_the_handbooks_sums_and_first_signal() -> None:
    high, low = cusum(np.array(NIST_CUSUM), 325.0, 0.3175)
    assert list(np.flatnonzero(high > 4.1959) + 1) == [14, 15, 16, 17, 18, 19, 20]
    assert high[12:] == pytest.approx(
        [3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035], abs=0.005
    )
    assert low.max() == pytest.approx(0.715, abs=0.005)
    assert int(np.argmax(low)) + 1 == 8
    assert np.cumsum(np.array(NIST_CUSUM) - 325)[-1] == pytest.approx(19.075, abs=0.005)
    assert last_rest(high) == 12  # the thirteenth value is the first of the departure


def test_cusum_of_the_textbook_signals_at_29_with_7_steps_since_rest() -> None:
    high, low = cusum(np.array(TEXTBOOK), 10.0, 0.5)
    assert int(np.argmax(high > 5)) + 1 == 29
    assert high[27:30] == pytest.approx([4.47, 5.28, 5.30], abs=0.005)
    assert low.max() == pytest.approx(1.77, abs=0.005)
    assert last_rest(high[:29]) == 22  # 22 values in control, 7 since


def test_the_nile_splits_after_1898_into_28_and_72_years() -> None:
    flow = np.array(NILE, dtype=float)
    assert len(flow) == 100
    assert flow.mean() == pytest.approx(919.35)
    k = split(flow)
    assert k == 28  # 28 years of the old level; the first year of the new one is 1899
    assert (flow[:k].mean(), flow[k:].mean()) == pytest.approx((1097.75, 849.97), abs=0.01)
    deviation = np.abs(np.cumsum(flow - flow.mean()))
    assert deviation.max() == pytest.approx(4995.2, abs=0.05)
    assert 1871 + int(np.argmax(deviation)) == 1898


def test_the_bend_of_the_nile_lies_in_the_published_interval() -> None:
    # Regression with breaks, published: break 28 with 95 % interval 25 to 32 (1895 to 1902).
    flow = np.array(NILE, dtype=float)
    years = np.arange(1871, 1971, dtype=float)
    sigma = float(np.sqrt((np.var(flow[:28]) * 28 + np.var(flow[28:]) * 72) / 98))
    found = bend(years, flow, sigma, 0.95)
    assert 1895 <= found.earliest <= found.at <= found.latest <= 1902
    assert found.at == 1898.5


@given(values=st.lists(st.floats(-5, 5), min_size=1, max_size=60), slack=st.floats(0, 1))
def test_cusum_agrees_with_the_recursion_of_the_handbook(values: list[float], slack: float) -> None:
    high, low = cusum(np.array(values), 0.0, slack)
    up = down = 0.0
    for k, value in enumerate(values):
        up, down = max(0.0, up + value - slack), max(0.0, down - slack - value)
        assert (high[k], low[k]) == pytest.approx((up, down), abs=1e-9)


def test_the_bend_of_a_ramp_is_covered_as_often_as_stated() -> None:
    rng = np.random.default_rng(3)
    times = np.arange(80.0)
    inside = 0
    for _ in range(100):
        true = rng.uniform(25, 55)
        row = np.where(times > true, 0.25 * (times - true), 0.0) + rng.normal(0, 1, 80)
        found = bend(times, row, 1.0, 0.95)
        inside += found.earliest <= true <= found.latest
    assert inside >= 89  # 95 % of 100, less three standard deviations of the count
