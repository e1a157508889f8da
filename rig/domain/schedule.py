"""When to poll next, when to try again, and how late polls were."""

from __future__ import annotations

import math
from dataclasses import dataclass, field


@dataclass(slots=True, kw_only=True)
class Cadence:
    """Deadlines on a fixed grid: start + k x period, so lateness never adds up to drift.

    All times are monotonic ns. ``due_ns`` is the next deadline.
    """

    period_ns: int
    due_ns: int

    def advance(self, now_ns: int) -> int:
        """Move to the first deadline after ``now_ns``; return how many deadlines were skipped."""
        steps = max(1, (now_ns - self.due_ns) // self.period_ns + 1)
        self.due_ns += steps * self.period_ns
        return steps - 1

    def change(self, period_ns: int, now_ns: int) -> None:
        """Poll with another period from now on."""
        if period_ns != self.period_ns:
            self.period_ns = period_ns
            self.due_ns = min(self.due_ns, now_ns + period_ns)


@dataclass(slots=True, kw_only=True)
class Backoff:
    """Growing waits between tries of something that fails; never gives up.

    The n-th wait is first x 2^n, at most ``cap_s``. ``failures`` counts failures in a row.
    """

    first_s: float
    cap_s: float = 30.0
    failures: int = 0

    def failed(self) -> float:
        """Note a failure; return how long to wait before the next try, in seconds."""
        wait_s = min(self.cap_s, self.first_s * 2.0 ** min(self.failures, 30))
        self.failures += 1
        return wait_s

    def worked(self) -> None:
        """Note a success: the next failure waits short again."""
        self.failures = 0


_GROWTH = 1.05


@dataclass(slots=True)
class Lateness:
    """A histogram of how late polls began, in logarithmic steps of 5 %; bounded memory for any run."""

    counts: dict[int, int] = field(default_factory=dict)
    total: int = 0
    worst_ns: int = 0

    def note(self, late_ns: int) -> None:
        """Count one poll that began ``late_ns`` after its deadline (negative counts as zero)."""
        microseconds = late_ns / 1e3
        step = math.ceil(math.log(microseconds, _GROWTH)) if microseconds > 1.0 else 0
        self.counts[step] = self.counts.get(step, 0) + 1
        self.total += 1
        self.worst_ns = max(self.worst_ns, late_ns)

    def quantile_ms(self, fraction: float) -> float:
        """Return the lateness not exceeded by ``fraction`` of the polls, in ms (upper edge of its step)."""
        wanted = fraction * self.total
        seen = 0
        for step in sorted(self.counts):
            seen += self.counts[step]
            if seen >= wanted:
                return min(_GROWTH**step / 1e3, self.worst_ns / 1e6)
        return 0.0
