"""From values and times to pixels, with marks at round numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC

import numpy as np
from numpy.typing import NDArray

from rig.domain.formatting import duration, moment

SECOND_NS = 1_000_000_000
_STEPS_S = (
    *(0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30),
    *(60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200),
    *(86400, 2 * 86400, 5 * 86400, 7 * 86400, 14 * 86400, 28 * 86400, 91 * 86400, 365 * 86400),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A straight scale: ``low`` and ``high`` (values, or ns) stand at the pixels ``start`` and ``end``."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Return the pixel of a value, kept within the scale."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + min(1.0, max(0.0, share)) * (self.end - self.start)

    def all(self, values: NDArray[np.generic]) -> NDArray[np.float64]:
        """Return the pixels of many values, kept within the scale."""
        share = (values.astype(np.float64) - self.low) / (self.high - self.low)
        result: NDArray[np.float64] = self.start + np.clip(share, 0.0, 1.0) * (self.end - self.start)
        return result

    def holds(self, value: float) -> bool:
        """Return whether a value lies on the scale."""
        return self.low <= value <= self.high


def value_ticks(low: float, high: float, most: int) -> list[tuple[float, str]]:
    """Return at most ``most`` round values between ``low`` and ``high`` with their labels."""
    span = high - low
    if not (span > 0 and math.isfinite(span)) or most < 1:
        return []
    power = 10.0 ** math.floor(math.log10(span))
    for step in (power * factor for factor in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)):
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        if last - first + 1 <= most:
            return [(number * step, _figure(number * step, step)) for number in range(first, last + 1)]
    return []


def _figure(value: float, step: float) -> str:
    """Return a label with as many decimals as the step needs; large and tiny ones as powers of ten."""
    if value == 0:
        return "0"
    if abs(value) >= 1e6 or step < 1e-4:
        return f"{value:.3g}"
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return f"{value:.{decimals}f}"


def time_ticks(low_ns: int, high_ns: int, most: int, zero_ns: int | None = None) -> list[tuple[int, str]]:
    """Return at most ``most`` round times with labels: UTC clock times, or relative to ``zero_ns``.

    Where UTC days change, or at the first mark, the label carries the date.
    """
    origin = zero_ns or 0
    for step_s in _STEPS_S:
        step = round(step_s * SECOND_NS)
        first, last = -(-(low_ns - origin) // step), (high_ns - origin) // step
        if last - first + 1 <= most:
            break
    else:
        return []
    times = [origin + number * step for number in range(first, last + 1)]
    if zero_ns is not None:
        return [(t, _relative((t - zero_ns) / SECOND_NS)) for t in times]
    return [(t, _clock(t, step_s, times[at - 1] if at else None)) for at, t in enumerate(times)]


def _relative(seconds: float) -> str:
    if seconds == 0:
        return "0"
    return f"{'+' if seconds > 0 else ''}{duration(seconds)}"


def _clock(t_ns: int, step_s: float, before_ns: int | None) -> str:
    when = moment(t_ns, UTC)
    if step_s >= 365 * 86400:
        return f"{when:%Y-%m}"
    if step_s >= 86400:
        return f"{when:%m-%d}"
    text = f"{when:%H:%M}" if step_s >= 60 else f"{when:%H:%M:%S}"
    if step_s < 1:
        text += f"{t_ns % SECOND_NS / SECOND_NS:.3f}"[1:].rstrip("0")
    new_day = before_ns is None or moment(before_ns, UTC).date() != when.date()
    return f"{when:%m-%d} {text}" if new_day else text
