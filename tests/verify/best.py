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

from rig.domain.model import Series, Status
from tests.verify.cases import START_NS, Truth
from tests.verify.signals import at

SIZES = (1, 2, 4, 7, 12, 21, 36, 63, 110, 190, 330)
DEGREES = (1, 2, 3)


def best_interval(truth: Truth, dt: float, series: Series, crossed_s: float) -> tuple[float, float]:
    """Return the ends (seconds) of the narrowest 95 % interval for one true crossing."""
    good = series.status == Status.GOOD
    t = (series.t_ns[good] - START_NS) / 1e9
    t = t - truth.window_s / 2
    after = int(np.searchsorted(t, crossed_s))
    if after == 0 or after >= len(t):
        return -np.inf, np.inf
    inside, outside = _bracket(truth, dt, t, after, crossed_s)
    gap = t[outside] - t[inside] + 2 * truth.half_s + truth.window_s
    low, high = t[inside] - truth.half_s - truth.window_s / 2, t[outside] + truth.half_s + truth.window_s / 2
    cut = 0.025 * gap
    best = (low + cut, high - cut)
    half = _smooth_half_width(truth, dt, t, after, crossed_s)
    if 2 * half < best[1] - best[0]:
        best = (crossed_s - half, crossed_s + half)
    return best


def _bracket(
    truth: Truth, dt: float, t: NDArray[np.float64], after: int, crossed_s: float
) -> tuple[int, int]:
    """Return the last reading before and the first after a crossing whose side noise does not hide."""
    near = slice(max(after - 2000, 0), after + 2000)
    x = at(truth.x, dt, t[near])
    before = float(at(truth.x, dt, np.array([crossed_s - dt]))[0])
    later = float(at(truth.x, dt, np.array([crossed_s + dt]))[0])
    level = (
        float(at(truth.x, dt, np.array([crossed_s]))[0])
        if not _jumps(truth, dt, crossed_s)
        else (before + later) / 2
    )
    beyond = (x - level) * (1.0 if later >= before else -1.0)
    margin = 1.64 * truth.sigma + truth.step / 2 + truth.accuracy
    middle = after - near.start
    clear_before, clear_after = (
        np.flatnonzero(beyond[:middle] < -margin),
        np.flatnonzero(beyond[middle:] > margin),
    )
    inside = near.start + int(clear_before[-1]) if len(clear_before) else near.start
    outside = after + int(clear_after[0]) if len(clear_after) else min(after + 2000, len(t) - 1)
    return inside, outside


def _jumps(truth: Truth, dt: float, crossed_s: float) -> bool:
    k = round(crossed_s / dt)
    near = truth.x[:, max(k - 1, 0) : k + 2]
    return bool(np.any(np.abs(near[1] - near[0]) > 1e-9))


def _smooth_half_width(
    truth: Truth, dt: float, t: NDArray[np.float64], after: int, crossed_s: float
) -> float:
    """Return half the width of the best fit's interval; infinity where the quantity jumps."""
    if _jumps(truth, dt, crossed_s):
        return float("inf")
    ends = at(truth.x, dt, np.array([crossed_s - dt, crossed_s, crossed_s + dt]))
    slope = float(ends[2] - ends[0]) / (2 * dt)
    if slope == 0:
        return float("inf")
    first, last = max(after - SIZES[-1], 0), min(after + SIZES[-1], len(t))
    times = t[first:last]
    inner = after - first
    gap = float(t[after] - t[after - 1])
    shifts = [gap * share for share in (-0.375, -0.125, 0.125, 0.375)]
    looks = [(shift, at(truth.seen, dt, times + shift)) for shift in shifts]
    rectangles = [truth.half_s, _accuracy_half(truth, dt, crossed_s, float(ends[1])), truth.lag_tolerance_s]
    smallest = float("inf")
    for left in SIZES:
        for right in SIZES:
            if left > inner or right > len(times) - inner:
                continue
            cut = slice(inner - left, inner + right)
            for degree in DEGREES:
                if left + right > degree:
                    error = _fit_error(truth, times, looks, cut, degree, crossed_s, float(ends[1]), slope)
                    smallest = min(smallest, error)
    return _half_of_sum(smallest, rectangles)


def _accuracy_half(truth: Truth, dt: float, crossed_s: float, level: float) -> float:
    """Return half the time the true quantity takes from one end of the stated accuracy to the other."""
    if not truth.accuracy:
        return 0.0
    k = int(crossed_s / dt)
    turn = 1.0 if truth.x[0, min(k + 1, truth.x.shape[1] - 1)] >= truth.x[1, max(k, 0)] else -1.0
    beyond = turn * (truth.x[1] + truth.offset - level)
    below = np.flatnonzero(beyond[: k + 1] < -truth.accuracy)
    above = np.flatnonzero(beyond[k:] > truth.accuracy)
    early = int(below[-1]) if len(below) else 0
    late = k + int(above[0]) if len(above) else truth.x.shape[1]
    return (late - early) * dt / 2


def _fit_error(
    truth: Truth,
    times: NDArray[np.float64],
    looks: list[tuple[float, NDArray[np.float64]]],
    cut: slice,
    degree: int,
    crossed_s: float,
    level: float,
    slope: float,
) -> float:
    """Return the error (seconds, one standard deviation) of one fit, had the polls fallen anyhow.

    The bias is the root mean square over four phases of polling, so that no fit is called good because
    its bias happens to vanish for the one phase there was.
    """
    t = times[cut]
    scale = max(float(t[-1] - t[0]), 1e-9)
    wanted = np.zeros(degree + 1)
    wanted[0] = 1.0
    wanted[1] = truth.lag_s / scale
    errors = []
    spread, shallow = 0.0, abs(slope)
    for shift, seen in looks:
        basis = np.vander((t + shift - crossed_s) / scale, degree + 1, increasing=True)
        fitted = np.linalg.solve(basis.T @ basis + 1e-12 * np.eye(degree + 1), np.eye(degree + 1))
        weights = basis @ fitted @ wanted
        found = fitted @ basis.T @ seen[cut]
        second = found[2] if degree > 1 else 0.0
        fitted_slope = float(found[1] + 2 * truth.lag_s / scale * second) / scale
        if fitted_slope * slope <= 0:
            return float("inf")
        errors.append((float(weights @ seen[cut]) - level) / min(abs(fitted_slope), abs(slope)))
        shallow = min(shallow, abs(fitted_slope))
        spread = max(spread, float(weights @ weights))
    variance = spread * truth.sigma**2
    if truth.step:
        seen = looks[0][1][cut]
        per_step = truth.step / max(abs(float(seen[-1] - seen[0])) / len(seen), 1e-12)
        together = 1.0 if truth.sigma > 0.5 * truth.step else min(max(per_step, 1.0), len(seen))
        variance += spread * truth.step**2 / 12 * together
    return float(np.sqrt(variance / shallow**2 + np.mean(np.square(errors))))


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
