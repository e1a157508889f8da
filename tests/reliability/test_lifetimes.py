"""Weibull and Kaplan-Meier against the NIST/SEMATECH e-Handbook and by definition."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize, stats

from rig.errors import UsageError
from rig.reliability.demonstration import Life, mtbf
from rig.reliability.lifetimes import kaplan_meier, weibull, weibull_of_shape

FAILED_AT = (54, 187, 216, 240, 244, 335, 361, 373, 375, 386)


def units(failed: tuple[float, ...], censored: tuple[float, ...]) -> list[Life]:
    dead = [Life(serial=f"f{at}", hours=t, failed=True) for at, t in enumerate(failed)]
    return dead + [Life(serial=f"c{at}", hours=t, failed=False) for at, t in enumerate(censored)]


HANDBOOK = units(FAILED_AT, (500,) * 10)


def test_the_handbook_s_weibull() -> None:
    """NIST/SEMATECH e-Handbook 8.4.1.3, with its first failure at 54 h."""
    fit = weibull(HANDBOOK)
    assert (fit.scale_h, fit.shape) == pytest.approx((606.5280, 1.7208), rel=1e-5)
    assert fit.log_likelihood == pytest.approx(-75.135, abs=5e-4)
    assert (fit.mean_h, fit.sd_h) == pytest.approx((540.737, 323.806), rel=1e-5)


def test_the_handbook_s_script_has_another_first_failure() -> None:
    """NIST/SEMATECH e-Handbook 8.4.1.3, script output with 55 h: 606.005, 1.72563, -75.122, 154.24."""
    fit = weibull(units((55, *FAILED_AT[1:]), (500,) * 10))
    assert (fit.scale_h, fit.shape) == pytest.approx((606.005, 1.72563), rel=1e-5)
    assert fit.log_likelihood == pytest.approx(-75.122, abs=5e-4)
    assert fit.mean_h == pytest.approx(540.175, rel=1e-5)
    assert fit.sd_h == pytest.approx(322.647, rel=1e-5)


@pytest.mark.slow
def test_scipy_fits_the_same_to_random_lives() -> None:
    """scipy.stats.weibull_min.fit of CensoredData, location held at zero."""
    rng = np.random.default_rng(3)
    for _ in range(5):
        true = rng.weibull(rng.uniform(0.7, 4), 30) * rng.uniform(10, 5000)
        limit = np.quantile(true, 0.6)
        lives = units(tuple(true[true <= limit]), (float(limit),) * int(np.sum(true > limit)))
        data = stats.CensoredData.right_censored(np.minimum(true, limit), true > limit)
        shape, _, scale = stats.weibull_min.fit(data, floc=0)
        fit = weibull(lives)
        assert (fit.shape, fit.scale_h) == pytest.approx((shape, scale), rel=1e-3)


def test_bounds_are_where_the_likelihood_ratio_says() -> None:
    """Likelihood written anew from the density, profiled by scipy's optimiser."""

    def likelihood(shape: float, scale: float) -> float:
        dead = [math.log(shape / scale) + (shape - 1) * math.log(t / scale) for t in FAILED_AT]
        return math.fsum(dead) - math.fsum((t / scale) ** shape for t in (*FAILED_AT, *[500] * 10))

    def profile(at: int, value: float) -> float:
        def loss(log_other: float) -> float:
            other = float(np.exp(log_other))
            return -likelihood(*((value, other) if at == 0 else (other, value)))

        span = (np.log(50), np.log(1e5)) if at == 0 else (np.log(0.05), np.log(20))
        return -float(
            optimize.minimize_scalar(loss, bounds=span, method="bounded", options={"xatol": 1e-10}).fun
        )

    fit = weibull(HANDBOOK, 0.9)
    threshold = 2.705543 / 2  # chi-square of 90 % with one degree of freedom, from any table
    for at, bounds in ((0, fit.shape_bounds), (1, fit.scale_bounds_h)):
        for bound in bounds:
            assert fit.log_likelihood - profile(at, bound) == pytest.approx(threshold, abs=1e-5)
    assert fit.shape_bounds[0] < fit.shape < fit.shape_bounds[1]
    assert fit.scale_bounds_h[0] < fit.scale_h < fit.scale_bounds_h[1]


