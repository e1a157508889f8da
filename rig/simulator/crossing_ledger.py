"""The record of every true crossing: straight lines between steps, so each moment is exact."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Row = NDArray[np.float64]


@dataclass(slots=True, kw_only=True)
class Crossing:
    """One true excursion: when the true quantity left its limit and, perhaps, when it came back.

    out_ns, back_ns: CLOCK_BOOTTIME. Back means the deadband inside the limit. ``before``: it was
    already out when the room started.
    """

    channel: str
    side: str
    limit: float
    out_ns: int
    back_ns: int | None = None
    before: bool = False


class CrossingLedger:
    """Watches one row of true quantities. high, low: limits (NaN for none); band: deadbands."""

    def __init__(self, channels: Sequence[str], *, high: Row, low: Row, band: Row) -> None:
        self.channels = tuple(channels)
        self.crossings: list[Crossing] = []
        self._high = high
        self._low = low
        self._band = band
        self._open: dict[tuple[int, str], Crossing] = {}

    def begin(self, row: Row, at_ns: int) -> None:
        """Note what is out at the first instant."""
        for place, side in self._outside(row):
            self._leave(place, side, at_ns, before=True)

    def watch(self, last: Row, now: Row, last_ns: int, now_ns: int) -> None:
        """Note what left its limits, or came back, on the straight way from ``last`` to ``now``."""
        for place, side in self._outside(now):
            if (place, side) not in self._open:
                level = self._limit(place, side)
                self._leave(place, side, _met(last[place], now[place], level, last_ns, now_ns))
        for (place, side), crossing in list(self._open.items()):
            inward = -1.0 if side == "high" else 1.0
            level = crossing.limit + inward * float(self._band[place])
            if (now[place] - level) * inward >= 0.0:
                crossing.back_ns = _met(last[place], now[place], level, last_ns, now_ns)
                del self._open[place, side]

    def _outside(self, row: Row) -> list[tuple[int, str]]:
        return [(int(place), "high") for place in np.flatnonzero(row > self._high)] + [
            (int(place), "low") for place in np.flatnonzero(row < self._low)
        ]

    def _limit(self, place: int, side: str) -> float:
        return float((self._high if side == "high" else self._low)[place])

    def _leave(self, place: int, side: str, at_ns: int, *, before: bool = False) -> None:
        crossing = Crossing(
            channel=self.channels[place],
            side=side,
            limit=self._limit(place, side),
            out_ns=at_ns,
            before=before,
        )
        self.crossings.append(crossing)
        self._open[place, side] = crossing


def _met(last: float, now: float, level: float, last_ns: int, now_ns: int) -> int:
    """Return the instant at which the straight line from ``last`` to ``now`` meets ``level``."""
    if now == last:
        return last_ns
    share = min(max((level - float(last)) / float(now - last), 0.0), 1.0)
    return last_ns + round(share * (now_ns - last_ns))
