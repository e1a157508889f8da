"""Readings of one channel in recorded order, usable ones marked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.domain.model import Channel, Series, Status

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChannelReadings:
    """Readings of one channel in recorded order, usable ones marked.

    usable: status good and a finite number. Only usable readings start or end anything; the others
    widen. ``channel`` is the channel as configured.
    """

    channel: Channel
    t_ns: Ints
    h_ns: Ints
    value: Floats
    status: NDArray[np.uint8]
    usable: Bools
    session: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.t_ns)


def readings(channel: Channel, series: Series) -> ChannelReadings:
    """Return the series of a channel with its usable readings marked."""
    value = np.asarray(series.value, dtype=np.float64)
    status = np.asarray(series.status, dtype=np.uint8)
    return ChannelReadings(
        channel=channel,
        t_ns=np.asarray(series.t_ns, dtype=np.int64),
        h_ns=np.asarray(series.h_ns, dtype=np.int64),
        value=value,
        status=status,
        usable=(status == Status.GOOD) & np.isfinite(value),
        session=np.asarray(series.session, dtype=np.int32),
    )


def period_s(t_ns: Ints) -> float:
    """Return the usual time between readings in seconds (median of the forward steps); 0 when unknown."""
    steps = np.diff(t_ns)
    steps = steps[steps > 0]
    return float(np.median(steps)) / 1e9 if len(steps) else 0.0
