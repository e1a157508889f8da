"""See whether a rig answers: open every bus, meet every instrument, read one value of every channel."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from drivers.bus.exchange import Link
from drivers.bus.opening import open_transport
from rig.clock import SYSTEM, Clock, wall_clock_synchronised
from rig.core.config import RigConfig
from rig.core.measure import failed, measure
from rig.core.model import Status
from rig.daemon import assembly
from rig.daemon.poller import Answer, Station
from rig.errors import BusError, DeadlineError, InstrumentError, ReplyError
from rig.store.files import OS_DISK

BYTES_A_READING = 4.0
"""What a reading takes on disk all told; FORMAT.md has the measurement."""
NS_PER_S = 1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelProbe:
    """One value of one channel; NaN where the status carries no number."""

    channel: str
    value: float
    unit_of_measure: str
    status: Status


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentProbe:
    """How one instrument answered. ``error`` is '' where all went well; ``identity`` is what it calls itself."""

    name: str
    bus: str
    identity: str
    error: str
    took_s: float
    channels: Sequence[ChannelProbe]

    @property
    def good(self) -> bool:
        """Whether it answered and gave a good value on every channel."""
        return not self.error and all(one.status is Status.GOOD for one in self.channels)


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """What a probe of the whole rig found. Bytes and seconds; ``disk_needed`` is for the planned time."""

    instruments: Sequence[InstrumentProbe]
    runs_path: Path
    disk_free_bytes: int
    disk_needed_bytes: int
    disk_error: str
    synchronised: bool

    @property
    def good(self) -> bool:
        """Whether the rig is ready: everything answers, is who it should be, and the disk is large enough."""
        enough = not self.disk_error and self.disk_free_bytes >= self.disk_needed_bytes
        return enough and all(one.good for one in self.instruments)


class _Wire(Protocol):
    def open(self) -> None: ...
    def close(self) -> None: ...


def probe(config: RigConfig, *, clock: Clock = SYSTEM) -> Probe:
    """Return what a rig says. Buses are asked at the same time; a bus that hangs is given up and named."""
    plan = assembly.plan(config)
    found: dict[str, list[InstrumentProbe]] = {}
    threads: list[tuple[str, threading.Thread, float]] = []
    for name in config.buses:
        stations = assembly.stations(config, plan, name, clock)
        if not stations:
            continue
        work = _worker(config, plan, name, stations, found, clock)
        thread = threading.Thread(target=work, name=f"probe {name}", daemon=True)
        thread.start()
        exchanges = sum(2 + len(one.driver.opening) + len(one.driver.polls) for one in stations)
        threads.append((name, thread, 10.0 + 3 * exchanges * max(one.timeout_s for one in stations)))
    instruments: list[InstrumentProbe] = []
    for name, thread, allowed_s in threads:
        thread.join(allowed_s)
        done = list(found.get(name, []))
        for station in assembly.stations(config, plan, name, clock)[len(done) :]:
            error = f"bus {name} was given up after {allowed_s:.0f} s: a call on it does not come back"
            done.append(_nothing(station, name, error, plan, config))
        instruments.extend(done)
    free, needed, disk_error = _disk(config)
    return Probe(
        instruments=instruments,
        runs_path=config.runs_path,
        disk_free_bytes=free,
        disk_needed_bytes=needed,
        disk_error=disk_error,
        synchronised=wall_clock_synchronised(),
    )


def _worker(
    config: RigConfig,
    plan: assembly.Plan,
    name: str,
    stations: Sequence[Station],
    found: dict[str, list[InstrumentProbe]],
    clock: Clock,
) -> Callable[[], None]:
    def work() -> None:
        bus = config.buses[name]
        wire = Link(open_transport(bus), settle_s=bus.settle_s)
        mine = found.setdefault(name, [])
        trouble = ""
        try:
            wire.open()
        except BusError as error:
            trouble = str(error)
        for station in stations:
            if trouble:
                mine.append(_nothing(station, name, trouble, plan, config))
            else:
                mine.append(_meet(wire, station, name, plan, config, clock))
        wire.close()

    return work


def _meet(
    wire: Link, station: Station, bus: str, plan: assembly.Plan, config: RigConfig, clock: Clock
) -> InstrumentProbe:
    identity, error = "", ""
    channels: list[ChannelProbe] = []
    began_ns = clock.monotonic_ns()
    try:
        for exchange in station.driver.opening:
            said = wire.exchange(exchange, station.timeout_s, station.driver.quiet_s).reply.text
            identity = identity or said
    except BusError as problem:
        return _nothing(station, bus, str(problem), plan, config)
    for at, exchange in enumerate(station.driver.polls):
        block, routes = station.blocks[at]
        names = plan.blocks[block]
        try:
            answer: Answer = wire.exchange(exchange, _patience_s(station), station.driver.quiet_s)
            values, statuses = measure(routes, answer.reply.values, answer.reply.statuses)
        except BusError as problem:
            error = error or str(problem)
            values, statuses = failed(routes, _status(problem))
        channels.extend(_channels(config, names, values, statuses))
    return InstrumentProbe(
        name=station.name,
        bus=bus,
        identity=identity,
        error=error,
        took_s=(clock.monotonic_ns() - began_ns) / NS_PER_S,
        channels=channels,
    )


def _patience_s(station: Station) -> float:
    """A free-running instrument may need two lines: the first only marks a beginning."""
    return 2 * (station.poll_s + station.timeout_s) if station.listening else station.timeout_s


def _nothing(
    station: Station, bus: str, error: str, plan: assembly.Plan, config: RigConfig
) -> InstrumentProbe:
    channels: list[ChannelProbe] = []
    for block, routes in station.blocks:
        channels.extend(_channels(config, plan.blocks[block], *failed(routes, Status.NO_REPLY)))
    return InstrumentProbe(
        name=station.name, bus=bus, identity="", error=error, took_s=0.0, channels=channels
    )


def _channels(
    config: RigConfig, names: Sequence[str], values: Sequence[float], statuses: bytes
) -> list[ChannelProbe]:
    return [
        ChannelProbe(
            channel=name,
            value=value,
            unit_of_measure=config.layout.channels[name].unit_of_measure,
            status=Status(status),
        )
        for name, value, status in zip(names, values, statuses, strict=True)
    ]


def _status(error: BusError) -> Status:
    kinds: Mapping[type[BusError], Status] = {
        DeadlineError: Status.NO_REPLY,
        ReplyError: Status.BAD_REPLY,
        InstrumentError: Status.REFUSED,
    }
    return kinds.get(type(error), Status.NO_REPLY)


def _disk(config: RigConfig) -> tuple[int, int, str]:
    """Return free bytes where runs go, bytes needed for the planned time, and what is wrong there."""
    per_s = sum(
        1.0 / config.instruments[one.source.instrument].poll_s
        for one in config.layout.channels.values()
        if one.source is not None
    )
    derived = sum(1 for one in config.layout.channels.values() if one.formula is not None)
    measured = len(config.layout.channels) - derived
    # a derived channel comes about as often as a measured one on average
    per_s *= 1.0 + derived / max(1, measured)
    needed = round(per_s * config.planned_s * BYTES_A_READING)
    try:
        free = OS_DISK.space(_existing(config.runs_path)).free_bytes
    except OSError as error:
        return 0, needed, f"{config.runs_path}: {error.strerror or error}"
    return free, needed, OS_DISK.why_not_writable(_existing(config.runs_path))


def _existing(path: Path) -> Path:
    """Return the path itself or its nearest parent that exists."""
    for one in (path, *path.parents):
        if one.exists():
            return one
    return Path()
