"""Change detectors for a series of numbers: CUSUM, EWMA, least-squares split, and the bend of a hinge.

Positions count from 0. A split or onset at position k means: k values belong to the baseline before it,
and value k is the first that does not (for the flow of the Nile, 28 values up to 1898, then k = 28).
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from rig.forensics.channel_readings import Floats


def cusum(values: Floats, target: float, slack: float) -> tuple[Floats, Floats]:
    """Return the upper and lower tabular cumulative sums of values about a target.

    slack: half the shift worth detecting, in the unit of the values (NIST/SEMATECH e-Handbook 6.3.2.3).
    """
    return _one_sided(values - target - slack), _one_sided(target - slack - values)


def _one_sided(steps: Floats) -> Floats:
    """Return the running sum of steps that restarts from 0 whenever it would fall below."""
    total = np.cumsum(steps)
    floor = np.minimum(np.minimum.accumulate(total), 0.0)
    return np.asarray(total - floor)


def last_rest(sums: Floats) -> int:
    """Return the position after the last zero of one-sided sums: where the present departure began."""
    zeros = np.flatnonzero(sums <= 0)
    return int(zeros[-1]) + 1 if len(zeros) else 0


def split(values: Floats) -> int:
    """Return the position at which two means explain the values best (least squares)."""
    n = len(values)
    total = np.cumsum(values)
    k = np.arange(1, n)
    gain = total[:-1] ** 2 / k + (total[-1] - total[:-1]) ** 2 / (n - k)
    return int(k[np.argmax(gain)])


@dataclass(frozen=True, slots=True, kw_only=True)
class Bend:
    """Where a level row begins to depart, in the unit of the times given.

    earliest, latest: where the bend still explains the row nearly as well (confidence as asked);
    gain: how much better the bend explains it than no bend (twice the log likelihood ratio).
    """

    at: float
    earliest: float
    latest: float
    gain: float


SHAPES = (0.0, 1.0, 2.0)
"""Powers of the time since the bend: a step, a ramp, a start from rest."""


def bend(times: Floats, values: Floats, sigma: float, confidence: float) -> Bend:
    """Return the most likely bend of a row that was level before it.

    sigma: standard deviation of one value, neighbours taken as independent. Step, ramp and parabola are
    tried from every position; the interval joins all positions of all shapes that the row does not refute.
    """
    n = len(times)
    centred = values - values.mean()
    none = float(centred @ centred)
    costs = np.full((len(SHAPES), n), np.inf)
    for row, power in enumerate(SHAPES):
        for k in range(2, n - 1):
            shape = np.where(np.arange(n) >= k, np.maximum(times - times[k - 1], 0.0) ** power, 0.0)
            shape = shape - shape.mean()
            size = float(shape @ shape)
            if size > 0:
                costs[row, k] = none - float(shape @ centred) ** 2 / size
    best = float(costs.min())
    k = int(np.argmin(costs.min(axis=0)))
    bound = NormalDist().inv_cdf((1 + confidence) / 2) ** 2  # of chi-square with one degree of freedom
    allowed = np.flatnonzero(costs.min(axis=0) <= best + sigma**2 * bound)
    return Bend(
        at=float(0.5 * (times[k - 1] + times[k])),
        earliest=float(times[max(int(allowed[0]) - 1, 0)]),
        latest=float(times[int(allowed[-1])]),
        gain=(none - best) / max(sigma**2, 1e-300),
    )
