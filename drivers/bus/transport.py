"""Bytes to and from a bus, with monotonic deadlines and nothing else.

A transport knows no protocol: it opens, sends all of what it is given, hands out what has arrived, and
closes. It may raise anything the operating system or a library raises; ``drivers.bus.exchange.Link`` is
the one place that sorts those into soakrig's own errors, so no transport needs to.

Deadlines are CLOCK_MONOTONIC in ns. A transport belongs to one thread (``Link`` checks).
"""

from __future__ import annotations

import select
import time
from typing import Protocol

from rig.clock import SYSTEM
from rig.errors import BusError, shown

NS_PER_S = 1_000_000_000
CHUNK_BYTES = 65_536
GAP_NS = 50_000_000
_FULL_PAUSE_S = 0.005


class Transport(Protocol):
    """One physical connection."""

    @property
    def name(self) -> str:
        """How messages call this connection: kind and port."""
        ...

    @property
    def character_s(self) -> float:
        """Time one character takes on the wire in seconds; 0 where that is not a bottleneck."""
        ...

    def open(self) -> None:
        """Open the connection; on failure leave nothing open."""
        ...

    def send(self, data: bytes, deadline_ns: int) -> None:
        """Send all of ``data``; raises DeadlineError if the peer does not take it in time."""
        ...

    def receive(self, deadline_ns: int) -> bytes:
        """Return what has arrived, at the latest at the deadline; b'' = nothing came until then.

        A deadline that has passed means: look once, do not wait. Raises BusError when the other side
        is gone, at once and not at the deadline.
        """
        ...

    def drain(self) -> bytes:
        """Return what has arrived and was not asked for, without waiting."""
        ...

    def resync(self, quiet_until_ns: int, give_up_ns: int) -> int:
        """Make sure that no answer to an earlier question can come any more; return bytes thrown away.

        How depends on the transport: a new TCP connection is a new stream, a serial line must have
        been quiet until ``quiet_until_ns``, a message bus clears the instrument's output queue.
        Raises BusError when that cannot be had before ``give_up_ns``.
        """
        ...

    def close(self) -> None:
        """Close; may be called at any time and more than once. Never waits for the peer."""
        ...

    def abandon(self) -> None:
        """Let the instrument and the port go, for the next user; from any thread, never waits.

        For an owner that hangs in a call that will not return: the descriptor stays open, so that
        its number is given to nobody else meanwhile.
        """
        ...


class Stream(Protocol):
    """What ``discard_until_quiet`` needs."""

    @property
    def name(self) -> str:
        """For messages."""
        ...

    def receive(self, deadline_ns: int) -> bytes:
        """Return what has arrived until the deadline."""
        ...


def discard_until_quiet(stream: Stream, quiet_until_ns: int, give_up_ns: int) -> int:
    """Return how many bytes were thrown away until the line had been quiet up to ``quiet_until_ns``.

    A byte that comes late extends the wait by ``GAP_NS``, so that the rest of its reply goes with it.
    Raises BusError if something still comes at ``give_up_ns``.
    """
    count = 0
    until_ns = quiet_until_ns
    while True:
        data = stream.receive(until_ns)
        now_ns = SYSTEM.monotonic_ns()
        if not data and now_ns >= until_ns:
            return count
        if data:
            count += len(data)
            until_ns = max(quiet_until_ns, now_ns + GAP_NS)
        if now_ns > give_up_ns:
            raise BusError(
                f"{stream.name}: never quiet: {count} unsolicited bytes, the last {shown(data)}; "
                "is it set to send by itself, at another baud rate, or is a second program asking?"
            )


def remaining_ms(deadline_ns: int) -> int:
    """Return the milliseconds until a deadline, rounded up, 0 once it has passed."""
    left_ns = deadline_ns - SYSTEM.monotonic_ns()
    return max(0, -(-left_ns // 1_000_000))


def wait_readable(fd: int, deadline_ns: int) -> bool:
    """Return whether a descriptor became readable (or hung up) before the deadline.

    Uses poll(2): select(2) refuses descriptors above 1023.
    """
    poller = select.poll()
    poller.register(fd, select.POLLIN)
    return bool(poller.poll(remaining_ms(deadline_ns)))


def wait_writable(fd: int, deadline_ns: int) -> bool:
    """Return whether a descriptor became writable before the deadline."""
    poller = select.poll()
    poller.register(fd, select.POLLOUT)
    return bool(poller.poll(remaining_ms(deadline_ns)))


def pause_full() -> None:
    """Wait a moment where the kernel says *writable* and then takes nothing, as a full pty does.

    Without it the loop around a write would spin at 100 % of a core.
    """
    time.sleep(_FULL_PAUSE_S)


def passed(deadline_ns: int) -> bool:
    """Return whether a deadline is over."""
    return SYSTEM.monotonic_ns() >= deadline_ns
