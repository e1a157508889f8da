"""Notes about the files of a run: what was skipped and why, what is where."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from rig.domain.model import Series
from rig.store.catalogue import Sealed

HOUR_NS = 3_600_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Skipped:
    """A file, or part of one, that a reading of the run does not contain, and why.

    start_ns, end_ns: the stretch of time that is missing with it (UTC), None where that is not known.
    """

    path: Path
    reason: str
    start_ns: int | None = None
    end_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSpan:
    """A stretch of one channel as a file's footer tells it, without reading the readings.

    start_ns, end_ns: first and last stamp (UTC). low, high: least and greatest value, NaN where no
    reading carries a number. worst: greatest status code. rows: number of readings.
    """

    source: str
    start_ns: int
    end_ns: int
    low: float
    high: float
    worst: int
    rows: int


def stretch_of(source: str, series: Series) -> ChannelSpan:
    """Return the stretch that a series of at least one reading makes up."""
    numbers = series.value[~np.isnan(series.value)]
    return ChannelSpan(
        source=source, start_ns=int(series.t_ns.min()), end_ns=int(series.t_ns.max()),
        low=float(numbers.min()) if len(numbers) else np.nan,
        high=float(numbers.max()) if len(numbers) else np.nan,
        worst=int(series.status.max()), rows=len(series),
    )  # fmt: skip


def outside(first_ns: int, last_ns: int, start_ns: int | None, end_ns: int | None) -> bool:
    """Return whether a stretch lies wholly outside of bounds (UTC ns; None: no bound)."""
    return (start_ns is not None and last_ns < start_ns) or (end_ns is not None and first_ns > end_ns)


def skipped_by(path: Path, note: Mapping[str, Any]) -> Skipped:
    """Return a note on damage (``JournalReader.faults``) in words."""
    if "pair" in note:
        return Skipped(path=path, reason=note["reason"], start_ns=note["start_ns"], end_ns=note["end_ns"])
    if "offset" not in note:
        reason = f"{note.get('journal')}: record {note.get('record')} {note.get('reason')}"
        return Skipped(path=path, reason=reason)
    first, following = note["after_seq"], note["next_seq"]
    if following is None:
        lost = f"records from {first} on are missing"
    elif following > first:
        lost = f"records {first} to {following - 1} are missing"
    else:
        lost = "no record lost"
    return Skipped(
        path=path, start_ns=note["start_ns"], end_ns=note["end_ns"],
        reason=f"{note['journal']}: {note['size']} {note['reason']} bytes at offset {note['offset']}; {lost}",
    )  # fmt: skip


def named_span(sealed: Sealed) -> tuple[int, int]:
    """Return the hour or day a sealed file's name stands for, UTC ns."""
    moment = datetime.fromisoformat(sealed.day).replace(tzinfo=UTC)
    start_ns = int(moment.timestamp()) * 1_000_000_000 + int(sealed.hour or 0) * HOUR_NS
    return start_ns, start_ns + (HOUR_NS if sealed.hour else 24 * HOUR_NS)
