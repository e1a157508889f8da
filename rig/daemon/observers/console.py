"""Console output of the logger: a line for each event that may need a person.

The recording never waits for the reader: a thread of its own prints, and what it cannot keep up with is
in the record all the same.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable

from rig.clock import Clock
from rig.domain.formatting import clock_time
from rig.domain.model import Event, EventKind, Scan

TOLD = frozenset(
    {
        EventKind.BUS_STUCK, EventKind.CLOCK_STEP, EventKind.DAMAGE, EventKind.INSTRUMENT_BACK,
        EventKind.INSTRUMENT_LOST, EventKind.LIMIT_IN, EventKind.LIMIT_OUT, EventKind.LOGGER_FAULT,
        EventKind.NO_VALID, EventKind.PHASE, EventKind.STORE_BACK, EventKind.STORE_FAULT, EventKind.STORE_LOW,
        EventKind.SWITCH, EventKind.VALID_AGAIN,
    }
)  # fmt: skip
MOST = 100
"""Lines an hour: a channel that chatters for weeks shall not fill a service's log."""
HOUR_NS = 3600 * 1_000_000_000
ENDING_S = 1.0


class Console:
    """Observer that prints events by ``say``, which may block."""

    def __init__(self, say: Callable[[str], None], clock: Clock) -> None:
        self._clock = clock
        self._since_ns = clock.monotonic_ns()
        self._count = 0
        self._lines: queue.Queue[str | None] = queue.Queue(MOST)
        self._thread = threading.Thread(target=self._talk, args=(say,), name="console", daemon=True)

    def start(self) -> None:
        """Begin to print."""
        self._thread.start()

    def scan(self, scan: Scan) -> None:
        """Pass over readings."""

    def event(self, event: Event) -> None:
        """Have an event said, if it is one of those that may want a person and not one of too many."""
        if event.kind not in TOLD:
            return
        now_ns = self._clock.monotonic_ns()
        if now_ns - self._since_ns >= HOUR_NS:
            self._since_ns, self._count = now_ns, 0
        self._count += 1
        if self._count < MOST:
            self._put(f"{clock_time(event.t_ns)} UTC  {event.text}")
        elif self._count == MOST:
            self._put(
                f"{clock_time(event.t_ns)} UTC  more than {MOST} lines in an hour: watch shows the others"
            )

    def tick(self) -> None:
        """Let time pass."""

    def close(self) -> None:
        """Wait a moment until all has been said."""
        self._put(None)
        self._thread.join(ENDING_S)

    def _put(self, line: str | None) -> None:
        with contextlib.suppress(queue.Full):
            self._lines.put_nowait(line)

    def _talk(self, say: Callable[[str], None]) -> None:
        while (line := self._lines.get()) is not None:
            say(line)
