"""Margins, trends and times to a limit: pure arithmetic for the screen."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rig.domain.model import Channel, Limit, Side
from rig.view.snapshot import Margin, Pace, Reach, Trend

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
_BENT = 3.0
"""Two slopes differ beyond this many standard errors of their difference (own choice)."""
_BOUND = 2.0
"""Standard errors to each side: about 95 % of a normal distribution."""
_MOST_ALIKE = 0.9
"""Readings are taken as no more alike than this, or a few of them would mean nothing at all."""


def margin(channel: Channel, value: float) -> Margin | None:
    """Return the distance to the nearest limit, or None without a limit or a number.

    ``used`` is a share of half the band where there are two limits, else of the limit's own size.
    """
    if not channel.limits or not math.isfinite(value):
        return None
    nearest = min(channel.limits, key=lambda limit: _distance(limit, value))
    scale = _scale(channel)
    warning = None
    if nearest.early is not None:
        warning = _share(_distance(nearest, nearest.early), scale)
    distance = _distance(nearest, value)
    return Margin(
        side=nearest.side,
        value=nearest.value,
        distance=distance,
        used=_share(distance, scale),
        warning=warning,
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


def reach(channel: Channel, value: float, trend: Trend | None) -> Reach | None:
    """Return when the limit ahead is reached at this trend; None if it is not, or not within two days.

    The bounds take two standard errors of the slope and of the present level. A line says nothing about
    bends: where the last minute differs from the minutes before, the bound on that side is left open.
    """
    if trend is None or not trend.clear or not math.isfinite(value):
        return None
    ahead = Side.HIGH if trend.per_s > 0 else Side.LOW
    distances = [_distance(limit, value) for limit in channel.limits if limit.side is ahead]
    distance = min((one for one in distances if one > 0), default=math.inf)
    best_s = distance / abs(trend.per_s)
    if best_s > FARTHEST_S:
        return None
    wide, slope = _BOUND * trend.scatter, abs(trend.per_s)
    off = _BOUND * trend.error_per_s
    low_s = 0.0 if trend.pace is Pace.QUICKENING else max(0.0, distance - wide) / (slope + off)
    open_end = trend.pace is Pace.SLOWING or off >= slope
    high_s = math.inf if open_end else (distance + wide) / (slope - off)
    return Reach(best_s=best_s, low_s=low_s, high_s=high_s)


def least_span(channel: Channel, step: float) -> float:
    """Return the smallest range of readings worth drawing: 4 steps of the display, 3 % of the way to a limit.

    Own choice: less than that is noise, and drawn to full height it would look like an event.
    """
    return max(4 * step, 0.03 * _scale(channel) if channel.limits else 0.0)


def pieces(
    t_s: NDArray[np.float64], values: NDArray[np.float64], window_s: float, count: int
) -> NDArray[np.float64]:
    """Return the last ``window_s`` in ``count`` equal pieces (pieces x channels), NaN where nothing came.

    Of each piece the value that is farthest from the channel's mean, so that a spike of one reading
    stays visible. ``t_s`` ends at 0 and ascends.
    """
    history = np.full((count, values.shape[1]), np.nan)
    piece = np.ceil(t_s * count / window_s).astype(np.int64) + count - 1
    there = np.isfinite(values)
    middle = np.where(there, values, 0.0).sum(axis=0) / np.maximum(there.sum(axis=0), 1)
    away = np.where(there, np.abs(values - middle), -1.0)
    columns = np.arange(values.shape[1])
    for at in range(count):
        first, last = np.searchsorted(piece, (at, at + 1))
        if first < last:
            history[at] = values[first + np.argmax(away[first:last], axis=0), columns]
    return history


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
    found = whole = _lines(t_s, values, resolution, _CLEAR)
    for length_s, clear in ((_SHORT_S, _CLEAR), (_SHORTEST_S, _VERY_CLEAR)):
        recent = t_s >= t_s[-1] - length_s
        if not recent.all() and recent.sum() >= _FEWEST:
            last = _lines(t_s[recent], values[recent], resolution, clear)
            found = [_livelier(a, b) for a, b in zip(found, last, strict=True)]
            if length_s == _SHORT_S:
                found = [_paced(a, b, c) for a, b, c in zip(found, whole, last, strict=True)]
    return found


def _paced(chosen: Trend | None, whole: Trend | None, last: Trend | None) -> Trend | None:
    """Return the trend with how the last minute differs from all of it."""
    if chosen is None or whole is None or last is None:
        return chosen
    gain = (abs(last.per_s) if last.per_s * whole.per_s > 0 else -abs(last.per_s)) - abs(whole.per_s)
    if abs(gain) <= _BENT * math.hypot(last.error_per_s, whole.error_per_s):
        return chosen
    return replace(chosen, pace=Pace.QUICKENING if gain > 0 else Pace.SLOWING)


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
    # readings that follow each other tell less than as many independent ones: variances of means and slopes
    # grow by (1 + r)/(1 - r) with their correlation r (first-order autoregression; from memory)
    left = np.where(there, dy - slope * dt, 0.0)
    power = (left * left).sum(axis=0)
    alike = (left[1:] * left[:-1]).sum(axis=0) / np.where(power > 0, power, 1.0)
    # a correlation from few readings comes out too small by about (1 + 4 r)/n (Kendall 1954; from memory)
    alike = np.clip(alike + (1 + 4 * alike) / safe, 0.0, _MOST_ALIKE)
    honest = error * np.sqrt((1 + alike) / (1 - alike))
    window = float(t_s[-1] - t_s[0])
    clear = usable & (np.abs(slope) > errors * honest) & (np.abs(slope) * window > 2 * resolution)
    clear &= _still_going(there, y, slope)
    clear &= np.abs(slope) * window > 1e-9 * np.maximum(np.abs(y_mid), 1e-12)
    return [
        Trend(
            per_s=float(slope[i]),
            window_s=window,
            clear=bool(clear[i]),
            error_per_s=float(honest[i]),
            scatter=float(scatter[i]),
        )
        if usable[i]
        else None
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
