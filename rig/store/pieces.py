"""Pieces of a channel, one per file or journal: a digest each, readings on demand.

Sealed pairs are known by their summaries. A pair without one is read once for its digest.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from rig.domain.channel_digest import Bins, ChangedError, ChannelDigest, Piece, bins, digest
from rig.domain.model import Series, Status
from rig.store.columns import within
from rig.store.pair import SealedPair

Load = Callable[[], Series | None]
"""Returns all readings of a channel in a pair; None if they cannot be read."""


@dataclass(slots=True, eq=False)
class _Sealed:
    """A channel in a sealed pair without a summary: bins are worked out once."""

    load: Callable[[], Series]
    known: dict[int, Bins] = field(default_factory=dict)

    def bins(self, width_s: int) -> Bins:
        """Return the readings in bins."""
        if width_s not in self.known:
            self.known[width_s] = bins(self.load(), width_s)
        return self.known[width_s]


def sealed_piece(pair: SealedPair, channel: str, load: Load) -> Piece | None:
    """Return a channel of a sealed pair as a piece, None if it holds none or none can be read.

    The piece's ``series`` raises ChangedError, once, where the readings are not what the summary says.
    """
    summary = pair.summary()
    known = summary.digests.get(channel) if summary is not None else None
    if summary is None or known is None:
        series = load()
        if series is None or not len(series):
            return None
        facts = digest(series)
        one = _Sealed(lambda: _as_known(load(), facts, channel))
        return Piece(digest=facts, series=one.load, bins=one.bins)

    def all_of_it() -> Series:
        series = _of_old(load(), known)
        if series is None:  # a damaged file beside a good summary: what it says of the file cannot be shown
            pair.distrust()
            raise ChangedError(f"{channel} in {pair.sealed.name}")
        return series

    def binned(width_s: int) -> Bins:
        found = summary.bins(channel, width_s)
        return bins(all_of_it(), width_s) if found is None else found

    return Piece(digest=known, series=all_of_it, bins=binned)


def _of_old(series: Series | None, known: ChannelDigest) -> Series | None:
    """Return the readings that a digest speaks of, None if these are not there."""
    if series is not None and len(series) > known.rows:  # it was merged with its neighbours meanwhile
        series = within(series, known.start_ns, known.end_ns)
    return series if series is not None and len(series) == known.rows else None


def _as_known(series: Series | None, known: ChannelDigest, channel: str) -> Series:
    """Return the readings, or as many lost ones where they cannot be read (any more)."""
    found = _of_old(series, known)
    if found is not None:
        return found
    count = known.rows
    return Series(
        channel=channel, t_ns=np.linspace(known.start_ns, known.end_ns, count).astype(np.int64),
        h_ns=np.zeros(count, np.int64), value=np.full(count, np.nan),
        status=np.full(count, Status.LOST, np.uint8), session=np.zeros(count, np.int32),
    )  # fmt: skip
