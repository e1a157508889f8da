"""The best possible reader of the same readings: how narrow an interval anybody could honestly state.

It knows the scatter, the display step, the sensor's lag within its tolerance, the accuracy and the stamps'
half-widths, and it is allowed to look at the true curve to choose, for every crossing, the stretch of
readings and the degree of polynomial (1 to 3) that give the smallest error, bias included. What it is not
given is the curve itself: nobody has that. Where the quantity jumps, only the two readings on either side
of the jump can help it, and 95 % of the gap between them is the best there is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.core.model import Series, Status
from tests.verify.cases import START_NS, Truth
from tests.verify.signals import at

SIZES = (1, 2, 3, 5, 8, 13, 21, 34, 55, 89, 144, 233, 377)
DEGREES = (1, 2, 3)


def best_interval(truth: Truth, dt: float, series: Series, crossed_s: float) -> tuple[float, float]:
    """Return the ends (seconds) of the narrowest 95 % interval for one true crossing."""
    good = series.status == Status.GOOD
    t = (series.t_ns[good] - START_NS) / 1e9
    t = t - truth.window_s / 2
    after = int(np.searchsorted(t, crossed_s))
    if after == 0 or after >= len(t):
        return -np.inf, np.inf
    gap = t[after] - t[after - 1] + 2 * truth.half_s + truth.window_s
    low, high = t[after - 1] - truth.half_s - truth.window_s / 2, t[after] + truth.half_s + truth.window_s / 2
    cut = 0.025 * gap
    best = (low + cut, high - cut)
    half = _smooth_half_width(truth, dt, t, after, crossed_s)
    if 2 * half < best[1] - best[0]:
        best = (crossed_s - half, crossed_s + half)
    return best


def _jumps(truth: Truth, dt: float, crossed_s: float) -> bool:
    k = round(crossed_s / dt)
    near = truth.x[:, max(k - 1, 0) : k + 2]
    return bool(np.any(np.abs(near[1] - near[0]) > 1e-9))


def _smooth_half_width(
    truth: Truth, dt: float, t: NDArray[np.float64], after: int, crossed_s: float
) -> float:
    if _jumps(truth, dt, crossed_s):
        return float("inf")
    slope = float(
        (at(truth.x, dt, np.array([crossed_s + dt])) - at(truth.x, dt, np.array([crossed_s - dt])))[0]
    ) / (2 * dt)
    if slope == 0:
        return float("inf")
    most = SIZES[-1]
    first, last = max(after - most, 0), min(after + most, len(t))
    times = t[first:last]
    seen = at(truth.seen, dt, times)
    level = float(at(truth.x, dt, np.array([crossed_s]))[0])
    inner = after - first
    found = float("inf")
    for left in SIZES:
        for right in SIZES:
            if left > inner or right > len(times) - inner:
                continue
            cut = slice(inner - left, inner + right)
            for degree in DEGREES:
                if left + right <= degree:
                    continue
                half = _fit_half(truth, times[cut], seen[cut], degree, crossed_s, level, slope)
                found = min(found, half)
    return found


def _fit_half(
    truth: Truth,
    times: NDArray[np.float64],
    seen: NDArray[np.float64],
    degree: int,
    crossed_s: float,
    level: float,
    slope: float,
) -> float:
    scale = max(times[-1] - times[0], 1e-9)
    u = (times - crossed_s) / scale
    basis = np.vander(u, degree + 1, increasing=True)
    wanted = np.zeros(degree + 1)
    wanted[0] = 1.0
    wanted[1] = truth.lag_s / scale
    weights = basis @ np.linalg.solve(basis.T @ basis + 1e-12 * np.eye(degree + 1), wanted)
    bias = abs(float(weights @ seen) - level) / abs(slope)
    spread = float(weights @ weights)
    variance = spread * truth.sigma**2
    if truth.step:
        per_step = truth.step / max(abs(seen[-1] - seen[0]) / len(seen), 1e-12)
        together = 1.0 if truth.sigma > 0.5 * truth.step else min(max(per_step, 1.0), len(seen))
        variance += spread * truth.step**2 / 12 * together
    error = float(np.sqrt(variance)) / abs(slope)
    rectangles = [truth.half_s, truth.accuracy / abs(slope), truth.lag_tolerance_s]
    return bias + _half_of_sum(error, rectangles)


def _half_of_sum(error: float, rectangles: list[float]) -> float:
    """Return the half-width that holds 95 % of a normal error plus rectangular ones."""
    u = (np.arange(101) + 0.5) / 101 * 2 - 1
    total = np.zeros(1)
    for half in sorted(r for r in rectangles if r > 0):
        total = np.sort((total[:, None] + half * u[None, :]).reshape(-1))
        total = total[np.linspace(0, len(total) - 1, 101).astype(int)]
    if error == 0:
        return float(np.quantile(np.abs(total), 0.95))
    from scipy.special import ndtr

    low, high = 0.0, float(np.abs(total).max()) + 4 * error
    for _ in range(40):
        middle = (low + high) / 2
        inside = float(np.mean(ndtr((middle - total) / error) - ndtr((-middle - total) / error)))
        low, high = (middle, high) if inside < 0.95 else (low, middle)
    return high
