"""How the instruments of a simulated room read it: polls, noise, lost replies, lost meters, restarts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.domain.accounting import LevelPlan
from rig.domain.model import (
    Channel,
    ChannelKind,
    ChannelSource,
    Event,
    EventKind,
    InstrumentFacts,
    Layout,
    Series,
    Session,
    Signals,
    Status,
    Unit,
)
from rig.domain.recording import MemoryRecording
from tests.verify.states.rooms import Room, Tale, Told
from tests.verify.states.steps import Steps, combined, delayed_on, steps, within

START_NS = 1_790_000_000 * 1_000_000_000
"""Begin of every record, UTC."""
POLLS_S = (0.5, 1.0, 2.0, 5.0)
LOST = (0.0, 0.003, 0.02, 0.05)
READ = {
    "all": ("mains", "supply", "output", "drive"),
    "no supply": ("mains", "output", "drive"),
    "no mains": ("supply", "output", "drive"),
    "output and drive": ("output", "drive"),
}
KINDS = {"note": EventKind.NOTE, "switch": EventKind.SWITCH, "unit": EventKind.UNIT}


@dataclass
class Physics:
    """Truth of one place over time: 1 or 0, and the quantities that are read.

    present: somebody sits there. mains: of its source. power: it has mains and is switched on and its fuse
    holds. drive: it is given a signal. gives: output. alive: its occupant has not died.
    """

    present: Steps
    mains: Steps
    on: Steps
    power: Steps
    drive: Steps
    gives: Steps
    alive: Steps
    supply_a: Steps


@dataclass
class Case:
    """A room, its recording, its physics by place, and when each signal of each place was read.

    read: good readings of the wired signals by place and signal, s. poll_s: slowest of each place's signals.
    """

    room: Room
    recording: MemoryRecording
    physics: Mapping[str, Physics]
    read: Mapping[str, Mapping[str, tuple[NDArray[np.float64], float]]]
    poll_s: Mapping[str, float]
    poll: float
    lost: float


def physics(room: Room, tale: Tale) -> Physics:
    """Return what truly happened at a place."""
    source = room.programs[tale.source]
    drive = room.programs[room.drive_of[tale.source]].drive
    present = steps(0.0, [(at, float(bool(serial))) for at, serial in tale.occupants])
    on = combined(lambda off: 1 - off, within((a, b) for a, b, _ in tale.off))
    gone = tale.removed_s
    dead = within([(tale.died_s, gone)]) if np.isfinite(tale.died_s) else steps(0.0, [])
    blown_s = max(tale.died_s, tale.shorted_s) if tale.fuse else np.inf
    blown = within([(blown_s, gone)]) if np.isfinite(blown_s) else steps(0.0, [])
    power = combined(lambda p, m, o, x: p * m * o * (1 - x), present, source.mains, on, blown)
    ready = delayed_on(power, tale.delay_s, room.end_s)
    mute = within(tale.mutes)
    gives = combined(lambda r, p, d, q, x: r * p * d * (1 - q) * (1 - x), ready, power, drive, mute, dead)
    short = within([(tale.died_s, tale.shorted_s)]) if tale.shorted_s > 0 else steps(0.0, [])
    supply = combined(
        lambda p, g, x: p * np.where(x > 0, 9.0, np.where(g > 0, 2.4, 0.35)), power, gives, short
    )
    alive = combined(lambda x: 1 - x, dead)
    return Physics(present, source.mains, on, power, drive, gives, alive, supply)


def record(room: Room) -> Case:
    """Return what the logger of a room recorded."""
    rng = room.rng
    poll, lost = float(rng.choice(POLLS_S)), float(rng.choice(LOST))
    worlds = {tale.name: physics(room, tale) for tale in room.tales}
    logger = _Logger(room, poll, lost)
    wired = READ[room.wiring]
    places = [tale.name for tale in room.tales]
    for s, one in enumerate(room.programs):
        plan = [("mains", f"mains{s + 1}", combined(lambda m: 231.0 * m, one.mains), 1.5)]
        if s in room.drive_of:
            plan.append(("drive", f"level{s + 1}", one.drive, 0.01))
        for signal, channel, truth, noise in plan:
            if signal in wired:
                logger.meter(signal, [(channel, None, truth, noise)])
    for signal, noise in (("supply", 0.006), ("output", 0.08)):
        if signal not in wired:
            continue
        each: list[tuple[str, str | None, Steps, float]] = [
            (f"{p}.{signal}", p, _quantity(worlds[p], signal), noise) for p in places
        ]
        for part in [[one] for one in each] if rng.random() < 0.4 else [each]:
            logger.meter(signal, part)
    units, read = {}, {}
    for tale in room.tales:
        names = {
            "mains": f"mains{tale.source + 1}",
            "supply": f"{tale.name}.supply",
            "output": f"{tale.name}.output",
            "drive": f"level{room.drive_of[tale.source] + 1}",
        }
        units[tale.name] = _unit(room, tale, {k: v for k, v in names.items() if k in wired})
        read[tale.name] = {k: (logger.good[v], logger.poll_of[v]) for k, v in names.items() if k in wired}
    layout = Layout(rig="room", units=units, channels=logger.channels, instruments=logger.instruments)
    recording = MemoryRecording(
        layout=layout,
        data=logger.data,
        happened=_events(room),
        lived=logger.sessions,
        from_ns=START_NS,
        to_ns=START_NS + round(room.end_s * 1e9),
    )
    slowest = {name: max(p for _, p in found.values()) for name, found in read.items()}
    return Case(room, recording, worlds, read, slowest, poll, lost)


def _quantity(world: Physics, signal: str) -> Steps:
    return world.supply_a if signal == "supply" else combined(lambda g: 28.3 * g, world.gives)


LEVELS = {"mains": (150.0, 100.0), "supply": (0.1, 0.05), "output": (5.0, 3.0), "drive": (0.5, 0.3)}


def _unit(room: Room, tale: Tale, names: Mapping[str, str]) -> Unit:
    levels: dict[str, Any] = {
        signal: LevelPlan(channel=channel, on_above=LEVELS[signal][0], off_below=LEVELS[signal][1])
        for signal, channel in names.items()
    }
    return Unit(
        name=tale.name,
        serial=tale.occupants[-1][1],
        load="8 ohm",
        channels=tuple(one for one in names.values() if one.startswith(f"{tale.name}.")),
        signals=Signals(failed_after_s=room.failed_after_s, idle_after_s=room.idle_after_s, **levels),
    )


class _Logger:
    """Instruments and what became of their readings."""

    def __init__(self, room: Room, poll: float, lost: float) -> None:
        self.room = room
        self.poll = poll
        self.lost = lost
        self.channels: dict[str, Channel] = {}
        self.instruments: dict[str, InstrumentFacts] = {}
        self.data: dict[str, Series] = {}
        self.good: dict[str, NDArray[np.float64]] = {}
        self.poll_of: dict[str, float] = {}
        edges = [0.0, *(t for a, b, _ in room.logger_down for t in (a, b)), room.end_s]
        self.lives = list(zip(edges[::2], edges[1::2], strict=True))
        crashed = [crash for _, _, crash in room.logger_down] + [False]
        self.sessions = [
            Session(
                number=k,
                boot_id="one",
                start_ns=START_NS + round(a * 1e9),
                end_ns=START_NS + round(b * 1e9),
                clean=not crash,
                synchronised=True,
                software="",
                host="",
            )
            for k, ((a, b), crash) in enumerate(zip(self.lives, crashed, strict=True))
        ]

    def meter(self, signal: str, read: list[tuple[str, str | None, Steps, float]]) -> None:
        """Add an instrument that reads some channels of one kind in one exchange."""
        rng, room = self.room.rng, self.room
        name = f"meter{len(self.instruments) + 1}"
        poll = self.poll if rng.random() < 0.5 else float(rng.choice(POLLS_S))
        jitter, takes = float(rng.choice([0.0, 0.02, 0.2])), float(rng.uniform(0.005, 0.1))
        sent, session = self._asked(poll, jitter, takes)
        t_ns = START_NS + np.round((sent + takes / 2) * 1e9).astype(np.int64)
        h_ns = np.full(len(sent), round(takes / 2 * 1e9) + 1, np.int64)
        dumb = rng.random(len(sent)) < self.lost
        for a, b, what in room.blind:
            if what == signal:
                dumb |= (sent >= a) & (sent <= b)
        window = float(rng.choice([0.0, 0.1, 0.3]))
        self.instruments[name] = InstrumentFacts(
            name=name, bus=name, driver="lines", poll_s=poll, timeout_s=0.5
        )
        for channel, unit, truth, noise in read:
            moments = sent + takes * rng.random(len(sent))
            value = truth.mean(moments, window) * (1 + 0.01 * rng.normal(size=len(sent)))
            value = np.where(dumb, np.nan, value + noise * rng.normal(size=len(sent)))
            status = np.where(dumb, Status.NO_REPLY, Status.GOOD).astype(np.uint8)
            self.data[channel] = Series(
                channel=channel, t_ns=t_ns, h_ns=h_ns, value=value, status=status, session=session
            )
            self.channels[channel] = Channel(
                name=channel,
                unit_of_measure={"mains": "V", "supply": "A", "output": "V", "drive": "V"}[signal],
                unit=unit,
                kind=ChannelKind.RESPONSE if unit else ChannelKind.STIMULUS,
                source=ChannelSource(instrument=name, field=signal),
            )
            self.good[channel] = (sent + takes)[~dumb]
            self.poll_of[channel] = poll

    def _asked(
        self, poll: float, jitter: float, takes: float
    ) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
        """Return when an instrument was asked, and in which session."""
        rng, found, numbers = self.room.rng, [], []
        for k, (a, b) in enumerate(self.lives):
            t = a + rng.uniform(0, poll) + poll * np.arange(max(int((b - a) / poll), 1))
            t = t + jitter * poll * rng.random(len(t))
            keep = t + takes < b
            for start, end in self.room.pauses:
                keep &= (t < start) | (t > end)
            found.append(t[keep])
            numbers.append(np.full(int(keep.sum()), k, np.int32))
        return np.concatenate(found), np.concatenate(numbers)


def _events(room: Room) -> list[Event]:
    """Return what was recorded beside the readings; what was told while no logger ran came when one did."""
    told = [(_written(room, one), one) for one in room.told if one.at_s < room.end_s]
    told.sort(key=lambda it: it[0])
    events = []
    for seq, (at_s, one) in enumerate(told):
        data = dict(one.data)
        about_s = one.about_s if one.about_s is not None else one.at_s if at_s != one.at_s else None
        if about_s is not None:
            data["at_ns"] = START_NS + round(about_s * 1e9)
        number = sum(at_s >= b for _, b, _ in room.logger_down)
        events.append(
            Event(
                kind=KINDS[one.kind],
                t_ns=START_NS + round(at_s * 1e9),
                session=number,
                seq=seq,
                subject=one.unit,
                text=one.text,
                data=data,
            )
        )
    return events


def _written(room: Room, one: Told) -> float:
    for a, b, _ in room.logger_down:
        if a <= one.at_s <= b:
            return b + 1.0 + 1e-3 * room.told.index(one)
    return one.at_s
