"""Limit crossings and onsets: intervals as bars on one axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rig.domain.formatting import duration
from rig.render.charts.drawing import (
    Anchor,
    Drawing,
    Label,
    Part,
    Shape,
    Sign,
    across,
    box,
    line,
    shortened,
    upright,
)
from rig.render.timeline import Axis, Bar, axis

_ROW, _HEAD, _FOOT = 26.0, 22.0, 26.0
_CELL = 5.0
_FINE = 10
"""Cells of the axis for each pixel."""
_TICKS_S = (
    0.0, *(sign * s for s in (
        0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200,
        3 * 3600, 6 * 3600, 12 * 3600, 86400, 2 * 86400, 5 * 86400, 10 * 86400, 20 * 86400, 50 * 86400,
    ) for sign in (1, -1)),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class IntervalRow:
    """One channel: its range of ranks as text (empty: none), and its intervals."""

    rank: str
    channel: str
    crossing: Bar | None
    onset: Bar | None = None


def draw(rows: Sequence[IntervalRow], title: str, description: str, width: float) -> Drawing:
    """Return the rows as a drawing of this width; times count from the reference."""
    narrow = width < 600
    left = width * (0.36 if narrow else 0.26)
    right = width - 14.0
    bars = [bar for row in rows for bar in (row.crossing, row.onset) if bar is not None]
    readable = axis(bars, round((right - left) / _CELL))  # bends where bars would be narrower than a cell
    scale = _Pixels(axis=replace(readable, width=round((right - left) * _FINE)), left=left)
    bottom = _HEAD + _ROW * len(rows)
    parts: list[Part] = [*_ticks(scale, right, bottom, narrow)]
    for number, row in enumerate(rows):
        parts += _row(row, scale, _HEAD + _ROW * number, left, right)
    if scale.axis.bend_s:
        words = "axis logarithmic away from 0"
        parts.append(Label(x=right, y=bottom + 18.0, text=words, look="quiet", anchor=Anchor.END))
    return Drawing(
        width=width, height=bottom + _FOOT, title=title, description=description, parts=tuple(parts)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pixels:
    axis: Axis
    left: float

    def at(self, seconds: float) -> float:
        return self.left + (self.axis.cell(seconds) + 0.5) / _FINE


def _ticks(scale: _Pixels, right: float, bottom: float, narrow: bool) -> list[Part]:
    parts: list[Part] = []
    taken: list[tuple[float, float]] = []
    for seconds in _chosen(scale):
        x = scale.at(seconds)
        words = "0" if seconds == 0 else f"{'+' if seconds > 0 else ''}{duration(seconds)}"
        half = 3.4 * len(words) + (5.0 if narrow else 9.0)
        if any(x - half < end and x + half > start for start, end in taken) or x + half > right + 16.0:
            continue
        taken.append((x - half, x + half))
        parts.append(upright(x, _HEAD - 4.0, bottom, "reference" if seconds == 0 else "grid"))
        parts.append(Label(x=x, y=_HEAD - 8.0, text=words, look="quiet", anchor=Anchor.MIDDLE))
    return parts


def _chosen(scale: _Pixels) -> list[float]:
    """Return where marks may stand, the better ones first."""
    low, high = scale.axis.low_s, scale.axis.high_s
    inside = [s for s in _TICKS_S if low <= s <= high]
    if scale.axis.bend_s:
        return [s for s in inside if s == 0 or abs(s) >= scale.axis.bend_s]
    step = next((s for s in _TICKS_S if s > 0 and (high - low) / s <= 9), high - low)
    first, last = int(-(-low // step)), int(high // step)
    return sorted((number * step for number in range(first, last + 1)), key=abs)


def _row(row: IntervalRow, scale: _Pixels, top: float, left: float, right: float) -> list[Part]:
    words = f"{row.rank}  {row.channel}" if row.rank else row.channel
    parts: list[Part] = [
        Label(x=left - 8.0, y=top + 17.0, text=shortened(words, left - 12.0), anchor=Anchor.END),
        across(left, right, top + _ROW, "grid"),
    ]
    if row.onset is not None:
        first, last = _ends(row.onset, scale, left, right)
        parts.append(across(first, last, top + 20.0, "onset"))
        if row.onset.best_s is not None:
            x = scale.at(row.onset.best_s)
            parts.append(Sign(x=x, y=top + 20.0, shape=Shape.DIAMOND, look="onset"))
    if row.crossing is not None:
        parts += _bar(row.crossing, scale, top, left, right)
    return parts


def _bar(bar: Bar, scale: _Pixels, top: float, left: float, right: float) -> list[Part]:
    first, last = _ends(bar, scale, left, right)
    last = max(last, first + 1.5)
    parts: list[Part] = [box(first, top + 5.0, last, top + 15.0, "interval")]
    for open_side, x, step in ((bar.earliest_s is None, first, 6.0), (bar.latest_s is None, last, -6.0)):
        if open_side:
            arrow = ((x + step, top + 4.0), (x, top + 10.0), (x + step, top + 16.0))
            parts.append(line(arrow, "best"))
    if bar.best_s is not None:
        parts.append(upright(scale.at(bar.best_s), top + 3.0, top + 17.0, "best"))
    return parts


def _ends(bar: Bar, scale: _Pixels, left: float, right: float) -> tuple[float, float]:
    first = left if bar.earliest_s is None else scale.at(bar.earliest_s)
    last = right if bar.latest_s is None else scale.at(bar.latest_s)
    return first, last
