"""Drift within a run: Theil-Sen slope with interval, Mann-Kendall test, and comparison with a single step.

Sen (1968) for slope and interval, Mann (1945) and Kendall for the test, with the correction for ties.
Both need uncorrelated readings: they get batch means (see ``averages``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from rig.endurance.averages import batches
from rig.endurance.coverage import Held
from rig.endurance.stretches import Floats, Stretches


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """Median of all pairwise slopes with its two-sided interval; value = intercept + slope x time."""

    slope: float
    low: float
    high: float
    intercept: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Kendall:
    """Mann-Kendall test: s: rising less falling pairs; z with continuity correction; p: two-sided."""

    s: int
    variance: float
    z: float
    p: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanStep:
    """Best single step in the mean: it lies between positions ``last_before`` and ``last_before + 1``."""

    last_before: int
    before: float
    after: float
    better_than_line: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Change of a channel over a time, per hour. change: slope x the time looked at.

    significant: the interval of the slope excludes zero, and the batches were uncorrelated. step_ns: time of
    a single step, where it fits better than a straight line: then it is not a drift. A step passes any trend
    test.
    """

    channel: str
    per_h: float
    low_per_h: float
    high_per_h: float
    change: float
    p: float
    batches: int
    correlated: bool
    significant: bool
    step_ns: int | None


def drift(held: Held, time: Stretches, confidence: float = 0.95) -> Drift | None:
    """Return the drift of a channel over a set of time, or None with too few readings for eight batches."""
    found = batches(held, time, trend=True)
    if found is None:
        return None
    hours = (found.middle_ns - found.middle_ns[0]) / 3.6e12
    slope = theil_sen(hours, found.value, confidence, widening=found.widening)
    best = step(found.value)
    return Drift(
        channel=held.channel,
        per_h=slope.slope,
        low_per_h=slope.low,
        high_per_h=slope.high,
        change=slope.slope * float(time.end_ns[-1] - time.start_ns[0]) / 3.6e12,
        p=mann_kendall(found.value, widening=found.widening).p,
        batches=len(found.value),
        correlated=found.correlated,
        significant=not found.correlated and not slope.low <= 0 <= slope.high,
        step_ns=int(found.middle_ns[best.last_before : best.last_before + 2].mean())
        if best is not None and best.better_than_line
        else None,
    )


def theil_sen(at: Floats, value: Floats, confidence: float = 0.95, *, widening: float = 1.0) -> Slope:
    """Return the median slope of all pairs, its interval by Sen's ranks, and the median intercept.

    Needs two different positions at least; all pairs are held in memory (a few hundred values, not a
    million: take batch means first). widening: factor on the standard deviation of Kendall's S, for values
    that are alike in time. confidence: from 0.5.
    """
    from scipy.stats import theilslopes

    # scipy knows no widening: as many standard deviations are reached by another confidence
    reach = NormalDist().inv_cdf((1 + confidence) / 2) * widening
    found = theilslopes(value, at, math.erfc(reach / math.sqrt(2)), method="separate")
    return Slope(
        slope=float(found.slope),
        low=float(found.low_slope),
        high=float(found.high_slope),
        intercept=float(found.intercept),
    )


def mann_kendall(value: Floats, *, widening: float = 1.0) -> Kendall:
    """Return the Mann-Kendall test of values in the order of time; ``widening`` as in ``theil_sen``.

    Not ``scipy.stats.kendalltau``: that one corrects for no continuity and knows no widening.
    """
    one, two = np.triu_indices(len(value), 1)
    s = int(np.sign(value[two] - value[one]).sum())
    variance = _variance(value) * widening**2
    z = (s - math.copysign(1, s)) / math.sqrt(variance) if s and variance else 0.0
    return Kendall(s=s, variance=variance, z=z, p=math.erfc(abs(z) / math.sqrt(2)))


def step(value: Floats) -> MeanStep | None:
    """Return the single step that leaves the least squares, or None with fewer than four values.

    ``last_before`` is the position (from 0) of the last value before the step.
    """
    count = len(value)
    if count < 4:
        return None
    first = np.arange(1, count)
    sums = np.cumsum(value)[:-1]
    gain = (sums - first * value.mean()) ** 2 * count / (first * (count - first))
    best = int(np.argmax(gain))
    at = np.arange(count) - (count - 1) / 2
    line = float(np.dot(at, value)) ** 2 / float(np.dot(at, at))
    return MeanStep(
        last_before=best,
        before=float(value[: best + 1].mean()),
        after=float(value[best + 1 :].mean()),
        better_than_line=bool(gain[best] > line),
    )


def _variance(value: Floats) -> float:
    """Return the variance of Kendall's S, with the correction for ties."""
    n = len(value)
    _, ties = np.unique(value, return_counts=True)
    return float(n * (n - 1) * (2 * n + 5) - np.sum(ties * (ties - 1) * (2 * ties + 5))) / 18
