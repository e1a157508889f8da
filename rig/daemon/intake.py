"""Bounded queue from the pollers to the recorder.

A poller never waits here. When the recorder falls so far behind that the queue is full, scans are
counted as lost, per source, and the recorder turns the count into a recorded gap. Notices (events) are
few and are never dropped.
"""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from rig.domain.model import EventKind, Scan


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """Event for the recorder; ``boot_ns`` is CLOCK_BOOTTIME."""

    kind: EventKind
    boot_ns: int
    subject: str
    text: str
    data: Mapping[str, Any] = field(default_factory=dict)


@dataclass(slots=True)
class _LostScans:
    scans: int
    first_ns: int
    last_ns: int


class Intake:
    """A bounded queue of scans and notices with one taker."""

    def __init__(self, size: int = 20_000) -> None:
        self._queue: queue.Queue[Scan | Notice] = queue.Queue(size)
        self._overflow: deque[Notice] = deque()
        self._lost: dict[str, _LostScans] = {}
        self._lock = threading.Lock()

    def scan(self, scan: Scan, source: str) -> None:
        """Hand over a scan; if there is no room it is counted as lost under ``source``."""
        try:
            self._queue.put_nowait(scan)
        except queue.Full:
            with self._lock:
                lost = self._lost.setdefault(source, _LostScans(0, scan.sent_ns, scan.received_ns))
                lost.scans += 1
                lost.last_ns = scan.received_ns

    def notice(self, notice: Notice) -> None:
        """Hand over an event; never lost."""
        try:
            self._queue.put_nowait(notice)
        except queue.Full:
            self._overflow.append(notice)

    def take(self, timeout_s: float, most: int = 4096) -> list[Scan | Notice]:
        """Return what has arrived, in order; wait up to ``timeout_s`` for the first item."""
        items: list[Scan | Notice] = []
        try:
            items.append(self._queue.get(timeout=timeout_s))
            while len(items) < most:
                items.append(self._queue.get_nowait())
        except queue.Empty:
            pass
        while self._overflow:
            items.append(self._overflow.popleft())
        items.extend(self._gaps())
        return items

    def depth(self) -> int:
        """Return how many items wait."""
        return self._queue.qsize() + len(self._overflow)

    def _gaps(self) -> list[Notice]:
        if not self._lost:
            return []
        with self._lock:
            lost, self._lost = self._lost, {}
        return [
            Notice(
                kind=EventKind.GAP,
                boot_ns=one.last_ns,
                subject=source,
                text=f"{one.scans} scans lost: the queue to the recorder was full",
                data={
                    "cause": "queue-full",
                    "scans": one.scans,
                    "from_ns": one.first_ns,
                    "to_ns": one.last_ns,
                },
            )
            for source, one in lost.items()
        ]