@pytest.mark.parametrize("failed", [(100.0, 100.001), (1e-6, 1e6), (3e5, 3.1e5, 2.9e5)])
def test_lives_far_apart_or_almost_alike_have_a_fit_within_its_bounds(failed: tuple[float, ...]) -> None:
    fit = weibull(units(failed, (failed[-1],)))
    assert 0 < fit.shape_bounds[0] <= fit.shape <= fit.shape_bounds[1]
    assert 0 < fit.scale_bounds_h[0] <= fit.scale_h <= fit.scale_bounds_h[1]
    assert math.isfinite(fit.log_likelihood)


def test_quantiles_are_those_of_the_distribution() -> None:
    fit = weibull(HANDBOOK)
    assert fit.age_h(0.6321) == pytest.approx(fit.scale_h, rel=1e-4)
    assert (fit.age_h(0.1) / fit.scale_h) ** fit.shape == pytest.approx(-math.log(0.9))


def test_too_few_failures_are_refused_with_a_way_out() -> None:
    for lives in (units((), (500,)), units((100,), (500,)), units((100, 100), (500,))):
        with pytest.raises(UsageError, match="two different ages at least; give a shape"):
            weibull(lives)


def test_an_age_of_zero_is_refused_by_its_serial_number() -> None:
    with pytest.raises(UsageError, match=r"c0 with 0 h"):
        weibull(units((1, 2), (0,)))


def test_with_shape_one_the_assumed_weibull_is_the_chi_square_bound() -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.1 is its special case."""
    for failed in ((), (120.0,), (120.0, 300.0)):
        lives = units(failed, (500.0, 80.0))
        total = sum(one.hours for one in lives)
        assert weibull_of_shape(lives, 1.0, 0.9) == pytest.approx(mtbf(total, len(failed), 0.9).lower_h)


def test_kaplan_meier_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 8.2.1.5: 20 units, six failures, four removed early, ten at 200 h."""
    curve = kaplan_meier(units((10, 32, 56, 98, 122, 181), (50, 100, 125, 150, *(200,) * 10)))
    expected = (0.95, 0.90, 0.847059, 0.794118, 0.737395, 0.670359)
    assert curve.survival.tolist() == pytest.approx(expected, abs=1e-6)
    assert curve.median_h is None


def test_greenwood_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 8.4.1.3, script output: survival and standard errors."""
    curve = kaplan_meier(HANDBOOK)
    errors = (0.0487, 0.0671, 0.0798, 0.0894, 0.0968, 0.1025, 0.1067, 0.1095, 0.1112, 0.1118)
    assert curve.survival.tolist() == pytest.approx(np.arange(0.95, 0.49, -0.05).tolist())
    assert curve.std_error.tolist() == pytest.approx(errors, abs=5e-5)
    assert curve.median_h == 386


def test_kaplan_meier_of_the_remission_trial() -> None:
    """Remission of leukaemia, treated arm (clinical trial of 1963, data in many textbooks): 21 patients."""
    relapsed = (6, 6, 6, 7, 10, 13, 16, 22, 23)
    censored = (6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35)
    curve = kaplan_meier(units(relapsed, censored))
    got = dict(zip(curve.age_h.tolist(), curve.survival.tolist(), strict=True))
    assert [got[t] for t in (6, 7, 10, 13, 16)] == pytest.approx(
        [0.8571, 0.8067, 0.7529, 0.6902, 0.6275], abs=5e-5
    )
    assert curve.median_h == 23


def test_the_bounds_of_the_curve_are_made_on_the_log_log_scale() -> None:
    """Kalbfleisch and Prentice (from memory): S^exp(+- z se / (S ln S)), with the handbook's errors."""
    curve = kaplan_meier(HANDBOOK, 0.9)
    for share, error, low, high in zip(
        (0.95, 0.80, 0.50), (0.0487, 0.0894, 0.1118), curve.low[[0, 3, 9]], curve.high[[0, 3, 9]], strict=True
    ):
        turn = math.exp(1.644854 * error / (share * math.log(share)))  # z of 90 %, from any table
        assert (high, low) == pytest.approx((share**turn, share ** (1 / turn)), abs=3e-4)


def test_without_any_failure_there_is_no_curve_to_draw() -> None:
    curve = kaplan_meier(units((), (5, 9)))
    assert (len(curve.age_h), len(curve.low), curve.last_h) == (0, 0, 9)
    assert "100.0%" in curve.statement


def test_when_the_last_unit_dies_nothing_is_left() -> None:
    curve = kaplan_meier(units((5, 9), ()))
    assert curve.survival.tolist() == [0.5, 0.0]
    assert curve.std_error[-1] == 0
    assert (curve.low[-1], curve.high[-1]) == (0, 0)
