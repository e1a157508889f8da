"""How far a value is from its limits, and how it moves: pure arithmetic for the screen."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.core.model import Channel, Limit, Side
from rig.view.snapshot import Margin, Trend

Bools = NDArray[np.bool_]

FARTHEST_S = 48 * 3600.0
"""A limit that the trend reaches later than this is not announced: no trend is that honest."""

_CLEAR = 4.0
"""A slope is called clear beyond this many standard errors (own choice; readings are correlated)."""
_FEWEST = 8
_SHORT_S = 60.0
_SHORTEST_S = 15.0
_VERY_CLEAR = 6.0
"""The same for the shortest stretch, where few readings make large errors likely."""


def margin(channel: Channel, value: float) -> Margin | None:
    """Return the distance to the nearest limit, or None without a limit or a number.

    ``used`` is a share of half the band where there are two limits, else of the limit's own size.
    """
    if not channel.limits or not math.isfinite(value):
        return None
    nearest = min(channel.limits, key=lambda limit: _distance(limit, value))
    scale = _scale(channel)
    early = None
    if nearest.early is not None:
        early = _share(_distance(nearest, nearest.early), scale)
    distance = _distance(nearest, value)
    return Margin(
        side=nearest.side, value=nearest.value, distance=distance, used=_share(distance, scale), early=early
    )


def _distance(limit: Limit, value: float) -> float:
    return limit.value - value if limit.side is Side.HIGH else value - limit.value


def _scale(channel: Channel) -> float:
    values = [limit.value for limit in channel.limits]
    if len(values) > 1 and max(values) > min(values):
        return (max(values) - min(values)) / 2
    return abs(values[0]) or 1.0


def _share(distance: float, scale: float) -> float:
    return min(1.0, max(0.0, 1.0 - distance / scale))


def reach_s(channel: Channel, value: float, trend: Trend | None) -> float | None:
    """Return how long until the limit ahead is reached at this trend, in s; None if it is not, or far."""
    if trend is None or not trend.clear or not math.isfinite(value):
        return None
    ahead = Side.HIGH if trend.per_s > 0 else Side.LOW
    times = [
        _distance(limit, value) / abs(trend.per_s)
        for limit in channel.limits
        if limit.side is ahead and _distance(limit, value) > 0
    ]
    nearest = min(times, default=math.inf)
    return nearest if nearest <= FARTHEST_S else None


def trends(
    t_s: NDArray[np.float64], values: NDArray[np.float64], resolution: NDArray[np.float64]
) -> list[Trend | None]:
    """Return the trend of each column of ``values`` (readings x channels, NaN where there is none).

    Straight lines by least squares over all of it, the last minute, and the last quarter of it; the
    shorter wins where its slope is clear and steeper or turned round, so that neither a runaway nor its
    end is averaged away.
    """
    if len(t_s) < _FEWEST:
        return [None] * values.shape[1]
    found = _lines(t_s, values, resolution, _CLEAR)
    for length_s, clear in ((_SHORT_S, _CLEAR), (_SHORTEST_S, _VERY_CLEAR)):
        recent = t_s >= t_s[-1] - length_s
        if not recent.all() and recent.sum() >= _FEWEST:
            last = _lines(t_s[recent], values[recent], resolution, clear)
            found = [_livelier(a, b) for a, b in zip(found, last, strict=True)]
    return found


def _livelier(whole: Trend | None, last: Trend | None) -> Trend | None:
    if last is None or not last.clear:
        return whole
    if whole is None or not whole.clear or last.per_s * whole.per_s < 0:
        return last
    if abs(last.per_s) > 1.5 * abs(whole.per_s):
        return last
    return whole


def _lines(
    t_s: NDArray[np.float64], values: NDArray[np.float64], resolution: NDArray[np.float64], errors: float
) -> list[Trend | None]:
    there = np.isfinite(values)
    count = there.sum(axis=0)
    safe = np.maximum(count, 1)
    t = np.where(there, t_s[:, None], 0.0)
    y = np.where(there, values, 0.0)
    t_mid, y_mid = t.sum(axis=0) / safe, y.sum(axis=0) / safe
    dt = np.where(there, t - t_mid, 0.0)
    dy = np.where(there, y - y_mid, 0.0)
    spread = (dt * dt).sum(axis=0)
    usable = (count >= _FEWEST) & (spread > 0)
    slope = (dt * dy).sum(axis=0) / np.where(usable, spread, 1.0)
    rest = ((dy - slope * dt) ** 2).sum(axis=0) / np.maximum(count - 2, 1)
    # a display of step r scatters by at least r/sqrt(12) (rectangular distribution, JCGM 100:2008 4.3.7)
    scatter = np.sqrt(np.maximum(rest, resolution**2 / 12))
    error = scatter / np.sqrt(np.where(usable, spread, 1.0))
    window = float(t_s[-1] - t_s[0])
    clear = usable & (np.abs(slope) > errors * error) & (np.abs(slope) * window > 2 * resolution)
    clear &= _still_going(there, y, slope)
    clear &= np.abs(slope) * window > 1e-9 * np.maximum(np.abs(y_mid), 1e-12)
    return [
        Trend(per_s=float(slope[i]), window_s=window, clear=bool(clear[i])) if usable[i] else None
        for i in range(len(count))
    ]


def _still_going(there: Bools, y: NDArray[np.float64], slope: NDArray[np.float64]) -> Bools:
    """Return where the last quarter lies further along the slope than the one before: it has not turned."""
    quarter = max(1, len(y) // 4)
    means = [
        y[part].sum(axis=0) / np.maximum(there[part].sum(axis=0), 1)
        for part in (slice(-quarter, None), slice(-2 * quarter, -quarter))
    ]
    going: Bools = (means[0] - means[1]) * slope > 0
    return going
