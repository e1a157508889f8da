"""When a disk will be full: by the room that is left, and by how fast it has been going. Pure."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from rig.domain.formatting import counted, duration, size

HOUR_NS = 3_600_000_000_000
DAY_NS = 24 * HOUR_NS
LEAST_BYTES = 256 << 20
"""Sealing an hour wants twice the largest journal (64 MiB); below this the disk is called short."""
LEAST_INODES = 1000
SOON_NS = 3 * DAY_NS
"""A disk that will be full within a weekend is worth a walk today (common practice, no source)."""
AGAIN_NS = DAY_NS
_SPAN_NS = 6 * HOUR_NS
"""How far back the pace is taken: journals grow for an hour and shrink when they are sealed."""


@dataclass(slots=True)
class SpaceWatch:
    """Says once a day that room is short, and at once again after it had been enough."""

    _seen: deque[tuple[int, int, int]] = field(default_factory=deque)
    _reported_ns: int | None = None

    def look(self, now_ns: int, free_bytes: int, free_inodes: int) -> str:
        """Return the warning about disk space that is due, '' for none.

        now_ns: of a clock that never steps; free_inodes: negative where the file system counts none.
        """
        self._seen.append((now_ns, free_bytes, free_inodes))
        while now_ns - self._seen[0][0] > _SPAN_NS:
            self._seen.popleft()
        left_ns = self._left_ns()
        inodes_short = 0 <= free_inodes < LEAST_INODES
        if free_bytes >= LEAST_BYTES and not inodes_short and (left_ns is None or left_ns >= SOON_NS):
            if free_bytes >= 2 * LEAST_BYTES and (left_ns is None or left_ns >= 2 * SOON_NS):
                self._reported_ns = None
            return ""
        if self._reported_ns is not None and now_ns - self._reported_ns < AGAIN_NS:
            return ""
        self._reported_ns = now_ns
        room = f"{size(free_bytes)} free"
        if inodes_short:
            room += f", and {counted(free_inodes, 'file')} more"
        pace = "" if left_ns is None else f"; full in {duration(left_ns / 1e9)} at the rate of the last hours"
        return f"disk space low: {room}{pace}; nothing is lost yet"

    def _left_ns(self) -> int | None:
        """Return how long the room lasts at the pace so far; None while that is not known or it grows."""
        (first_ns, first_bytes, first_inodes), (last_ns, free_bytes, free_inodes) = (
            self._seen[0],
            self._seen[-1],
        )
        if last_ns - first_ns < HOUR_NS:
            return None
        left = [
            free * (last_ns - first_ns) // (before - free)
            for before, free in ((first_bytes, free_bytes), (first_inodes, free_inodes))
            if before > free >= 0
        ]
        return min(left, default=None)
