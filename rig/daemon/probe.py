"""Probe of a rig: opens every bus, identifies every instrument, reads one value of every channel."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from drivers.bus.exchange import Link
from drivers.bus.opening import open_transport
from rig.clock import SYSTEM, Clock, wall_clock_synchronised
from rig.daemon import assembly, host
from rig.daemon.poller import PolledInstrument, failure_status
from rig.domain.model import Status
from rig.domain.reply_mapping import failed, measure
from rig.errors import BusError
from rig.rigfile.config import RigConfig
from rig.store.files import OS_DISK, why_not_writable

BYTES_A_READING = 4.0
"""Bytes of a reading on disk, in all; FORMAT.md has the measurement."""
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
    """Result of one instrument: its identity and its fault ('' for none)."""

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
class RigProbe:
    """What a probe of the whole rig found. Bytes; ``disk_needed`` is for the planned time.

    notes: what the computer itself does that may cost readings.
    """

    instruments: Sequence[InstrumentProbe]
    runs_path: Path
    disk_free_bytes: int
    disk_needed_bytes: int
    disk_error: str
    synchronised: bool
    notes: Sequence[str] = ()

    @property
    def good(self) -> bool:
        """Whether the rig is ready: everything answers, is who it should be, and the disk is large enough."""
        enough = not self.disk_error and self.disk_free_bytes >= self.disk_needed_bytes
        return enough and all(one.good for one in self.instruments)


def probe(config: RigConfig, *, clock: Clock = SYSTEM) -> RigProbe:
    """Return what a rig says. Buses are asked at the same time; a bus that hangs is given up and named."""
    plan = assembly.plan(config)
    buses = [_BusProbe(config, plan, name, clock) for name in config.buses]
    for one in buses:
        one.start()
    instruments = [found for one in buses for found in one.result()]
    free, needed, disk_error = disk_facts(config)
    return RigProbe(
        instruments=instruments,
        runs_path=Path(config.runs),
        disk_free_bytes=free,
        disk_needed_bytes=needed,
        disk_error=disk_error,
        synchronised=wall_clock_synchronised(),
        notes=host.notes(config.buses, _existing(Path(config.runs))),
    )


class _BusProbe(threading.Thread):
    """Probe of all instruments of one bus, in a thread that can be abandoned."""

    def __init__(self, config: RigConfig, plan: assembly.PollingPlan, bus: str, clock: Clock) -> None:
        super().__init__(name=f"probe {bus}", daemon=True)
        self._config, self._plan, self._bus, self._clock = config, plan, bus, clock
        self._instruments = assembly.polled_instruments(config, plan, bus, clock)
        self._found: list[InstrumentProbe] = []

    def run(self) -> None:
        bus = self._config.buses[self._bus]
        wire = Link(open_transport(bus), settle_s=bus.settle_s)
        trouble = ""
        try:
            wire.open()
        except BusError as error:
            trouble = str(error)
        for instrument in self._instruments:
            self._found.append(
                self._nothing(instrument, trouble) if trouble else self._meet(wire, instrument)
            )
        wire.close()

    def result(self) -> list[InstrumentProbe]:
        """Return what was found, after waiting no longer than the deadlines of all exchanges allow."""
        exchanges = sum(2 + len(one.driver.opening) + len(one.driver.polls) for one in self._instruments)
        slowest_s = max((_patience_s(one) for one in self._instruments), default=0.0)
        allowed_s = 10.0 + 3 * exchanges * slowest_s
        self.join(allowed_s)
        done = list(self._found)
        stuck = f"bus {self._bus} abandoned after {allowed_s:.0f} s: a call on it hangs"
        return done + [self._nothing(one, stuck) for one in self._instruments[len(done) :]]

    def _meet(self, wire: Link, instrument: PolledInstrument) -> InstrumentProbe:
        identity, error = "", ""
        channels: list[ChannelProbe] = []
        began_ns = self._clock.monotonic_ns()
        try:
            for exchange in instrument.driver.opening:
                said = wire.exchange(exchange, instrument.timeout_s, instrument.driver.quiet_s).reply.text
                identity = identity or said
        except BusError as problem:
            return self._nothing(instrument, str(problem))
        for at, exchange in enumerate(instrument.driver.polls):
            block, routes = instrument.blocks[at]
            try:
                answer = wire.exchange(exchange, _patience_s(instrument), instrument.driver.quiet_s)
                values, statuses = measure(routes, answer.reply.values, answer.reply.statuses)
            except BusError as problem:
                error = error or str(problem)
                values, statuses = failed(routes, failure_status(problem))
            channels.extend(_channels(self._config, self._plan.blocks[block], values, statuses))
        return InstrumentProbe(
            name=instrument.name,
            bus=self._bus,
            identity=identity,
            error=error,
            took_s=(self._clock.monotonic_ns() - began_ns) / NS_PER_S,
            channels=channels,
        )

    def _nothing(self, instrument: PolledInstrument, error: str) -> InstrumentProbe:
        channels: list[ChannelProbe] = []
        for block, routes in instrument.blocks:
            names = self._plan.blocks[block]
            channels.extend(_channels(self._config, names, *failed(routes, Status.NO_REPLY)))
        return InstrumentProbe(
            name=instrument.name, bus=self._bus, identity="", error=error, took_s=0.0, channels=channels
        )


def _patience_s(instrument: PolledInstrument) -> float:
    """How long to wait for an answer; a free-running instrument may need two lines, the first is a mark."""
    return 2 * (instrument.poll_s + instrument.timeout_s) if instrument.listening else instrument.timeout_s


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


def disk_facts(config: RigConfig) -> tuple[int, int, str]:
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
    runs = Path(config.runs)
    try:
        free = OS_DISK.space(_existing(runs)).free_bytes
    except OSError as error:
        return 0, needed, f"{runs}: {error.strerror or error}"
    return free, needed, why_not_writable(_existing(runs))


def _existing(path: Path) -> Path:
    """Return the path itself or its nearest parent that exists."""
    for one in (path, *path.parents):
        if one.exists():
            return one
    return Path()
