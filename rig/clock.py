"""The three clocks of a recording, behind one small interface.

Deadlines and intervals use ``monotonic_ns``; stamps use ``boot_ns`` (it counts through suspend and
never steps); the wall clock only labels. Nothing else in the project reads a clock.
"""

from __future__ import annotations

import ctypes
import time
from pathlib import Path
from typing import Protocol

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class Clock(Protocol):
    """What the daemon needs to know about time. All values are integer nanoseconds."""

    def monotonic_ns(self) -> int:
        """Return CLOCK_MONOTONIC; stops in suspend. For deadlines."""
        ...

    def boot_ns(self) -> int:
        """Return CLOCK_BOOTTIME; counts through suspend. For stamps."""
        ...

    def utc_ns(self) -> int:
        """Return the wall clock since 1970-01-01 UTC; may step at any time. For labels only."""
        ...

    def boot_id(self) -> str:
        """Return the identity of this boot of the machine."""
        ...


class SystemClock:
    """The clocks of this machine."""

    def monotonic_ns(self) -> int:
        """Return CLOCK_MONOTONIC in ns."""
        return time.monotonic_ns()

    def boot_ns(self) -> int:
        """Return CLOCK_BOOTTIME in ns."""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)

    def utc_ns(self) -> int:
        """Return the wall clock in ns."""
        return time.time_ns()

    def boot_id(self) -> str:
        """Return the kernel's boot id."""
        return _BOOT_ID.read_text(encoding="ascii").strip()


SYSTEM = SystemClock()


_TIMEX_BYTES = 256
_TIME_ERROR = 5


def wall_clock_synchronised() -> bool:
    """Return whether the kernel holds the wall clock for synchronised (adjtimex does not say TIME_ERROR)."""
    libc = ctypes.CDLL(None, use_errno=True)
    state = libc.adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    return bool(0 <= state != _TIME_ERROR)
