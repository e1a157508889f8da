"""Life distributions from failed and surviving units: Weibull and Kaplan-Meier.

Survivors are right-censored.
Methods: NIST/SEMATECH e-Handbook 8.4.1.3 (maximum likelihood) and 8.2.1.5 (Kaplan-Meier). Bounds of the
Weibull are by likelihood ratio, which holds with fewer failures than a normal approximation does.

The greatest likelihood is found where its slope passes zero, not by ``weibull_min.fit``: that one searches
with a simplex, is good to four digits, promises no end, and would be needed anew for each point of a bound.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from rig.domain.formatting import counted, in_hours
from rig.endurance.stretches import Floats
from rig.errors import UsageError
from rig.reliability.demonstration import Life, chi2_quantile

_SHAPES = (1e-2, 1e3)
_ENOUGH = 1e6
"""A likelihood this far below the best is as good as none: keeps infinities from the search for a bound."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weibull:
    """Fitted Weibull distribution, F(t) = 1 - exp(-(t/scale)^shape), with two-sided bounds.

    scale_h: age by which 63.2 % have failed. shape: below 1 early failures, 1 constant rate, above 1
    wear-out.
    """

    units: int
    failures: int
    shape: float
    scale_h: float
    log_likelihood: float
    confidence: float
    shape_bounds: tuple[float, float]
    scale_bounds_h: tuple[float, float]
    statement: str
    does_not_cover: str

    @property
    def mean_h(self) -> float:
        """Mean life, in h."""
        return self.scale_h * math.gamma(1 + 1 / self.shape)

    @property
    def sd_h(self) -> float:
        """Standard deviation of life, in h."""
        second = math.gamma(1 + 2 / self.shape)
        return self.scale_h * math.sqrt(second - math.gamma(1 + 1 / self.shape) ** 2)

    def age_h(self, share: float) -> float:
        """Return the age by which ``share`` (0 to 1) has failed: 0.1 gives the B10 life."""
        return float(self.scale_h * (-math.log1p(-share)) ** (1 / self.shape))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KaplanMeier:
    """Share that survives each age at which units failed, with Greenwood's standard error.

    low, high: two-sided bounds at ``confidence``, made on the scale log(-log S), so within 0..1;
    they hold age by age, not for the whole curve at once. No statement beyond ``last_h``.
    """

    age_h: Floats
    at_risk: Floats
    failures: Floats
    survival: Floats
    std_error: Floats
    confidence: float
    low: Floats
    high: Floats
    last_h: float
    statement: str
    does_not_cover: str

    @property
    def median_h(self) -> float | None:
        """Age by which half have failed, None if the curve does not come down so far."""
        below = np.flatnonzero(self.survival <= 0.5 + 1e-12)
        return float(self.age_h[below[0]]) if len(below) else None


def weibull(lives: Sequence[Life], confidence: float = 0.9) -> Weibull:
    """Return the Weibull distribution of maximum likelihood, survivors counted as censored.

    Needs failures at two different ages at least (with one, or none, see ``weibull_of_shape``).
    Raises UsageError otherwise, or for an age that is not positive.
    """
    data = _Lives(lives)
    if len(np.unique(data.failed_h)) < 2:
        raise UsageError(
            f"Weibull fit to {len(lives)} units with {counted(len(data.failed_h), 'failure')}: expected "
            "failures at two different ages at least; give a shape (--shape) instead"
        )
    shape = _root(data.slope, *_SHAPES)
    scale_h = data.scale(shape)
    best = data.log_likelihood(shape, scale_h)
    allowed = chi2_quantile(confidence, 1) / 2
    return Weibull(
        units=len(lives),
        failures=len(data.failed_h),
        shape=shape,
        scale_h=scale_h,
        log_likelihood=best,
        confidence=confidence,
        shape_bounds=_bounds(lambda b: best - data.log_likelihood(b, data.scale(b)) - allowed, shape),
        scale_bounds_h=_bounds(lambda eta: best - data.profile(eta) - allowed, scale_h),
        statement=(
            f"{len(data.failed_h)} of {len(lives)} units failed; Weibull shape {shape:.3g} ({_kind(shape)}), "
            f"63 % failed by {in_hours(scale_h)} h"
        ),
        does_not_cover=(
            f"ages beyond the {in_hours(data.all_h.max())} h tested, except by extrapolation; mixed causes "
            "of failure: inspect each failed unit; with fewer than ten failures the shape is very uncertain, "
            "see its bounds"
        ),
    )


def weibull_of_shape(lives: Sequence[Life], shape: float, confidence: float = 0.9) -> float:
    """Return a lower bound of the scale in h for an assumed shape, with few failures or none.

    (2 sum(t^shape) / chi2(confidence; 2r+2))^(1/shape): exact for no failure and known shape (the ages to
    the power of the shape are exponential), conservative for tests that end at a given time.
    """
    data = _Lives(lives)
    half = chi2_quantile(confidence, 2 * len(data.failed_h) + 2) / 2
    total = math.fsum((data.all_h**shape).tolist())
    return math.pow(total / half, 1 / shape)


