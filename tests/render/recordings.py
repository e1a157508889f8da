"""A made-up run of three days in memory that has something for every part of a report. Values are invented.

Two units, a room, three phases, two sessions with an unlogged hour between them, an instrument that did
not answer, a reading that strayed, a unit that overheats and dies, changed limits, notes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np

from rig.domain.model import (
    Calibration,
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
    Status,
    Unit,
)
from rig.domain.recording import MemoryRecording
from rig.render.run_facts import Frozen, RunFacts

SECOND = 1_000_000_000
T0 = 1_900_000_000 * SECOND
"""2030-03-17 17:46:40 UTC."""
HOUR = 3600 * SECOND
PERIOD_S = 20
STOP_H, AGAIN_H, END_H = 40.0, 41.0, 72.0
DEATH_H = 70.0
STRAY_H = 20.0
"""When one single reading of A1.heatsink strayed, to ``STRAY_DEGC``."""
STRAY_DEGC = 140.0
RIG_FILE = "rig: hot-room\n# <script>alert('a comment')</script> & more\nunits:\n\tA1: {serial: \"0017\"}\n"


def at(hours: float) -> int:
    """Return UTC ns, ``hours`` after the beginning."""
    return T0 + round(hours * HOUR)


def channel(name: str, unit: str | None, measure: str, *limits: Limit, **more: Any) -> Channel:
    """Return a channel read from the instrument ``scanner``, or as ``more`` says."""
    values: dict[str, Any] = {
        "kind": ChannelKind.RESPONSE,
        "source": ChannelSource(instrument="scanner", field=name),
    }
    return Channel(name=name, unit_of_measure=measure, unit=unit, limits=limits, **(values | more))


def high(value: float, **more: Any) -> Limit:
    """Return an upper limit."""
    return Limit(side=Side.HIGH, value=value, **more)


def layout(names: Sequence[str] = ("A1", "A2"), serial: str = "0017", limit: float = 95.0) -> Layout:
    """Return the room; ``names``: of its two units."""
    channels: list[Channel] = []
    units = {}
    for name in names:
        own = [
            channel(f"{name}.heatsink", name, "degC", high(limit, early=85.0, deadband=2.0, on_delay_s=60.0)),
            channel(
                f"{name}.volts", name, "V", Limit(side=Side.LOW, value=18.0),
                source=ChannelSource(instrument="meter", field="v"),
                calibration=Calibration(gain=1.002, offset=-0.01, due=date(2030, 3, 18)),
            ),
            channel(
                f"{name}.power", name, "W", source=None, formula=f"{name}.volts**2 / 8",
            ),
        ]  # fmt: skip
        channels += own
        units[name] = Unit(
            name=name, serial=serial, load="8 ohm resistor", channels=tuple(c.name for c in own)
        )
    channels.append(
        channel(
            "mains",
            None,
            "V",
            high(253.0),
            Limit(side=Side.LOW, value=207.0),
            kind=ChannelKind.STIMULUS,
            source=ChannelSource(instrument="meter", field="mains"),
            accuracy=0.5,
            calibration=Calibration(due=date(2031, 1, 1)),
        )
    )
    facts = {
        name: InstrumentFacts(name=name, bus=f"{name}-line", driver="scpi", poll_s=PERIOD_S, timeout_s=2.0)
        for name in ("scanner", "meter")
    }
    return Layout(
        rig="hot-room", units=units, channels={c.name: c for c in channels}, instruments=facts,
        planned_s=21 * 86400.0,
    )  # fmt: skip


def event(kind: EventKind, hours: float, subject: str, text: str, **data: Any) -> Event:
    """Return an event of the session that was at work then."""
    return Event(
        kind=kind, t_ns=at(hours), session=1 if hours <= STOP_H else 2, seq=round(hours * 1000),
        subject=subject, text=text, data=data,
    )  # fmt: skip


class Recording(MemoryRecording):
    """The run in memory; its first session had lower limits on the heatsinks. extra: more events."""

    def __init__(self, plan: Layout, extra: tuple[Event, ...] = ()) -> None:
        cooler = {
            name: replace(one, limits=tuple(replace(limit, value=90.0) for limit in one.limits))
            if name.endswith("heatsink")
            else one
            for name, one in plan.channels.items()
        }
        usual: dict[str, Any] = {"synchronised": True, "software": "soakrig 0.1.0", "host": "rack"}
        super().__init__(
            layout=plan,
            layouts={1: replace(plan, channels=cooler), 2: plan},
            data={name: _series(name, plan) for name in plan.channels},
            happened=sorted([*_events(), *extra], key=lambda e: (e.session, e.t_ns)),
            lived=(
                Session(number=1, boot_id="a", start_ns=at(0), end_ns=at(STOP_H), clean=False, **usual),
                Session(number=2, boot_id="b", start_ns=at(AGAIN_H), end_ns=at(END_H), clean=True, **usual),
            ),
            from_ns=at(0),
            to_ns=at(END_H),
        )


def _events() -> list[Event]:
    return [
        event(EventKind.SESSION_START, 0, "run", "session 1 started"),
        event(EventKind.PHASE, 0.01, "run", "", phase="warm-up"),
        event(EventKind.PHASE, 6, "run", "", phase="high mains"),
        event(EventKind.NOTE, 10, "run", "fan guard touched"),
        event(EventKind.INSTRUMENT_LOST, 30, "scanner", "scanner does not answer: no reply in 2 s"),
        event(EventKind.INSTRUMENT_BACK, 32, "scanner", "scanner answers again"),
        event(EventKind.SESSION_START, AGAIN_H, "run", "session 2 started"),
        event(EventKind.SESSION_BROKEN, 41, "run", "session 1 ended without a stop"),
        event(EventKind.CONFIG_CHANGE, 41.1, "A1.heatsink", "high limit 90 degC -> 95 degC"),
        event(EventKind.PHASE, 42, "run", "", phase="low mains"),
        event(EventKind.INSTRUMENT_REPORT, 50, "meter", "meter reports -113,\"Undefined header\""),
        event(EventKind.GAP, 55, "meter", "3 polls of meter passed over", cause="late", polls=3),
        event(EventKind.BUS_STUCK, 56, "meter-line", "bus meter-line is stuck: opened anew"),
        event(EventKind.HEALTH, 60, "run", "", lateness_ms={"meter": [0.1, 0.5, 3.25]}),
        event(EventKind.SESSION_STOP, END_H, "run", "session 2 stopped"),
    ]  # fmt: skip


def _series(name: str, plan: Layout) -> Series:
    seconds = np.arange(0, int(END_H * 3600), PERIOD_S)
    hours = seconds / 3600
    logged = (hours <= STOP_H) | (hours >= AGAIN_H)
    hours = hours[logged]
    value = _values(name, hours, plan)
    status = np.zeros(len(hours), np.uint8)
    if name.endswith("heatsink"):
        lost = (hours >= 30) & (hours < 32)
        status[lost], value[lost] = Status.NO_REPLY, np.nan
    return Series(
        channel=name, t_ns=T0 + (seconds[logged]).astype(np.int64) * SECOND,
        h_ns=np.full(len(hours), 5_000_000, np.int64), value=value, status=status,
        session=np.where(hours <= STOP_H, 1, 2).astype(np.int32),
    )  # fmt: skip


def _values(name: str, hours: np.ndarray[Any, np.dtype[np.float64]], plan: Layout) -> Any:
    noise = np.random.default_rng(sum(name.encode())).normal(0.0, 1.0, len(hours))
    first, second = list(plan.units)
    dying = np.clip(hours - DEATH_H, 0.0, None)
    if name == "mains":
        return np.where(hours < 6, 230.0, np.where(hours < 42, 250.0, 210.0)) + 0.3 * noise
    if name.endswith("heatsink"):
        warm = 25 + 50 * (1 - np.exp(-hours / 0.5)) + 0.2 * noise
        if name.startswith(second):
            warm += 60.0 * dying
        if name.startswith(first):
            warm[np.searchsorted(hours, STRAY_H)] = STRAY_DEGC
        return warm
    volts = 24.0 + 0.05 * noise
    if name.startswith(second):
        volts = np.where(hours > DEATH_H + 0.6, 0.0, volts)
    return volts**2 / 8 if name.endswith("power") else volts


def facts(**changes: Any) -> RunFacts:
    """Return the run's identity."""
    values: dict[str, Any] = {
        "name": "hot-room-1", "id": "f0e1", "rig": "hot-room", "created_ns": T0, "software": "soakrig 0.1.0",
        "planned_s": 21 * 86400.0, "state": "stopped", "ended": "",
        "configs": (
            Frozen(name="aaaa", text=RIG_FILE, sha256="a" * 64, sessions=(1,)),
            Frozen(name="bbbb", text=RIG_FILE.replace("0017", "0018"), sha256="b" * 64, sessions=(2,)),
        ),
        "skipped": (),
    }  # fmt: skip
    return RunFacts(**(values | changes))
