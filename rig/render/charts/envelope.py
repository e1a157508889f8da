"""Envelope of a channel's readings for a picture: single-sample spikes stay visible.

Where there are more readings than columns, each column keeps the least and the greatest value in it, so
that one reading among millions is as high in the picture as it was. Where there are fewer, every reading
stands for itself. Readings without a good value are counted by column and never joined over.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.domain.model import Series, Status

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_APART = 3.0
"""How many usual intervals may lie between two good readings that are joined by a line."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UnbrokenSpan:
    """A stretch without a gap: t_ns, low and high of each column (or reading), in order of time."""

    t_ns: Ints
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class BadStretch:
    """Columns in a row that hold readings without a good value: UTC ns, and how many of each status."""

    start_ns: int
    end_ns: int
    counts: Mapping[Status, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Envelope:
    """One channel between two times (UTC ns).

    runs: lowest and highest good values; bad: where there were others; suspect: stamps and values of (some
    of) the numbers that came and cannot be; good: how many readings had a good value, of ``readings``;
    single: every run's columns are single readings; usual_s: usual time between good readings (0: unknown).
    """

    start_ns: int
    end_ns: int
    columns: int
    runs: tuple[UnbrokenSpan, ...]
    bad: tuple[BadStretch, ...]
    suspect: tuple[tuple[int, float], ...]
    counts: Mapping[Status, int]
    readings: int
    good: int
    single: bool
    usual_s: float

    @property
    def low(self) -> float:
        """Least good value, NaN without one."""
        return min((float(run.low.min()) for run in self.runs), default=float("nan"))

    @property
    def high(self) -> float:
        """Greatest good value, NaN without one."""
        return max((float(run.high.max()) for run in self.runs), default=float("nan"))

    def coarser(self, factor: int) -> Envelope:
        """Return the same with a ``factor``-th of the columns; single readings are left as they are."""
        if self.single or factor <= 1:
            return self
        columns = max(1, self.columns // factor)
        width = max(1, self.end_ns - self.start_ns) / columns
        runs = []
        for run in self.runs:
            column = np.minimum(((run.t_ns - self.start_ns) / width).astype(np.int64), columns - 1)
            heads = np.flatnonzero(np.diff(column, prepend=-1))
            counts = np.diff(np.append(heads, len(column)))
            runs.append(
                UnbrokenSpan(
                    t_ns=run.t_ns[heads + counts // 2],
                    low=np.minimum.reduceat(run.low, heads),
                    high=np.maximum.reduceat(run.high, heads),
                )
            )
        return Envelope(
            start_ns=self.start_ns, end_ns=self.end_ns, columns=columns, runs=tuple(runs), bad=self.bad,
            suspect=self.suspect, counts=self.counts, readings=self.readings, good=self.good, single=False,
            usual_s=self.usual_s,
        )  # fmt: skip


MOST_SUSPECT = 60


def envelope(
    series: Series, start_ns: int, end_ns: int, columns: int = 480, usual_s: float = 0.0
) -> Envelope:
    """Return the envelope of the readings from ``start_ns`` to ``end_ns`` in a number of columns.

    Stamps may repeat or go backwards. usual_s: time between readings where it is known beforehand.
    """
    t_ns, value, status = _within(series, start_ns, end_ns)
    good = (status == Status.GOOD) & np.isfinite(value)
    counts = np.bincount(status, minlength=len(Status))
    good_t, good_value = t_ns[good], value[good]
    usual = _usual_s(good_t, usual_s)
    single = len(good_t) <= 2 * columns
    breaks = t_ns[~good]
    if single:
        runs = _joined(good_t, good_value, good_value, max(1.0, usual * _APART * 1e9), breaks)
    else:
        width = max(1, end_ns - start_ns) / columns
        column = np.minimum(((good_t - start_ns) / width).astype(np.int64), columns - 1)
        heads = np.flatnonzero(np.diff(column, prepend=-1))
        sizes = np.diff(np.append(heads, len(column)))
        middle = good_t[heads + sizes // 2]
        low, high = np.minimum.reduceat(good_value, heads), np.maximum.reduceat(good_value, heads)
        runs = _joined(middle, low, high, max(1.5 * width, usual * _APART * 1e9), breaks[:0])
        runs = _cut(runs, good_t, usual * _APART * 1e9, 2 * width)
    suspect = (status == Status.SUSPECT) & np.isfinite(value)
    step = max(1, int(suspect.sum()) // MOST_SUSPECT)
    return Envelope(
        start_ns=start_ns,
        end_ns=end_ns,
        columns=columns,
        runs=tuple(runs),
        bad=tuple(_bad(t_ns[~good], status[~good], start_ns, end_ns, columns)),
        suspect=tuple(zip(t_ns[suspect][::step].tolist(), value[suspect][::step].tolist(), strict=True)),
        counts={Status(code): int(count) for code, count in enumerate(counts) if count},
        readings=len(t_ns),
        good=len(good_t),
        single=single,
        usual_s=usual,
    )


def _within(series: Series, start_ns: int, end_ns: int) -> tuple[Ints, Floats, NDArray[np.uint8]]:
    """Return stamps, values and statuses between two times, in order of time."""
    t_ns, value, status = series.t_ns, series.value, series.status
    if len(t_ns) > 1 and (np.diff(t_ns) < 0).any():
        order = np.argsort(t_ns, kind="stable")
        t_ns, value, status = t_ns[order], value[order], status[order]
    first, last = np.searchsorted(t_ns, start_ns, "left"), np.searchsorted(t_ns, end_ns, "right")
    return t_ns[first:last], value[first:last], status[first:last]


def _usual_s(t_ns: Ints, known_s: float) -> float:
    steps = np.diff(t_ns)
    steps = steps[steps > 0]
    median_s = float(np.median(steps)) / 1e9 if len(steps) else 0.0
    return max(known_s, median_s)


def _joined(t_ns: Ints, low: Floats, high: Floats, apart_ns: float, breaks: Ints) -> list[UnbrokenSpan]:
    """Return runs, parted where stamps lie farther apart than ``apart_ns`` or a break lies between them."""
    if not len(t_ns):
        return []
    parted = np.diff(t_ns) > apart_ns
    if len(breaks):
        between = np.searchsorted(breaks, t_ns[1:], "left") > np.searchsorted(breaks, t_ns[:-1], "right")
        parted |= between
    edges = [0, *(np.flatnonzero(parted) + 1).tolist(), len(t_ns)]
    return [UnbrokenSpan(t_ns=t_ns[a:b], low=low[a:b], high=high[a:b]) for a, b in itertools.pairwise(edges)]


def _cut(runs: list[UnbrokenSpan], t_ns: Ints, apart_ns: float, visible_ns: float) -> list[UnbrokenSpan]:
    """Return the runs parted at gaps between readings that are wide enough to be seen."""
    gaps = np.flatnonzero(np.diff(t_ns) > max(apart_ns, visible_ns))
    if not len(gaps):
        return runs
    middles = (t_ns[gaps] + t_ns[gaps + 1]) // 2
    found: list[UnbrokenSpan] = []
    for run in runs:
        stops = np.unique(np.searchsorted(run.t_ns, middles)).tolist()
        edges = [0, *(stop for stop in stops if 0 < stop < len(run.t_ns)), len(run.t_ns)]
        for a, b in itertools.pairwise(edges):
            found.append(UnbrokenSpan(t_ns=run.t_ns[a:b], low=run.low[a:b], high=run.high[a:b]))
    return found


def _bad(t_ns: Ints, status: NDArray[np.uint8], start_ns: int, end_ns: int, columns: int) -> list[BadStretch]:
    """Return the columns with readings that have no good value, neighbours joined."""
    if not len(t_ns):
        return []
    width = max(1, end_ns - start_ns) / columns
    column = np.minimum(((t_ns - start_ns) / width).astype(np.int64), columns - 1)
    heads = np.flatnonzero(np.diff(column, prepend=column[0] - 2) > 1)
    found = []
    for a, b in zip(heads, [*heads[1:], len(t_ns)], strict=True):
        counts = np.bincount(status[a:b])
        found.append(
            BadStretch(
                start_ns=int(t_ns[a]),
                end_ns=int(t_ns[b - 1]),
                counts={Status(code): int(count) for code, count in enumerate(counts) if count},
            )
        )
    return found
