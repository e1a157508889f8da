"""Which channels are about to leave a limit: those worth polling faster, because order is bought there.

A channel is urgent while it lies beyond a bound or its warning (the live limits know that), or when,
going on as it moves now, it would reach a bound within a horizon. Movement is a smoothed difference
between readings, so a single noisy reading seldom counts, and a wrong alarm costs only a few fast polls.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.domain.model import Channel, Scan, Side

SMOOTHING = 0.5
"""Weight of the newest difference."""


@dataclass(slots=True)
class _UrgentBlock:
    names: tuple[str, ...]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    last: NDArray[np.float64]
    slope: NDArray[np.float64]
    last_ns: int = 0


class Urgency:
    """Follows every block with limits; ``horizon_s``: how far ahead to look."""

    def __init__(
        self, blocks: Sequence[tuple[str, ...]], channels: Mapping[str, Channel], horizon_s: float
    ) -> None:
        self._horizon_s = horizon_s
        self._blocks: list[_UrgentBlock | None] = [
            _block([channels[name] for name in names]) for names in blocks
        ]

    def feed(self, scan: Scan) -> list[str]:
        """Return the channels of this scan that would reach a bound within the horizon."""
        block = self._blocks[scan.block]
        if block is None:
            return []
        values = np.array(scan.values)
        elapsed_s = (scan.received_ns - block.last_ns) / 1e9
        block.last_ns = scan.received_ns
        if elapsed_s <= 0.0:
            return []
        with np.errstate(invalid="ignore", divide="ignore"):
            fresh = (values - block.last) / elapsed_s
            known = np.isfinite(fresh)
            smoothed = np.where(
                np.isfinite(block.slope), block.slope + SMOOTHING * (fresh - block.slope), 0.0
            )
            block.slope = np.where(known, smoothed, np.nan)
            block.last = values
            # both the smoothed and the newest movement must go there: noise reverses, trouble does not
            rising = np.minimum(block.slope, fresh)
            falling = np.maximum(block.slope, fresh)
            up_s = np.where(rising > 0.0, (block.high - values) / rising, np.inf)
            down_s = np.where(falling < 0.0, (block.low - values) / falling, np.inf)
            soon = np.minimum(up_s, down_s) < self._horizon_s
        return [block.names[at] for at in np.flatnonzero(soon)]


def _block(channels: Sequence[Channel]) -> _UrgentBlock | None:
    if not any(channel.limits for channel in channels):
        return None
    low = np.full(len(channels), -np.inf)
    high = np.full(len(channels), np.inf)
    for at, channel in enumerate(channels):
        for limit in channel.limits:
            if limit.side is Side.HIGH:
                high[at] = min(high[at], limit.value)
            else:
                low[at] = max(low[at], limit.value)
    nothing = np.full(len(channels), np.nan)
    return _UrgentBlock(
        tuple(channel.name for channel in channels), low, high, nothing.copy(), nothing.copy()
    )
