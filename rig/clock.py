"""The three clocks of a recording, behind one small interface.

Deadlines and intervals use ``monotonic_ns``; stamps use ``boot_ns`` (it counts through suspend and
never steps); the wall clock only labels. Nothing else in the project reads a clock.
"""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable
from dataclasses import dataclass
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


TRIES = 5
"""Readings of two clocks of which the tightest counts; common practice, no source."""
TIGHT_NS = 1_000_000
"""Tight enough to try no further: far below the smallest step that anything tells; own choice."""


@dataclass(frozen=True, slots=True)
class Apart:
    """How far a clock is from the boot clock, and how surely: all in ns, ``boot_ns`` when it was read."""

    offset_ns: int
    uncertainty_ns: int
    boot_ns: int


def apart(other_ns: Callable[[], int], boot_ns: Callable[[], int]) -> Apart:
    """Return how far ``other_ns`` is ahead of ``boot_ns``: the first tight one of a few tries, or the best.

    Each try reads the other clock between two readings of the boot clock, so that a process that is halted
    between them widens the uncertainty (half of what lies between) and is not taken for a step.
    """
    best = _apart_once(other_ns, boot_ns)
    for _ in range(TRIES - 1):
        if best.uncertainty_ns <= TIGHT_NS:
            break
        best = min(best, _apart_once(other_ns, boot_ns), key=lambda one: one.uncertainty_ns)
    return best


def _apart_once(other_ns: Callable[[], int], boot_ns: Callable[[], int]) -> Apart:
    before_ns = boot_ns()
    read_ns = other_ns()
    after_ns = boot_ns()
    middle_ns = (before_ns + after_ns) // 2
    return Apart(read_ns - middle_ns, (after_ns - before_ns + 1) // 2, middle_ns)


_TIMEX_BYTES = 256
_TIME_ERROR = 5


def wall_clock_synchronised() -> bool:
    """Return whether the kernel holds the wall clock for synchronised (adjtimex does not say TIME_ERROR)."""
    libc = ctypes.CDLL(None, use_errno=True)
    state = libc.adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    return bool(0 <= state != _TIME_ERROR)
