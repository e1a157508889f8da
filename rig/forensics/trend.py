"""Curve fit across a crossing.

Polynomials of degree 1 to 3 over windows of growing size about the crossing are fitted by least squares.
A fit is accepted only if its residuals are no larger than the noise, the next degree adds nothing, the
readings nearest to the crossing lie on it, and it rises through the limit once. Of the accepted ones the
narrowest is taken. A sensor with lag tau is read as x = y + tau dy/dt on the fitted curve.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.forensics.channel_readings import Floats
from rig.forensics.guaranteed_bracket import GuaranteedBracket
from rig.forensics.local import Local

SIZES = (1, 2, 4, 8, 16, 32, 64, 128)
DEGREES = (1, 2, 3)
CAUTION = 1.5
"""Factor on a fit's standard error for having chosen the fit among many."""
GRID = 129
PLAIN_JUMP = 6.0
INNER = 48


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """Accepted fit: value and slope on a grid of seconds, and the standard error of x at the crossing."""

    grid: Floats
    value: Floats
    slope: Floats
    error: float
    crossing_s: float
    readings: int
    degree: int


@dataclass(frozen=True, slots=True, eq=False)
class _Points:
    """Readings ready to fit: seconds, distance out; and the grid of seconds on which curves are evaluated."""

    t: Floats
    z: Floats
    inside: int
    outside: int
    sigma: float
    step: float
    smooth: bool
    degrees: int
    grid: Floats


def fit(local: Local, bracket: GuaranteedBracket) -> Curve | None:
    """Return the accepted curve with the smallest error; None where no fit is accepted.

    A window is used only if one twice as long (to one side at least) is accepted too: an error of the model
    that the longer window does not show is small over the shorter one.
    """
    points = _points(local, bracket)
    if _plainly_jumps(points):
        return None
    tried: dict[tuple[int, int, int], Curve | None] = {}
    windows: dict[tuple[int, int], _FitWindow | None] = {}

    def believed(left: int, right: int, degree: int) -> Curve | None:
        key = (left, right, degree)
        if key not in tried:
            if key[:2] not in windows:
                windows[key[:2]] = _window(points, left, right, bracket)
            window = windows[key[:2]]
            if window is None or len(window.t) < degree + 3:
                tried[key] = None
            else:
                tried[key] = _believed(window, degree, points, local)
        return tried[key]

    found = []
    for left in SIZES:
        for right in SIZES:
            for degree in DEGREES:
                curve = believed(left, right, degree)
                wider = ((2 * left, 2 * right), (2 * left, right), (left, 2 * right))
                if curve is not None and any(believed(a, b, degree) for a, b in wider):
                    found.append(curve)
    return min(found, key=_half_width, default=None)


def _plainly_jumps(points: _Points) -> bool:
    """Return whether the change across the bracket is far larger than those beside it: a jump, no curve."""
    if points.outside != points.inside + 1:
        return False
    near = slice(max(points.inside - 2, 0), points.outside + 3)
    t, z = points.t[near], points.z[near]
    across = points.inside - near.start
    rates = np.abs(np.diff(z)) / np.maximum(np.diff(t), 1e-9)
    least = PLAIN_JUMP * points.sigma / max(float(t[across + 1] - t[across]), 1e-9)
    beside = np.delete(rates, across)
    return bool(rates[across] > PLAIN_JUMP * float(beside.max(initial=0.0)) + least)


@dataclass(frozen=True, slots=True, eq=False)
class _FitWindow:
    """Window of points left and right of the bracket, with the factors shared by fits of all degrees.

    u: time from the middle of the bracket, the half of the window being 1; q, r: factors of its powers;
    along, jump: the values, and a step at the middle of the bracket, along q; nearest: points by distance.
    """

    t: Floats
    z: Floats
    u: Floats
    middle: float
    scale: float
    q: Floats
    r: Floats
    along: Floats
    step: Floats
    jump: Floats
    nearest: NDArray[np.intp]


