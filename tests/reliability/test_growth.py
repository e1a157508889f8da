"""Reliability growth against NIST/SEMATECH 8.4.5.2 and MIL-HDBK-189."""

from __future__ import annotations

import numpy as np
import pytest

from rig.errors import UsageError
from rig.reliability.growth import growth

HANDBOOK = (5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478)
MIL_189 = (
    2.6, 16.5, 16.5, 17.0, 21.4, 29.1, 33.3, 56.5, 63.1, 70.6, 73.0, 77.7, 93.9, 95.5, 98.1, 101.1, 132.0,
    142.2, 147.7, 149.0, 167.2, 190.7, 193.0, 198.7, 251.9, 282.5, 286.1,
)  # fmt: skip


def test_the_handbook_s_repairable_system() -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.2, output of its script apr452.r."""
    fit = growth(HANDBOOK, 1500, 0.8)
    assert (fit.slope, fit.a, fit.b) == pytest.approx((0.516494, 0.2913003, 0.483506), rel=1e-5)
    assert fit.mtbf_h == pytest.approx(310.234, rel=1e-5)
    assert fit.bounds_h == pytest.approx((157.7138, 548.5566), rel=1e-5)


def test_plain_maximum_likelihood_of_the_same_data() -> None:
    """Formula of MIL-HDBK-189 on the data of NIST/SEMATECH 8.4.5.2 (computed)."""
    fit = growth(HANDBOOK, 1500, unbiased=False)
    assert (fit.b, fit.a, fit.mtbf_h) == pytest.approx((0.537229, 0.196658, 279.211), rel=1e-5)


def test_the_example_of_the_growth_handbook() -> None:
    """MIL-HDBK-189 (1981), appendix C: beta 0.716339, lambda 0.453842, MTBF 15.51096; unbiased 0.689808."""
    fit = growth(MIL_189, 300, unbiased=False)
    assert (fit.b, fit.a, fit.mtbf_h) == pytest.approx((0.716339, 0.453842, 15.51096), abs=1e-5)
    assert growth(MIL_189, 300).b == pytest.approx(0.689808, abs=1e-6)


def test_a_constant_rate_is_called_a_trend_no_more_often_than_stated() -> None:
    rng = np.random.default_rng(2)
    chances = [growth(np.sort(rng.uniform(0, 100, 8)).tolist(), 100).chance for _ in range(400)]
    assert np.mean(np.array(chances) < 0.1) == pytest.approx(0.1, abs=0.04)


@pytest.mark.parametrize("failures", [(), (1, 2), (0, 1, 2), (1, 2, 100)])
def test_too_few_failures_or_ages_out_of_range_are_refused(failures: tuple[float, ...]) -> None:
    with pytest.raises(UsageError, match="expected three failures at least"):
        growth(failures, 100)
