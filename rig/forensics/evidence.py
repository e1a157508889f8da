"""What the analyser reads from: any recording that gives a layout, series and events.

A live, finished, crashed or imported recording fits ``Recording`` as it is.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from rig.core.digest import Piece
from rig.core.model import Channel, Event, EventKind, Layout, Series, Status

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Recording(Protocol):
    """Read access to one recording."""

    @property
    def layout(self) -> Layout:
        """Units, channels and instruments by name."""
        ...

    @property
    def span(self) -> tuple[int, int]:
        """First and last moment recorded, UTC ns."""
        ...

    def series(self, channel: str, start_ns: int | None = None, end_ns: int | None = None) -> Series:
        """Return the readings of one channel whose stamps lie in [start_ns, end_ns], as recorded."""
        ...

    def events(self) -> Sequence[Event]:
        """Return everything recorded beside readings, oldest first."""
        ...


@runtime_checkable
class InPieces(Protocol):
    """A recording that can say of each of its files what a channel did there, without reading it all.

    What is found is the same with and without it; a long recording is searched in a fraction of the time.
    """

    def pieces(self, channel: str) -> Sequence[Piece]:
        """Return the readings of one channel file by file, in recorded order."""
        ...

    def events_of(
        self,
        kinds: Collection[EventKind] | None = None,
        start_ns: int | None = None,
        end_ns: int | None = None,
    ) -> Sequence[Event]:
        """Return the events of some kinds stamped from ``start_ns`` to ``end_ns`` (None: all, no bound)."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Readings:
    """The readings of one channel made ready for walking: in recorded order, usable ones marked.

    usable: status good and a finite number. Only usable readings start or end anything; the others
    widen. ``channel`` is the channel as configured.
    """

    channel: Channel
    t_ns: Ints
    h_ns: Ints
    value: Floats
    status: NDArray[np.uint8]
    usable: Bools

    def __len__(self) -> int:
        return len(self.t_ns)


def readings(channel: Channel, series: Series) -> Readings:
    """Return the series of a channel with its usable readings marked."""
    value = np.asarray(series.value, dtype=np.float64)
    status = np.asarray(series.status, dtype=np.uint8)
    return Readings(
        channel=channel,
        t_ns=np.asarray(series.t_ns, dtype=np.int64),
        h_ns=np.asarray(series.h_ns, dtype=np.int64),
        value=value,
        status=status,
        usable=(status == Status.GOOD) & np.isfinite(value),
    )


def period_s(t_ns: Ints) -> float:
    """Return the usual time between readings in seconds (median of the forward steps); 0 when unknown."""
    steps = np.diff(t_ns)
    steps = steps[steps > 0]
    return float(np.median(steps)) / 1e9 if len(steps) else 0.0