def _window(points: _Points, left: int, right: int, bracket: GuaranteedBracket) -> _FitWindow | None:
    """Return the window of so many points left and right of the bracket; None where there are fewer."""
    first, last = points.inside - left + 1, points.outside + right
    if first < 0 or last > len(points.t):
        return None
    t, z = points.t[first:last], points.z[first:last]
    middle = 0.5 * (bracket.earliest_s + bracket.latest_s)
    scale = max(float(t[-1] - t[0]) / 2, 1e-9)
    u = (t - middle) / scale
    q, r = np.linalg.qr(np.vander(u, max(DEGREES) + 2, increasing=True))
    step = np.zeros(len(z))
    step[(points.inside + points.outside + 1) // 2 - first :] = 1.0
    nearest = np.argsort(np.abs(u), kind="stable")
    return _FitWindow(t, z, u, middle, scale, q, r, q.T @ z, step, q.T @ step, nearest)


def _half_width(curve: Curve) -> float:
    """Return the standard error in seconds."""
    rate = (curve.value[-1] - curve.value[0]) / max(curve.grid[-1] - curve.grid[0], 1e-12)
    middle = np.interp(curve.crossing_s, curve.grid, curve.slope)
    return float(curve.error / max(float(middle), 0.2 * rate, 1e-12))


def _points(local: Local, bracket: GuaranteedBracket) -> _Points:
    """Return the readings, averaged in blocks where very many lie within the bracket."""
    inner = bracket.outside - bracket.inside
    block = max(1, inner // INNER)
    noise = local.noise
    grid = np.linspace(bracket.earliest_s, bracket.latest_s, GRID)
    if block == 1:
        return _Points(
            local.t,
            local.z,
            bracket.inside,
            bracket.outside,
            noise.sigma,
            noise.step,
            noise.smooth,
            noise.degrees,
            grid,
        )
    offset = bracket.inside % block
    count = (len(local.t) - offset) // block
    cut = slice(offset, offset + count * block)
    t = local.t[cut].reshape(count, block).mean(axis=1)
    z = local.z[cut].reshape(count, block).mean(axis=1)
    rounding = noise.step / np.sqrt(12.0) if noise.smooth else 0.0
    sigma = float(np.hypot(noise.sigma / np.sqrt(block), rounding))
    inside = (bracket.inside - offset) // block
    outside = min((bracket.outside - offset) // block + 1, count - 1)
    return _Points(t, z, inside, outside, sigma, noise.step, noise.smooth, noise.degrees, grid)


def _believed(window: _FitWindow, degree: int, points: _Points, local: Local) -> Curve | None:
    """Return the fit over one window if it passes every test."""
    z, terms = window.z, degree + 1
    r, along = window.r[: terms + 1, : terms + 1], window.along[: terms + 1]
    if np.min(np.abs(np.diag(r))) < 1e-10 * len(z):
        return None
    sigma = max(points.sigma, 1e-12)
    if abs(along[-1]) > 2.0 * sigma * _slack(points):
        return None
    curve = window.q[:, :terms]
    rest = z - curve @ along[:-1]
    dof = len(z) - degree - 1
    loose = 1 + 2.5 * math.sqrt(2.0 / dof + 2.0 / max(points.degrees, 1))
    if float(rest @ rest) > dof * sigma**2 * loose or not _near_ones_lie_on_it(rest, window.nearest, sigma):
        return None
    if _jumps(window, curve, sigma):
        return None
    inverse = np.asarray(np.linalg.inv(r), dtype=np.float64)
    coefficients = inverse[:-1, :-1] @ along[:-1]
    shape = _Shape(coefficients, inverse, float(along[-1]), window.middle, window.scale, rest)
    return _curve(points, shape, z, local, sigma)


def _jumps(window: _FitWindow, curve: Floats, sigma: float) -> bool:
    """Return whether a step at the middle of the bracket would explain the readings better than the curve."""
    apart = window.step - curve @ window.jump[: curve.shape[1]]
    size = float(apart @ apart)
    return size < 1e-9 or abs(float(apart @ window.z)) > 2.0 * sigma * math.sqrt(size)


def _slack(points: _Points) -> float:
    """Return the factor by which the noise may be larger than estimated."""
    return 1 + 1.0 / math.sqrt(max(points.degrees, 1))


def _near_ones_lie_on_it(rest: Floats, nearest: NDArray[np.intp], sigma: float) -> bool:
    """Return whether the residuals nearest to the crossing average to nothing, at several sizes."""
    summed = np.cumsum(rest[nearest[:16]]).tolist()
    for size in (2, 4, 8, 16):
        if size * 2 > len(rest):
            break
        if abs(summed[size - 1]) > 2.5 * sigma * math.sqrt(size):
            return False
    return True


def _misfit(rest: Floats, sigma: float) -> float:
    """Return the variance of slow waves left in the residuals, which noise alone would have averaged out."""
    most = 0.0
    for size in (2, 4, 8, 16, 32):
        count = len(rest) // size
        if count < 4:
            break
        sums = np.add.reduce(rest[: count * size].reshape(count, size), axis=1)
        expected = sigma**2 / size
        excess = float(sums @ sums) / (count * size**2) - expected * (1 + math.sqrt(2.0 / count))
        most = max(most, excess)
    return most


@dataclass(frozen=True, slots=True, eq=False)
class _Shape:
    """Fitted polynomial in (t - middle) / scale, its error, and the residuals."""

    coefficients: Floats
    inverse: Floats
    beyond: float
    middle: float
    scale: float
    rest: Floats


def _curve(points: _Points, shape: _Shape, z: Floats, local: Local, sigma: float) -> Curve | None:
    """Return the curve on a grid over the bracket if it rises through the limit once."""
    coefficients, scale = shape.coefficients.tolist(), shape.scale
    u = (points.grid - shape.middle) / scale
    value, slope = np.full(len(u), coefficients[-1]), np.zeros(len(u))
    for coefficient in coefficients[-2::-1]:  # Horner's scheme, for the polynomial and its derivative
        slope = slope * u + value
        value = value * u + coefficient
    slope /= scale
    tau = local.bounds.lag_s
    behind = value + tau * slope
    above = behind > 0
    if not behind[0] < 0 < behind[-1] or np.count_nonzero(above[1:] != above[:-1]) != 1:
        return None
    crossing = _zero(points.grid, behind, int(above.argmax()))
    at = (crossing - shape.middle) / scale
    degrees = np.arange(len(coefficients) + 1)
    wanted = at**degrees + tau / scale * degrees * at ** np.maximum(degrees - 1, 0)
    shares = shape.inverse.T @ wanted
    spread = float(shares[:-1] @ shares[:-1]) * _alike(points, z)
    bias = shape.beyond * float(shares[-1])
    error = CAUTION * math.sqrt(points.sigma**2 * spread + bias**2 + _misfit(shape.rest, sigma))
    return Curve(
        grid=points.grid,
        value=value,
        slope=slope,
        error=error,
        crossing_s=crossing,
        readings=len(z),
        degree=len(coefficients) - 1,
    )


def _zero(grid: Floats, behind: Floats, k: int) -> float:
    """Return where the straight line from grid point ``k`` - 1 to ``k`` passes zero."""
    (t0, t1), (z0, z1) = grid[k - 1 : k + 1].tolist(), behind[k - 1 : k + 1].tolist()
    return float(t0 - z0 * (t1 - t0) / (z1 - z0))


def _alike(points: _Points, z: Floats) -> float:
    """Return how many neighbouring readings share one rounding error (1 where noise blurs the steps)."""
    if not points.smooth or points.step <= 0:
        return 1.0
    per_reading = abs(float(z[-1] - z[0])) / len(z)
    return min(max(points.step / max(per_reading, 1e-12), 1.0), float(len(z)))
