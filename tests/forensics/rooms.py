"""Small recordings made by hand for the tests."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from rig.domain.model import (
    Channel,
    ChannelKind,
    ChannelSource,
    Event,
    InstrumentFacts,
    Layout,
    Limit,
    Series,
    Side,
    Status,
    Unit,
)
from rig.domain.recording import MemoryRecording

START_NS = 1_700_000_000_000_000_000


def series(
    name: str,
    t_s: Sequence[float] | np.ndarray,
    value: Sequence[float] | np.ndarray,
    *,
    h_s: float | Sequence[float] = 0.0,
    status: Sequence[int] | None = None,
) -> Series:
    """Return a series from seconds after START_NS."""
    times = np.asarray(t_s, dtype=float)
    values = np.asarray(value, dtype=float)
    return Series(
        channel=name,
        t_ns=START_NS + np.round(times * 1e9).astype(np.int64),
        h_ns=np.broadcast_to(
            np.round(np.asarray(h_s, dtype=float) * 1e9).astype(np.int64), times.shape
        ).copy(),
        value=values,
        status=np.zeros(len(times), np.uint8) if status is None else np.asarray(status, np.uint8),
        session=np.zeros(len(times), np.int32),
    )


def high(value: float, **more: float) -> Limit:
    return Limit(side=Side.HIGH, value=value, **more)  # type: ignore[arg-type]


def low(value: float, **more: float) -> Limit:
    return Limit(side=Side.LOW, value=value, **more)  # type: ignore[arg-type]


def channel(
    name: str, *limits: Limit, unit: str | None = "A1", instrument: str = "meter", **more: object
) -> Channel:
    settings: dict[str, object] = {"kind": ChannelKind.RESPONSE, "unit_of_measure": "V", **more}
    return Channel(
        name=name,
        unit=unit,
        source=ChannelSource(instrument=instrument, field=name),
        limits=limits,
        **settings,  # type: ignore[arg-type]
    )


class Room(MemoryRecording):
    """A recording of these channels, its layout made from them: a bus and a poll a second per instrument."""

    def __init__(
        self, channels: Sequence[Channel], data: Mapping[str, Series], happened: Sequence[Event] = ()
    ) -> None:
        empty = not any(len(one) for one in data.values())
        super().__init__(
            layout=layout_of(channels), data=data, happened=happened, from_ns=START_NS if empty else None
        )
        self.channels = channels


def layout_of(channels: Sequence[Channel]) -> Layout:
    """Return a layout of these channels, each unit with a serial number and a load."""
    units = sorted({c.unit for c in channels if c.unit})
    instruments = sorted({c.source.instrument for c in channels if c.source})
    return Layout(
        rig="test",
        units={
            u: Unit(
                name=u, serial=f"S{u}", load="8 ohm", channels=tuple(c.name for c in channels if c.unit == u)
            )
            for u in units
        },
        channels={c.name: c for c in channels},
        instruments={
            i: InstrumentFacts(name=i, bus=f"{i}-bus", driver="lines", poll_s=1.0, timeout_s=0.5)
            for i in instruments
        },
    )


NO_VALUE = int(Status.NO_VALUE)
NO_REPLY = int(Status.NO_REPLY)
