"""Time intervals as bars of characters on one axis."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from rig.render.text_layout import fit

_FINEST_S = 1e-9
"""Stamps are whole nanoseconds; nothing shorter bends an axis."""
_CROWDED = 0.5
"""Where bars and the gaps between them are shorter than this share of a cell, the axis bends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One interval: label, seconds relative to the reference; None where a side is open."""

    label: str
    earliest_s: float | None
    latest_s: float | None
    best_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """From seconds to cells.

    ``bend_s``: 0 for a linear axis; else the axis is linear within about that many seconds of the
    reference and logarithmic beyond (inverse hyperbolic sine), so that a death of seconds and its
    consequences of hours fit on one line.
    """

    low_s: float
    high_s: float
    width: int
    bend_s: float

    def cell(self, seconds: float) -> int:
        """Return the cell of a time, within the axis."""
        low, high, here = (self._bent(s) for s in (self.low_s, self.high_s, seconds))
        return min(self.width - 1, max(0, math.floor((here - low) / (high - low) * self.width)))

    def _bent(self, seconds: float) -> float:
        return math.asinh(seconds / self.bend_s) if self.bend_s else seconds

    def seconds(self, cell: int) -> float:
        """Return the time in the middle of a cell."""
        low, high = self._bent(self.low_s), self._bent(self.high_s)
        here = low + (cell + 0.5) / self.width * (high - low)
        return self.bend_s * math.sinh(here) if self.bend_s else here


def axis(bars: Sequence[Bar], width: int) -> Axis:
    """Return an axis that shows all bars, with a margin of a twentieth on both sides."""
    known = [s for bar in bars for s in (bar.earliest_s, bar.latest_s, bar.best_s) if s is not None] or [0.0]
    low, high = min(*known, 0.0), max(*known, 0.0)
    reach = max(high - low, 1e-6)
    margin = reach / 20
    low, high = low - margin, high + margin
    widths = sorted(
        bar.latest_s - bar.earliest_s
        for bar in bars
        if bar.earliest_s is not None and bar.latest_s is not None
    )
    moments = sorted(bar.best_s for bar in bars if bar.best_s is not None)
    gaps = [b - a for a, b in itertools.pairwise(moments) if b > a]
    closest = min(gaps, default=reach)
    typical = widths[len(widths) // 2] if widths else 0.0
    needed = max(closest, typical, _FINEST_S)
    bend = needed if 0 < needed < reach / width * _CROWDED else 0.0
    return Axis(low_s=low, high_s=high, width=width, bend_s=bend)


def chart(bars: Sequence[Bar], width: int, label_width: int) -> list[str]:
    """Return an axis and one line per bar: ``[``, ``=``, ``]`` for the interval, ``*`` for the best estimate.

    ``<`` and ``>`` stand where a side is open; ``:`` marks the reference.
    """
    cells = width - label_width - 1
    scale = axis(bars, cells)
    zero = scale.cell(0.0)
    lines = [" " * (label_width + 1) + _ticks(scale, zero)]
    for bar in bars:
        drawn = ["·"] * cells
        drawn[zero] = ":"
        first = 0 if bar.earliest_s is None else scale.cell(bar.earliest_s)
        last = cells - 1 if bar.latest_s is None else scale.cell(bar.latest_s)
        for at in range(first, last + 1):
            drawn[at] = "="
        if last > first:
            drawn[first] = "<" if bar.earliest_s is None else "["
            drawn[last] = ">" if bar.latest_s is None else "]"
        if bar.best_s is not None:
            drawn[scale.cell(bar.best_s)] = "*"
        lines.append(f"{fit(bar.label, label_width)} {''.join(drawn)}")
    if scale.bend_s:
        lines.append(fit("(the axis is logarithmic away from 0)", width, right=True))
    return lines


def _ticks(scale: Axis, zero: int) -> str:
    """Return the line of times above the bars: both ends, and 0 where there is room for it."""
    left, right = _label(scale.low_s), _label(scale.high_s)
    line = list(left + " " * max(0, scale.width - len(left) - len(right)) + right)[: scale.width]
    if len(left) + 1 < zero < scale.width - len(right) - 2:
        line[zero] = "0"
    return "".join(line)


def _label(seconds: float) -> str:
    for bound, name, length in ((100.0, "s", 1.0), (6000.0, "min", 60.0), (math.inf, "h", 3600.0)):
        if abs(seconds) < bound:
            return f"{seconds / length:+.3g} {name}"
    return ""
