"""One bus and its polling thread: replaced and reported when it hangs or ends.

Nothing here touches the bus; it looks at the poller's deadline and at whether its thread lives.
"""

from __future__ import annotations

from collections.abc import Callable

from rig.clock import Clock
from rig.daemon.observers.record_observer import Announce
from rig.daemon.poller import Poller
from rig.domain.formatting import duration
from rig.domain.model import EventKind
from rig.domain.schedule import Backoff

CALM_NS = 600 * 1_000_000_000
"""A thread that lived this long before it ended is started again at once."""
MOST_ABANDONED = 3
"""Hung threads of one bus after which reopening waits: each may hold memory for ever."""


class SupervisedBus:
    """Bus whose polling survives its thread. ``poller``: the one that polls it now.

    make: returns another poller of this bus, not started.
    """

    def __init__(self, name: str, make: Callable[[], Poller], announce: Announce, clock: Clock) -> None:
        self.name = name
        self.poller = make()
        self._make = make
        self._announce = announce
        self._clock = clock
        self._abandoned_pollers: list[Poller] = []
        self._times_hung = 0
        self._restarts = Backoff(first_s=1.0, cap_s=300.0)
        self._restart_ns: int | None = None
        self._started_ns = 0

    @property
    def abandoned(self) -> int:
        """Number of abandoned threads that still hang; one whose call returned has ended."""
        self._abandoned_pollers = [one for one in self._abandoned_pollers if one.is_alive()]
        return len(self._abandoned_pollers)

    @property
    def is_known(self) -> bool:
        """Whether the bus works, or it has been reported that it does not."""
        if self.abandoned >= MOST_ABANDONED:
            return True  # reported, and left alone on purpose
        if self._restart_ns is not None:
            return True  # reported, and started again in its time
        return self.poller.is_alive() and not self._is_late()

    def join(self) -> None:
        """Wait for the thread that was told to stop, for as long as its call under way may take."""
        self.poller.join(max((one.timeout_s for one in self.poller.instruments), default=0.0) + 1.0)

    def look(self) -> None:
        """Replace a thread that hangs or has ended, when it is due."""
        if self._restart_ns is not None:
            self._restart_if_due()
        elif not self.poller.is_alive():
            self._ended()
        elif self._is_late():
            self._hung()

    def _is_late(self) -> bool:
        return bool(self.poller.deadline_ns) and self._clock.monotonic_ns() > self.poller.deadline_ns

    def _hung(self) -> None:
        """Abandon a hung thread and reopen the bus: at once the first times, then after longer waits."""
        if self.abandoned >= MOST_ABANDONED:
            return
        now_ns, poller = self._clock.monotonic_ns(), self.poller
        if now_ns - self._started_ns > CALM_NS:
            self._times_hung = 0
            self._restarts.worked()
        wait_s = self._restarts.failed() if self._times_hung >= MOST_ABANDONED else 0.0
        self._times_hung += 1
        self._abandoned_pollers.append(poller)
        poller.give_up()
        again = f"to be reopened in {duration(wait_s)}" if wait_s else "reopened"
        times = self._times_hung
        self._announce(
            EventKind.BUS_STUCK,
            self.name,
            f"bus {self.name} hung in {poller.doing!r}: call abandoned, bus {again} ({times} times)",
            {"cause": "stuck call", "doing": poller.doing, "times": times, "wait_s": wait_s},
        )
        self._restart_ns = now_ns + round(wait_s * 1e9)
        self._restart_if_due()

    def _ended(self) -> None:
        """Start an ended thread again: at once the first time, later each time after a longer wait."""
        now_ns = self._clock.monotonic_ns()
        if now_ns - self._started_ns > CALM_NS:
            self._restarts.worked()
        wait_s = self._restarts.failed() if self._restarts.failures else 0.0
        self._restarts.failures = max(1, self._restarts.failures)
        self._restart_ns = now_ns + round(wait_s * 1e9)
        again = f"restart in {duration(wait_s)}" if wait_s else "restarted"
        error = repr(self.poller.failure)
        self._announce(
            EventKind.BUS_STUCK,
            self.name,
            f"thread of bus {self.name} ended by an error in soakrig, {again}: {error}",
            {"cause": "thread ended", "error": error, "wait_s": wait_s},
        )
        self._restart_if_due()

    def _restart_if_due(self) -> None:
        now_ns = self._clock.monotonic_ns()
        if self._restart_ns is not None and now_ns >= self._restart_ns:
            self._restart_ns = None
            self._started_ns = now_ns
            self.poller = self._make()
            self.poller.start()
