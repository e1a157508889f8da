"""Recordings made by hand for the tests, with a known truth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from rig.domain.model import (
    Channel,
    ChannelKind,
    ChannelSource,
    Event,
    EventKind,
    InstrumentFacts,
    Layout,
    Limit,
    Series,
    Session,
    Side,
    Signals,
    Status,
    Unit,
)
from rig.domain.recording import MemoryRecording

START_NS = 1_700_000_000_000_000_000
S = 1_000_000_000


def at(t_s: float) -> int:
    """Return a moment of the tests' time line in UTC ns."""
    return START_NS + round(t_s * S)


def series(
    name: str,
    t_s: ArrayLike,
    value: ArrayLike,
    *,
    h_s: float = 0.0,
    status: ArrayLike | None = None,
    session: ArrayLike = 0,
) -> Series:
    times = np.asarray(t_s, float)
    values = np.broadcast_to(np.asarray(value, float), times.shape).copy()
    codes = np.zeros(len(times), np.uint8) if status is None else np.asarray(status, np.uint8)
    values[codes > Status.SUSPECT] = np.nan
    return Series(
        channel=name,
        t_ns=START_NS + np.round(times * S).astype(np.int64),
        h_ns=np.full(len(times), round(h_s * S), np.int64),
        value=values,
        status=codes,
        session=np.broadcast_to(np.asarray(session, np.int32), times.shape).copy(),
    )


def limit(side: str, value: float, **more: Any) -> Limit:
    return Limit(side=Side(side), value=value, **more)


def channel(name: str, *limits: Limit, uom: str = "V", **more: Any) -> Channel:
    unit = name.partition(".")[0] if "." in name else None
    kind = ChannelKind.RESPONSE if unit else ChannelKind.STIMULUS
    settings: dict[str, Any] = {"kind": kind, "source": ChannelSource(instrument="meter", field=name), **more}
    return Channel(name=name, unit_of_measure=uom, unit=unit, limits=limits, **settings)


def event(kind: EventKind, t_s: float, subject: str, text: str = "", session: int = 0, **data: Any) -> Event:
    return Event(kind=kind, t_ns=at(t_s), session=session, seq=0, subject=subject, text=text, data=data)


def phase_event(t_s: float, name: str) -> Event:
    return event(EventKind.PHASE, t_s, "run", f"phase {name}", phase=name)


def session(number: int, start_s: float, end_s: float, boot: str = "b", synchronised: bool = True) -> Session:
    return Session(
        number=number,
        boot_id=boot,
        start_ns=at(start_s),
        end_ns=at(end_s),
        clean=True,
        synchronised=synchronised,
        software="test",
        host="test",
    )


class Room(MemoryRecording):
    """A recording of these channels, its layout made from them.

    poll_s: interval of the rig file for all channels; 0: the layout knows no instrument.
    """

    def __init__(
        self,
        channels: Sequence[Channel],
        data: Mapping[str, Series],
        happened: Sequence[Event] = (),
        lived: Sequence[Session] = (),
        poll_s: float = 0.0,
        from_s: float | None = None,
        to_s: float | None = None,
        signals: Signals | None = None,
    ) -> None:
        super().__init__(
            layout=layout_of(channels, poll_s, signals),
            data=data,
            happened=happened,
            lived=lived,
            from_ns=None if from_s is None else at(from_s),
            to_ns=None if to_s is None else at(to_s),
        )


def signals_for(unit: str, signals: Signals) -> Signals:
    """Return signals with ``{unit}`` filled in, as a template's are."""
    every = {name: getattr(signals, name) for name in ("mains", "supply", "output", "drive")}
    mine = {
        name: replace(one, channel=one.channel.replace("{unit}", unit))
        for name, one in every.items()
        if one is not None
    }
    return replace(signals, **mine)


def layout_of(channels: Sequence[Channel], poll_s: float = 0.0, signals: Signals | None = None) -> Layout:
    """Return a layout of these channels, each unit with a serial number, a load and its signals."""
    meter = InstrumentFacts(name="meter", bus="b", driver="lines", poll_s=poll_s, timeout_s=0.5)
    units = sorted({c.unit for c in channels if c.unit})
    return Layout(
        rig="test",
        units={
            u: Unit(
                name=u,
                serial=f"S{u}",
                load="8 ohm",
                channels=tuple(c.name for c in channels if c.unit == u),
                signals=signals_for(u, signals or Signals()),
            )
            for u in units
        },
        channels={c.name: c for c in channels},
        instruments={"meter": meter} if poll_s else {},
    )
