"""Stamps no finer than they are known: the interval of a reading, rounded outwards."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

MICROSECOND_NS = 1000
_POWERS = np.array([MICROSECOND_NS * 10**k for k in range(13)], dtype=np.int64)


def interval(
    sent_ns: NDArray[np.int64], received_ns: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return middle and half-width (ns) of the shortest whole-ns intervals that hold [sent, received]."""
    width = received_ns - sent_ns
    return sent_ns + width // 2, (width + 1) // 2


def quantum(h_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the step (ns) to which a stamp with this half-width is rounded.

    The largest power of ten of a microsecond that is no more than a tenth of the half-width, and at
    least one microsecond.
    """
    step = np.searchsorted(_POWERS, h_ns // 10, side="right") - 1
    return _POWERS[np.maximum(step, 0)]


def rounded(t_ns: NDArray[np.int64], h_ns: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return stamps rounded to their quantum and half-widths (both ns) grown to hold the old interval."""
    step = quantum(h_ns)
    stamp = (t_ns + step // 2) // step * step
    reach = h_ns + np.abs(stamp - t_ns)
    return stamp, -(-reach // step) * step
