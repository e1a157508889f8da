"""A channel's readings in brief: enough to know where something happened, and what was usual.

A recording is a row of pieces (files, journals). The digest of a piece says what a walk over its readings
needs to pass it by; its bins give means and extremes of equal stretches of time. Both can be worked out
from the readings at any time; the store keeps them beside sealed files so that it need not be done again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.domain.model import Series, Status

WIDTHS_S = (60, 300, 1800)
"""Widths of the bins, seconds; each divides the next and the hour."""
SECOND_NS = 1_000_000_000
SICK = (Status.SUSPECT, Status.OVER, Status.UNDER, Status.NO_VALUE)
"""Statuses of an open sensor or an invalid value."""
UNHEARD = (Status.NO_REPLY, Status.BAD_REPLY, Status.LOST)
"""No complete reply came."""


def usable(series: Series) -> NDArray[np.bool_]:
    """Return which readings may start or end anything: status good, and a finite number."""
    good: NDArray[np.bool_] = (series.status == Status.GOOD) & np.isfinite(series.value)
    return good


class ChangedError(Exception):
    """The readings of a piece are not those its digest speaks of; pieces asked for anew will be true."""


class ChannelDigest(NamedTuple):
    """One channel's readings of one piece. Positions count from 0 in recorded order; -1: there is none.

    start_ns, end_ns: least and greatest stamp. low, high: over usable readings (NaN: none). sick: how
    many with a status of ``SICK``. heard, heard_ns: position and stamp of the last that was a complete
    reply (-1 and 0: none). first, last: positions of the first and last usable reading, first_value and
    last_value theirs. moved: position of the last usable reading that differs from the usable one before
    it. step: greatest distance between neighbouring usable readings, step_at: position of the later of
    the two (the first such pair).
    """

    rows: int
    usable: int
    start_ns: int
    end_ns: int
    low: float
    high: float
    sick: int
    heard: int
    heard_ns: int
    first: int
    last: int
    first_value: float
    last_value: float
    moved: int
    step: float
    step_at: int


def digest(series: Series) -> ChannelDigest:
    """Return the digest of readings. There must be at least one."""
    good = np.flatnonzero(usable(series))
    value = series.value[good]
    steps = np.abs(np.diff(value))
    moving = np.flatnonzero(steps)
    widest = int(np.argmax(steps)) if len(steps) else -1
    heard = np.flatnonzero(~np.isin(series.status, UNHEARD)) if series.status.any() else [len(series) - 1]
    there = len(good) > 0
    return ChannelDigest(
        rows=len(series), usable=len(good), start_ns=int(series.t_ns.min()), end_ns=int(series.t_ns.max()),
        low=float(value.min()) if there else np.nan, high=float(value.max()) if there else np.nan,
        sick=int(np.isin(series.status, SICK).sum()) if series.status.any() else 0,
        heard=int(heard[-1]) if len(heard) else -1,
        heard_ns=int(series.t_ns[heard[-1]]) if len(heard) else 0,
        first=int(good[0]) if there else -1, last=int(good[-1]) if there else -1,
        first_value=float(value[0]) if there else np.nan, last_value=float(value[-1]) if there else np.nan,
        moved=int(good[moving[-1] + 1]) if len(moving) else -1,
        step=float(steps[widest]) if len(steps) else 0.0,
        step_at=int(good[widest + 1]) if len(steps) else -1,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bins:
    """Stretches of equal width that hold readings, in order of time.

    number: of the bin: its start is number x width_s after 1970-01-01 UTC. rows, usable: readings in it.
    mean, low, high: of the usable ones, NaN where there are none.
    """

    width_s: int
    number: NDArray[np.int64]
    rows: NDArray[np.int64]
    usable: NDArray[np.int64]
    mean: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.number)


def bins(series: Series, width_s: int) -> Bins:
    """Return the readings in bins: in the narrowest ones first, those joined to the width asked for."""
    narrow = _narrow(series)
    return narrow if width_s == narrow.width_s else coarser(narrow, width_s)


def _narrow(series: Series) -> Bins:
    width_s = WIDTHS_S[0]
    at = series.t_ns // (width_s * SECOND_NS)
    good = usable(series)
    if len(at) and (np.diff(at) < 0).any():  # stamps that step back: a bin's readings need not be together
        order = np.argsort(at, kind="stable")
        at, good, value = at[order], good[order], series.value[order]
    else:
        value = series.value
    value = np.where(good, value, np.nan)
    single = np.ones(len(at), np.int64)
    return _reduced(Bins(
        width_s=width_s, number=at, rows=single, usable=good.astype(np.int64),
        mean=value, low=value, high=value,
    ))  # fmt: skip


def coarser(fine: Bins, width_s: int) -> Bins:
    """Return bins joined to a width that is a multiple of theirs."""
    return _reduced(replace(fine, width_s=width_s, number=fine.number * fine.width_s // width_s))


def merged(parts: Sequence[Bins], width_s: int) -> Bins:
    """Return the bins of consecutive pieces as one; what several of them hold is joined."""
    if len(parts) == 1:
        return parts[0]
    if not parts:
        return none(width_s)
    joined = Bins(width_s=width_s, **{
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in ("number", "rows", "usable", "mean", "low", "high")
    })  # fmt: skip
    steps = np.diff(joined.number)
    if (steps > 0).all():
        return joined
    order = np.argsort(joined.number, kind="stable")
    sorted_ = Bins(width_s=width_s, **{
        name: getattr(joined, name)[order] for name in ("number", "rows", "usable", "mean", "low", "high")
    })  # fmt: skip
    return coarser(sorted_, width_s)


def none(width_s: int) -> Bins:
    """Return no bins."""
    counts, values = np.empty(0, np.int64), np.empty(0, np.float64)
    return Bins(
        width_s=width_s, number=counts, rows=counts, usable=counts, mean=values, low=values, high=values
    )


def _reduced(rows: Bins) -> Bins:
    """Return bins with neighbours of the same number joined."""
    if not len(rows):
        return none(rows.width_s)
    begins = np.flatnonzero(np.diff(rows.number, prepend=rows.number[0] - 1))
    good = rows.usable
    count = np.add.reduceat(good, begins)
    total = np.add.reduceat(np.where(good > 0, rows.mean * good, 0.0), begins)
    least = np.minimum.reduceat(np.where(good > 0, rows.low, np.inf), begins)
    most = np.maximum.reduceat(np.where(good > 0, rows.high, -np.inf), begins)
    some = count > 0
    return Bins(
        width_s=rows.width_s, number=rows.number[begins],
        rows=np.add.reduceat(rows.rows, begins), usable=count,
        mean=np.where(some, total / np.maximum(count, 1), np.nan),
        low=np.where(some, least, np.nan), high=np.where(some, most, np.nan),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """A channel's readings in one file or journal: the digest at once, the rest when it is asked for.

    series: all its readings. bins: its readings in bins of one of ``WIDTHS_S``.
    """

    digest: ChannelDigest
    series: Callable[[], Series]
    bins: Callable[[int], Bins]


def whole(series: Series) -> Piece:
    """Return readings at hand as a piece. There must be at least one."""
    return Piece(digest=digest(series), series=lambda: series, bins=lambda width_s: bins(series, width_s))
