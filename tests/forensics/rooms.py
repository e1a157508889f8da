"""Small recordings made by hand for the tests."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

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
    Session,
    Side,
    Status,
    Unit,
)

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


@dataclass
class Room:
    """A recording held in memory."""

    channels: Sequence[Channel]
    data: Mapping[str, Series]
    happened: Sequence[Event] = field(default_factory=list)

    @property
    def layout(self) -> Layout:
        units = sorted({c.unit for c in self.channels if c.unit})
        instruments = sorted({c.source.instrument for c in self.channels if c.source})
        return Layout(
            rig="test",
            units={
                u: Unit(
                    name=u,
                    serial=f"S{u}",
                    load="8 ohm",
                    channels=tuple(c.name for c in self.channels if c.unit == u),
                )
                for u in units
            },
            channels={c.name: c for c in self.channels},
            instruments={
                i: InstrumentFacts(name=i, bus=f"{i}-bus", driver="lines", poll_s=1.0, timeout_s=0.5)
                for i in instruments
            },
        )

    @property
    def layouts(self) -> Mapping[int, Layout]:
        return {}

    @property
    def sessions(self) -> Sequence[Session]:
        return ()

    @property
    def span(self) -> tuple[int, int]:
        stamps = [int(x) for s in self.data.values() if len(s) for x in (s.t_ns.min(), s.t_ns.max())]
        return (min(stamps), max(stamps)) if stamps else (START_NS, START_NS)

    def series(self, name: str, start_ns: int | None = None, end_ns: int | None = None) -> Series:
        whole = self.data[name]
        keep = np.ones(len(whole), bool)
        if start_ns is not None:
            keep &= whole.t_ns >= start_ns
        if end_ns is not None:
            keep &= whole.t_ns <= end_ns
        return Series(
            channel=name,
            t_ns=whole.t_ns[keep],
            h_ns=whole.h_ns[keep],
            value=whole.value[keep],
            status=whole.status[keep],
            session=whole.session[keep],
        )

    def events(self) -> Sequence[Event]:
        return self.happened


NO_VALUE = int(Status.NO_VALUE)
NO_REPLY = int(Status.NO_REPLY)
