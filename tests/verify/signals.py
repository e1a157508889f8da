"""True signals on an even grid, straight between grid points, with jumps at grid points.

A signal is an array of shape (2, n): row 0 holds the value just before each grid time, row 1 just after.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter, lfiltic

Signal = NDArray[np.float64]


def switch(n: int, k: int, before: float, after: float) -> Signal:
    """Return a signal that jumps from one value to another at grid point k."""
    index = np.arange(n)
    return np.stack([np.where(index > k, after, before), np.where(index >= k, after, before)]).astype(float)


def pulse(n: int, k: int, stop: int, inside: float, outside: float) -> Signal:
    """Return a signal that has another value from grid point k to grid point stop."""
    return switch(n, k, outside, inside) + switch(n, stop, 0.0, outside - inside)


def smooth(values: NDArray[np.float64]) -> Signal:
    """Return a signal without jumps."""
    return np.stack([values, values])


def lagged(x: Signal, tau: float, dt: float, start: float | None = None) -> Signal:
    """Return the exact response of a first-order lag to a signal (straight pieces and jumps)."""
    if tau <= 0:
        return x.copy()
    a = np.exp(-dt / tau)
    g = tau / dt * (1.0 - a)
    drive = (g - a) * x[1, :-1] + (1.0 - g) * x[0, 1:]
    first = x[1, 0] if start is None else start
    rest, _ = lfilter([1.0], [1.0, -a], drive, zi=lfiltic([1.0], [1.0, -a], [first]))
    return smooth(np.concatenate([[first], rest]))


def at(x: Signal, dt: float, moments: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the values of a signal at moments (seconds from the first grid point)."""
    n = x.shape[1]
    place = np.clip(moments / dt, 0.0, n - 1 - 1e-9)
    k = place.astype(int)
    share = place - k
    return np.asarray(x[1, k] * (1.0 - share) + x[0, k + 1] * share)


def averaged(x: Signal, dt: float, moments: NDArray[np.float64], window: float) -> NDArray[np.float64]:
    """Return the mean of a signal over the window that ends at each moment."""
    if window <= 0:
        return at(x, dt, moments)
    area = np.concatenate([[0.0], np.cumsum((x[1, :-1] + x[0, 1:]) * 0.5 * dt)])

    def upto(t: NDArray[np.float64]) -> NDArray[np.float64]:
        place = np.clip(t / dt, 0.0, x.shape[1] - 1 - 1e-9)
        k = place.astype(int)
        s = place - k
        return np.asarray(area[k] + dt * (x[1, k] * s + (x[0, k + 1] - x[1, k]) * s * s / 2))

    begin = np.maximum(moments - window, 0.0)
    return np.asarray((upto(moments) - upto(begin)) / np.maximum(moments - begin, 1e-9))


def departures(x: Signal, dt: float, limit: float, high: bool, deadband: float) -> list[float]:
    """Return every moment at which a signal left its limit, found on the signal itself, not on readings."""
    z = (x - limit) if high else (limit - x)
    flat = np.stack([z[0], z[1]], axis=1).reshape(-1)
    out, back = flat > 0, flat <= -deadband
    found: list[float] = []
    is_out, pos = bool(out[0]), 0
    out_at, back_at = np.flatnonzero(out), np.flatnonzero(back)
    while True:
        candidates = back_at if is_out else out_at
        next_at = np.searchsorted(candidates, pos)
        if next_at >= len(candidates):
            return found
        pos = int(candidates[next_at])
        if not is_out:
            k, after = divmod(pos, 2)
            if after:  # a jump at grid point k
                found.append(k * dt)
            else:
                a, b = z[1, k - 1], z[0, k]
                found.append((k - 1 + (-a / (b - a) if b > a else 1.0)) * dt)
        is_out = not is_out
