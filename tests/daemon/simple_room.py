"""A room of simple instruments behind real TCP ports and pseudo-terminals: algebra in place of physics.

A unit gives gain x level as far as its supply allows, draws what that takes, and warms its heatsink within a
second. Everything that a person does is a method; the protocols are SCPI lines and Modbus RTU frames.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from rig.simulator import modbus_peer
from rig.simulator.bus_ports import PollableFlag, PtyPort, TcpPort
from rig.simulator.scpi_peer import Query, ScpiPeer

AMBIENT_C = 23.0
NOMINAL_V = 230.0
GAIN = 23.0
CLIPS_AT = 0.115
"""Largest output as a share of the mains: the rails sag with it."""
IDLE_A = 0.15
EFFICIENCY = 0.6
SETTLES_S = 0.6
"""Time constant of a heatsink."""
IDLE_K = 5.0
K_PER_W = 0.4
FANLESS = 3.0
"""How many times as warm a heatsink gets whose fan stands still."""
SILENCE_S = 0.004
"""What ends a frame: 3.5 characters at 9600 baud and 11 bits (Modbus over Serial Line V1.02, 2.5.1.1)."""


@dataclass(slots=True)
class SimpleSource:
    """Mains of some units. step_v: how far it is from what it was set to last."""

    volts: float = NOMINAL_V


@dataclass(slots=True)
class SimpleUnit:
    """One unit: what is done to it, and what is read of it."""

    source: SimpleSource
    ohm: float = 8.0
    present: bool = True
    switched_on: bool = True
    relay_on: bool = True
    works: bool = True
    fan: bool = True
    sink_c: float = AMBIENT_C

    @property
    def is_powered(self) -> bool:
        return self.present and self.switched_on and self.relay_on and self.source.volts > 100.0

    def volts(self, level: float) -> float:
        """Return the output at this level of the drive."""
        driven = self.is_powered and self.works
        return min(GAIN * level, CLIPS_AT * self.source.volts) if driven else 0.0

    def load(self, level: float) -> float:
        """Return the current into the load."""
        return self.volts(level) / self.ohm

    def supply(self, level: float) -> float:
        """Return the current from the mains."""
        if not self.is_powered:
            return 0.0
        return IDLE_A + self.volts(level) * self.load(level) / EFFICIENCY / self.source.volts

    def settle(self, level: float, seconds: float) -> None:
        """Let the heatsink go on for so long."""
        warm_k = IDLE_K + K_PER_W * self.volts(level) * self.load(level) if self.is_powered else 0.0
        goal_c = AMBIENT_C + warm_k * (1.0 if self.fan else FANLESS)
        self.sink_c += (goal_c - self.sink_c) * (1.0 - math.exp(-seconds / SETTLES_S))


@dataclass
class SimpleRoom:
    """Units by name, their sources, one generator for all of them.

    bursts: (on, off) in seconds, as the generator's own switch is set by hand; None: it drives all the time.
    """

    units: Mapping[str, SimpleUnit]
    sources: Mapping[str, SimpleSource]
    level_set: float = 0.0
    bursts: tuple[float, float] | None = None
    _lock: threading.RLock = field(default_factory=threading.RLock)
    _at_s: float = field(default_factory=time.monotonic)

    @property
    def level(self) -> float:
        """What the generator gives at this moment; in the pauses of its bursts nothing."""
        if self.bursts is None:
            return self.level_set
        on_s, off_s = self.bursts
        return self.level_set if time.monotonic() % (on_s + off_s) < on_s else 0.0

    def set_level(self, value: float) -> None:
        with self._lock:
            self._go_on()
            self.level_set = value

    def turn(self, source: str, volts: float) -> None:
        """Turn a source of mains, by hand or by command."""
        with self._lock:
            self._go_on()
            self.sources[source].volts = volts

    def read(self, wanted: str) -> float:
        """Return a reading: ``mains SOURCE``, ``level``, ``air``, or ``volts``, ``amps``... of a unit."""
        what, _, name = wanted.partition(" ")
        with self._lock:
            self._go_on()
            if what == "mains":
                return self.sources[name].volts
            if what == "level":
                return self.level_set
            if what == "air":
                return AMBIENT_C
            unit, level = self.units[name], self.level
            if what == "heat":
                return unit.sink_c
            return {"volts": unit.volts, "load": unit.load, "amps": unit.supply}[what](level)

    def coils(self, first: int, count: int) -> list[bool]:
        with self._lock:
            ones = list(self.units.values())[first : first + count]
        if len(ones) < count:
            raise modbus_peer.ModbusExceptionError(modbus_peer.ILLEGAL_ADDRESS)
        return [one.relay_on for one in ones]

    def set_coil(self, at: int, on: bool) -> None:
        self.coils(at, 1)
        with self._lock:
            self._go_on()
            list(self.units.values())[at].relay_on = on

    def _go_on(self) -> None:
        now_s = time.monotonic()
        for one in self.units.values():
            one.settle(self.level, now_s - self._at_s)
        self._at_s = now_s


def scpi(
    name: str,
    queries: Mapping[str, list[Callable[[], float]]],
    commands: Mapping[str, Callable[[float], None]],
) -> ScpiPeer:
    """Return an instrument that answers each query with these values, or those of the channels asked for.

    Channels are counted from 101.
    """

    def query(values: list[Callable[[], float]]) -> Query:
        def answer(channels: object, _began_ns: int, _ended_ns: int) -> list[float | None]:
            assert isinstance(channels, tuple)
            asked = [values[number - 101] for number in channels] if channels else values
            return [one() for one in asked]

        return answer

    return ScpiPeer(f"EXAMPLE,{name},0001,1.0", {head: query(one) for head, one in queries.items()}, commands)


def _lines(peer: ScpiPeer, received: bytearray) -> bytes:
    """Return the answers to the whole lines that have come; they are taken off."""
    answers = b""
    while (end := received.find(b"\n")) >= 0:
        line = bytes(received[:end]).decode("ascii", errors="replace").strip()
        del received[: end + 1]
        said = peer.handle(line, time.monotonic_ns(), time.monotonic_ns())
        answers += b"" if said is None else said.encode() + b"\n"
    return answers


def _frame(device: int, room: SimpleRoom, received: bytearray) -> bytes:
    """Return the answer to the frame that silence has ended; it is taken off."""
    opened = modbus_peer.opened(bytes(received))
    received.clear()
    if opened is None or opened[0] != device:
        return b""

    def registers(_address: int, _count: int, _began_ns: int, _ended_ns: int) -> list[int]:
        raise modbus_peer.ModbusExceptionError(modbus_peer.ILLEGAL_FUNCTION)

    box = modbus_peer.Device(registers=registers, coils=room.coils, set_coil=room.set_coil)
    return modbus_peer.sealed(bytes([device]) + modbus_peer.answer(opened[1], box, 0, 0))


def _serve_tcp(port: TcpPort, peer: ScpiPeer, stop: PollableFlag) -> None:
    buffers: dict[int, bytearray] = {}
    while not stop.is_set:
        for connection, arrived in port.receive(0.2, stop):
            received = buffers.setdefault(id(connection), bytearray())
            received += arrived
            if said := _lines(peer, received):
                port.send(connection, said)
            if not arrived:
                buffers.pop(id(connection), None)
                port.drop(connection)


def _serve_pty(
    port: PtyPort, answer: Callable[[bytearray], bytes], silence_s: float, stop: PollableFlag
) -> None:
    received = bytearray()
    while not stop.is_set:
        arrived = port.receive(silence_s if received and silence_s else 0.2, stop)
        received += arrived
        if received and not (arrived and silence_s) and (said := answer(received)):
            port.send(said)


@dataclass
class ServedRoom:
    """A room and the addresses of its instruments: a link of a serial port, or host and port."""

    room: SimpleRoom
    addresses: dict[str, str]


@contextmanager
def served(
    folder: Path,
    room: SimpleRoom,
    *,
    over_tcp: Mapping[str, ScpiPeer],
    over_pty: Mapping[str, ScpiPeer],
    relays: tuple[str, int],
) -> Iterator[ServedRoom]:
    """Serve instruments by name of their bus. relays: bus and device address of the relay box."""
    stop = PollableFlag()
    ports: dict[str, TcpPort | PtyPort] = {}
    threads = []

    def begin(serve: Callable[[], None], name: str) -> None:
        threads.append(threading.Thread(target=serve, name=name))

    for bus, peer in over_tcp.items():
        tcp = ports[bus] = TcpPort()
        begin(partial(_serve_tcp, tcp, peer, stop), bus)
    for bus, peer in over_pty.items():
        pty = ports[bus] = PtyPort(folder / f"usb-example-{bus}")
        begin(partial(_serve_pty, pty, partial(_lines, peer), 0.0, stop), bus)
    bus, device = relays
    pty = ports[bus] = PtyPort(folder / f"usb-example-{bus}")
    begin(partial(_serve_pty, pty, partial(_frame, device, room), SILENCE_S, stop), bus)
    for thread in threads:
        thread.start()
    try:
        yield ServedRoom(
            room,
            {
                name: f"127.0.0.1:{port.number}" if isinstance(port, TcpPort) else str(port.link)
                for name, port in ports.items()
            },
        )
    finally:
        stop.set()
        for thread in threads:
            thread.join(5.0)
        assert not any(thread.is_alive() for thread in threads), "an instrument does not end"
        for port in ports.values():
            port.remove()
        stop.close()