def kaplan_meier(lives: Sequence[Life], confidence: float = 0.9) -> KaplanMeier:
    """Return the survival curve without an assumed distribution (NIST 8.2.1.5; Greenwood 1926).

    A unit removed at the very age at which another failed counts as having been at risk then. The bounds
    are 0 from where nobody is left.
    """
    data = _Lives(lives)
    ages, deaths = np.unique(data.failed_h, return_counts=True)
    at_risk = np.array([np.count_nonzero(data.all_h >= age) for age in ages], float)
    survival, low, high = data.survival(ages, confidence)
    with np.errstate(divide="ignore", invalid="ignore"):
        # scipy has these only inside its bounds
        spread = np.sqrt(np.cumsum(deaths / (at_risk * (at_risk - deaths))))
        error = np.where(survival > 0, survival * spread, 0.0)
    last_h = float(data.all_h.max())
    left = float(survival[-1]) if len(survival) else 1.0
    return KaplanMeier(
        age_h=ages,
        at_risk=at_risk,
        failures=deaths.astype(float),
        survival=survival,
        std_error=error,
        confidence=confidence,
        low=low,
        high=high,
        last_h=last_h,
        statement=f"{left:.1%} of the units are estimated to survive {in_hours(last_h)} h of this stress",
        does_not_cover=(
            f"times beyond {in_hours(last_h)} h; assumes that units removed early were no better and no "
            "worse than the others: removing a unit because it seemed faulty biases it"
        ),
    )


class _Lives:
    """Ages as arrays, with the Weibull likelihood. Its slopes scale them by the largest: no overflow."""

    def __init__(self, lives: Sequence[Life]) -> None:
        bad = [one for one in lives if not (math.isfinite(one.hours) and one.hours > 0)]
        if bad or not lives:
            what = ", ".join(f"{one.serial} with {one.hours!r} h" for one in bad) or "no units at all"
            raise UsageError(
                f"life statistics of {what}: expected units with more than 0 h each; exclude the others"
            )
        self.all_h = np.array([one.hours for one in lives])
        self.failed_h = np.array([one.hours for one in lives if one.failed])
        self._alive_h = np.array([one.hours for one in lives if not one.failed])
        self._unit = float(self.all_h.max())
        self._logs = np.log(self.all_h / self._unit)
        self._failed_logs = np.log(self.failed_h / self._unit)

    def slope(self, shape: float) -> float:
        """Return the slope of the likelihood; it rises through zero at the maximum-likelihood shape."""
        weight = np.exp(shape * self._logs)
        return float(np.sum(weight * self._logs) / np.sum(weight) - 1 / shape - np.mean(self._failed_logs))

    def scale(self, shape: float) -> float:
        """Return the scale of maximum likelihood for a given shape, in h."""
        mean = float(np.sum(np.exp(shape * self._logs))) / len(self.failed_h)
        return float(self._unit * mean ** (1 / shape))

    def log_likelihood(self, shape: float, scale_h: float) -> float:
        """Return the log-likelihood per hours."""
        from scipy.stats import weibull_min

        with np.errstate(over="ignore"):
            dead = weibull_min.logpdf(self.failed_h, shape, scale=scale_h)
            alive = weibull_min.logsf(self._alive_h, shape, scale=scale_h)
        return float(np.sum(dead) + np.sum(alive))

    def profile(self, scale_h: float) -> float:
        """Return the greatest log-likelihood for a given scale."""

        def rise(shape: float) -> float:
            at = self._logs + math.log(self._unit / scale_h)
            failed = self._failed_logs + math.log(self._unit / scale_h)
            with np.errstate(over="ignore"):
                growth = np.sum(np.exp(np.minimum(shape * at, 600.0)) * at)
            return float(growth - np.sum(failed) - len(failed) / shape)

        return self.log_likelihood(_root(rise, *_SHAPES), scale_h)

    def survival(self, ages_h: Floats, confidence: float) -> tuple[Floats, Floats, Floats]:
        """Return the share that survives each age of a failure, and its bounds on the log-log scale."""
        from scipy.stats import CensoredData, ecdf

        if not len(ages_h):
            return ages_h, ages_h, ages_h
        curve = ecdf(CensoredData(uncensored=self.failed_h, right=self._alive_h)).sf
        with warnings.catch_warnings(), np.errstate(divide="ignore", invalid="ignore"):
            warnings.simplefilter("ignore", RuntimeWarning)  # no bounds where nobody is left: 0 below
            bounds: Any = curve.confidence_interval(confidence, method="log-log")
        low, high = (np.nan_to_num(one.evaluate(ages_h), nan=0.0) for one in (bounds.low, bounds.high))
        return curve.evaluate(ages_h), low, high


def _root(rising: Callable[[float], float], low: float, high: float) -> float:
    """Return where a rising function passes zero, searched on a logarithmic scale; an end if it does not."""
    from scipy.optimize import brentq

    def at(log: float) -> float:
        return max(-_ENOUGH, min(rising(math.exp(log)), _ENOUGH))

    a, b = math.log(low), math.log(high)
    if at(a) >= 0:
        return low
    return high if at(b) <= 0 else math.exp(brentq(at, a, b, xtol=1e-14))


def _bounds(excess: Callable[[float], float], best: float) -> tuple[float, float]:
    """Return where ``excess``, negative at ``best``, becomes positive below and above it."""
    factor = 1.5
    low, high = best / factor, best * factor
    while excess(low) < 0 and low > best * 1e-9:
        low /= factor
    while excess(high) < 0 and high < best * 1e9:
        high *= factor
    below = _root(lambda x: -excess(x), low, best)
    return below, _root(excess, best, high)


def _kind(shape: float) -> str:
    if shape < 0.9:
        return "failures become rarer with age"
    return "constant failure rate" if shape <= 1.1 else "failures become more frequent with age"
