"""Readings on a common grid of time, and stamps as text: pure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

from rig.domain.model import Series

Ints = NDArray[np.int64]
SECOND_NS = 1_000_000_000
_QUARTER_NS = 900 * SECOND_NS


def points(start_ns: int, end_ns: int, every_ns: int) -> Ints:
    """Return the multiples of ``every_ns`` (UTC ns): first not before start, ..., first not before end."""
    first, last = -(-start_ns // every_ns), -(-end_ns // every_ns)
    return np.arange(first, last + 1, dtype=np.int64) * every_ns


def held(series: Series, grid_ns: Ints, age_ns: int) -> Ints:
    """Return, for each point, the position of the last reading stamped at or before it; -1 where none is.

    A reading counts for ``age_ns`` after its stamp. Of readings with one stamp the one recorded last counts.
    """
    if not len(series):
        return np.full(len(grid_ns), -1, np.int64)
    order = np.argsort(series.t_ns, kind="stable")
    sorted_ns = series.t_ns[order]
    at = np.searchsorted(sorted_ns, grid_ns, side="right") - 1
    fresh = (at >= 0) & (grid_ns - sorted_ns[np.maximum(at, 0)] <= age_ns)
    return np.where(fresh, order[np.maximum(at, 0)], -1)


def digits_of(every_ns: int) -> int:
    """Return how many decimals of a second multiples of ``every_ns`` need: 0, 3 or 6."""
    if every_ns % SECOND_NS == 0:
        return 0
    return 3 if every_ns % 1_000_000 == 0 else 6


def utc_texts(t_ns: Ints, digits: int) -> list[str]:
    """Return stamps as ISO 8601 in UTC: ``2031-02-03T04:05:06.250Z``."""
    return [f"{text}Z" for text in _texts(t_ns, digits)]


def local_texts(t_ns: Ints, digits: int, zone: tzinfo | None) -> list[str]:
    """Return stamps as ISO 8601 in a zone (None: this machine's): ``2031-02-03T05:05:06.250+01:00``."""
    offsets = offsets_ns(t_ns, zone)
    texts = _texts(t_ns + offsets, digits)
    spoken = {one: _spoken(one) for one in set(offsets.tolist())}
    return [text + spoken[one] for text, one in zip(texts, offsets.tolist(), strict=True)]


def offsets_ns(t_ns: Ints, zone: tzinfo | None) -> Ints:
    """Return how far local time is ahead of UTC at each stamp (rules change at full quarters of an hour)."""
    quarters, where = np.unique(t_ns // _QUARTER_NS, return_inverse=True)
    made = [_offset(int(one), zone) for one in quarters.tolist()]
    return np.array(made, np.int64)[where] if made else np.empty(0, np.int64)


def _offset(quarter: int, zone: tzinfo | None) -> int:
    moment = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=quarter * 900)).astimezone(zone)
    return round((moment.utcoffset() or timedelta()).total_seconds()) * SECOND_NS


def _spoken(offset_ns: int) -> str:
    minutes = abs(offset_ns) // (60 * SECOND_NS)
    return f"{'-' if offset_ns < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def _texts(t_ns: Ints, digits: int) -> Sequence[str]:
    unit = {0: "s", 3: "ms", 6: "us"}[digits]
    fine = t_ns.astype("datetime64[ns]").astype(f"datetime64[{unit}]")
    texts: list[str] = np.datetime_as_string(fine).tolist()
    return texts
