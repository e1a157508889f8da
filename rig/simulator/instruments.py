"""The room's instruments: what each makes of the bytes that arrive, and when it answers.

A conversation cuts arriving bytes into questions. A question says which instrument answers, how long
that takes, and makes the answer from probes read within that time. Nothing here touches a port.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Protocol

from rig.simulator import modbus_peer
from rig.simulator.modbus_peer import Device, ModbusExceptionError
from rig.simulator.room_plan import Gear, RoomBus, RoomPlan
from rig.simulator.scpi_peer import Query, ScpiPeer
from rig.simulator.world import World

IDENTITY_REGISTER = 0x0100
OFFSET_SCALE = 0.001
SUPPLY_SCALE = 0.0001
STREAM_S = 0.2
"""Time between two lines of the free-running mains meter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PendingReply:
    """Something to be answered. make(began_ns, ended_ns) returns the bytes, b'' for none."""

    instrument: str
    think_s: float
    make: Callable[[int, int], bytes]


class Conversation(Protocol):
    """How bytes become questions.

    gap_s: silence that ends a frame (0: frames say where they end). period_s: how often it speaks by
    itself (0: never).
    """

    gap_s: float
    period_s: float

    def take(self, received: bytearray) -> PendingReply | None:
        """Return the next question and remove its bytes; None when there is no whole one."""
        ...

    def unasked(self) -> PendingReply | None:
        """Return what is said without being asked."""
        ...


def identity(name: str) -> str:
    """Return what an instrument answers to ``*IDN?``: maker, model, serial number, version."""
    return f"SIMULATED,{name.upper()},SN-{name.upper()}-1,1.0"


def identity_word(name: str) -> int:
    """Return the number in an instrument's identity register."""
    return modbus_peer.crc16(name.encode())


class SimulatedReadings:
    """What instruments read: the probe, the instrument's noise, and its resolution."""

    def __init__(self, world: World, seed: int) -> None:
        self._world = world
        self._probes = {probe.channel: probe for probe in world.plan.probes}
        self._dice = {
            channel: random.Random(f"noise {seed} {channel}")  # noqa: S311 - repeatable, not secret
            for channel in self._probes
        }

    def read(self, channel: str, at_ns: int) -> float | None:
        """Return one reading taken at an instant, in the channel's unit of measure; None where open."""
        value = self._world.felt(channel, at_ns)
        if value is None:
            return None
        quantity = self._probes[channel].quantity
        value += self._dice[channel].gauss(0.0, quantity.noise)
        if quantity.resolution:
            value = round(value / quantity.resolution) * quantity.resolution
        return value

    def scan(self, channels: Sequence[str], began_ns: int, ended_ns: int) -> list[float | None]:
        """Return readings taken one after another, evenly from the first instant to the last."""
        step_ns = (ended_ns - began_ns) // max(len(channels), 1)
        return [self.read(channel, began_ns + place * step_ns) for place, channel in enumerate(channels)]


class ScpiConversation:
    """An instrument that answers lines of SCPI ended by LF."""

    gap_s = 0.0
    period_s = 0.0

    def __init__(self, gear: Gear, readings: SimulatedReadings, world: World) -> None:
        self._gear = gear
        self._readings = readings
        queries: dict[str, Query]
        commands: dict[str, Callable[[float], None]] = {}
        if gear.name == "tone":
            queries = {
                "SOURce:LEVel": partial(self._one, "level"),
                "SOURce:FREQuency": partial(self._one, "tone"),
            }
            commands = {"SOURce:LEVel": partial(world.turn, "level")}
        else:
            queries = {"READ": self._scan}
        self._numbered = scan_numbers(gear)
        self._peer = ScpiPeer(identity(gear.name), queries, commands)

    def take(self, received: bytearray) -> PendingReply | None:
        """Return the next whole line as a question."""
        line = _line(received, b"\n")
        if line is None:
            return None
        return PendingReply(
            instrument=self._gear.name, think_s=self._gear.think_s, make=partial(self._answer, line)
        )

    def unasked(self) -> PendingReply | None:
        """Return nothing: it never speaks by itself."""
        return None

    def _answer(self, line: str, began_ns: int, ended_ns: int) -> bytes:
        said = self._peer.handle(line, began_ns, ended_ns)
        return b"" if said is None else f"{said}\n".encode()

    def _scan(self, numbers: Sequence[int], began_ns: int, ended_ns: int) -> list[float | None]:
        channels = [self._numbered[number] for number in numbers or sorted(self._numbered)]
        return self._readings.scan(channels, began_ns, ended_ns)

    def _one(self, channel: str, numbers: Sequence[int], began_ns: int, ended_ns: int) -> list[float | None]:
        if numbers:
            raise KeyError(numbers[0])
        return [self._readings.read(channel, (began_ns + ended_ns) // 2)]


def scan_numbers(gear: Gear) -> dict[int, str]:
    """Return the scanner's channel numbers: 101, 102, ... for its first kind of quantity, 201, ... next."""
    numbers: dict[int, str] = {}
    kinds: list[str] = []
    for channel in gear.channels:
        unit, _, quantity = channel.rpartition(".")
        kind = quantity if unit else "room"
        if kind not in kinds:
            kinds.append(kind)
        bank = 100 * (kinds.index(kind) + 1)
        numbers[bank + 1 + sum(bank < number < bank + 100 for number in numbers)] = channel
    return numbers


class TextConversation:
    """A box that answers one question in one line, values separated by commas, ended by CR LF."""

    gap_s = 0.0
    period_s = 0.0

    def __init__(self, gear: Gear, readings: SimulatedReadings, *, ask: str, form: str) -> None:
        self._gear = gear
        self._readings = readings
        self._ask = ask
        self._form = form

    def take(self, received: bytearray) -> PendingReply | None:
        """Return the next whole line as a question."""
        line = _line(received, b"\r\n")
        if line is None:
            return None
        return PendingReply(
            instrument=self._gear.name, think_s=self._gear.think_s, make=partial(self._answer, line)
        )

    def unasked(self) -> PendingReply | None:
        """Return nothing: it never speaks by itself."""
        return None

    def _answer(self, line: str, began_ns: int, ended_ns: int) -> bytes:
        if line == "ID?":
            return f"SIMULATED {self._gear.name.upper()}\r\n".encode()
        if line != self._ask:
            return b"?\r\n"
        values = self._readings.scan(self._gear.channels, began_ns, ended_ns)
        texts = ["OPEN" if value is None else self._form.format(value) for value in values]
        return (",".join(texts) + "\r\n").encode()


class StreamConversation:
    """A mains meter that sends a line with a checksum several times a second, asked or not."""

    gap_s = 0.0
    period_s = STREAM_S

    def __init__(self, gear: Gear, readings: SimulatedReadings) -> None:
        self._gear = gear
        self._readings = readings

    def take(self, received: bytearray) -> PendingReply | None:
        """Return nothing: it does not listen."""
        received.clear()
        return None

    def unasked(self) -> PendingReply | None:
        """Return the next line."""
        return PendingReply(instrument=self._gear.name, think_s=0.0, make=self._line)

    def _line(self, began_ns: int, ended_ns: int) -> bytes:
        texts = []
        for channel, letter in zip(self._gear.channels, "UF", strict=True):
            value = self._readings.read(channel, ended_ns)
            texts.append(f"{letter}={'OPEN' if value is None else f'{value:.2f}'}")
        body = ",".join(texts).encode()
        total = 0
        for byte in body:
            total ^= byte
        return b"$" + body + f"*{total:02X}\r\n".encode()


class RtuConversation:
    """A line of Modbus RTU devices. A frame ends with 3.5 characters of silence."""

    period_s = 0.0

    def __init__(self, gears: Sequence[Gear], devices: Sequence[Device], baud: int) -> None:
        self._devices = {gear.device: (gear, device) for gear, device in zip(gears, devices, strict=True)}
        # Serial line guide, 2.5.1.1: fixed above 19200 baud.
        self.gap_s = 0.00175 if baud > 19200 else 3.5 * 11 / baud

    def take(self, received: bytearray) -> PendingReply | None:
        """Return the question in what arrived before the silence; anything else is ignored."""
        frame = modbus_peer.opened(bytes(received))
        received.clear()
        if frame is None or frame[0] not in self._devices:
            return None
        address, pdu = frame
        gear, device = self._devices[address]

        def make(began_ns: int, ended_ns: int) -> bytes:
            return modbus_peer.sealed(bytes([address]) + modbus_peer.answer(pdu, device, began_ns, ended_ns))

        return PendingReply(instrument=gear.name, think_s=gear.think_s, make=make)

    def unasked(self) -> PendingReply | None:
        """Return nothing: it never speaks by itself."""
        return None


class ModbusTcpConversation:
    """A Modbus TCP instrument; another unit identifier gets "gateway target failed to respond"."""

    gap_s = 0.0
    period_s = 0.0

    def __init__(self, gear: Gear, device: Device) -> None:
        self._gear = gear
        self._device = device

    def take(self, received: bytearray) -> PendingReply | None:
        """Return the next whole request. Raises ValueError for what is not Modbus TCP."""
        taken = modbus_peer.take_request(bytes(received))
        if taken is None:
            return None
        transaction, unit, pdu, rest = taken
        received[:] = rest

        def make(began_ns: int, ended_ns: int) -> bytes:
            if unit != self._gear.device:
                reply = bytes([pdu[0] | 0x80, modbus_peer.NO_TARGET])
            else:
                reply = modbus_peer.answer(pdu, self._device, began_ns, ended_ns)
            return modbus_peer.wrapped(transaction, unit, reply)

        return PendingReply(instrument=self._gear.name, think_s=self._gear.think_s, make=make)

    def unasked(self) -> PendingReply | None:
        """Return nothing: it never speaks by itself."""
        return None


def _line(received: bytearray, end: bytes) -> str | None:
    """Return the next line as text and remove it, None while there is no whole one."""
    at = received.find(end)
    if at < 0:
        return None
    line = bytes(received[:at]).decode("ascii", errors="replace").strip()
    del received[: at + len(end)]
    return line


def _meter(gear: Gear, readings: SimulatedReadings) -> Device:
    """Return an output meter: volts as float32 at 0, offset in mV at 2."""

    def words(began_ns: int, ended_ns: int) -> dict[int, int]:
        volts, offset = readings.scan(gear.channels, began_ns, ended_ns)
        high, low = modbus_peer.float32_words(volts)
        return {0: high, 1: low, 2: modbus_peer.scaled_word(offset, OFFSET_SCALE)}

    return _device(gear, words)


def _power_meter(gear: Gear, readings: SimulatedReadings, world: World) -> Device:
    """Return the intake meter: each unit's current in 0.1 mA, low word first; its contactor as a coil."""

    def words(began_ns: int, ended_ns: int) -> dict[int, int]:
        found: dict[int, int] = {}
        for place, value in enumerate(readings.scan(gear.channels, began_ns, ended_ns)):
            count = 0xFFFFFFFF if value is None else max(round(value / SUPPLY_SCALE), 0)
            found[2 * place], found[2 * place + 1] = count & 0xFFFF, count >> 16
        return found

    return _device(gear, words, world)


def _device(gear: Gear, measured: Callable[[int, int], dict[int, int]], world: World | None = None) -> Device:
    def registers(address: int, count: int, began_ns: int, ended_ns: int) -> list[int]:
        known = {IDENTITY_REGISTER: identity_word(gear.name)}
        if address != IDENTITY_REGISTER:
            known |= measured(began_ns, ended_ns)
        try:
            return [known[place] for place in range(address, address + count)]
        except KeyError:
            raise ModbusExceptionError(modbus_peer.ILLEGAL_ADDRESS) from None

    def unit(address: int) -> str:
        if world is None or not 0 <= address < len(world.plan.units):
            raise ModbusExceptionError(modbus_peer.ILLEGAL_ADDRESS)
        return world.plan.units[address]

    def coils(address: int, count: int) -> list[bool]:
        names = [unit(place) for place in range(address, address + count)]
        return [world is not None and world.switched_on(name) for name in names]

    def set_coil(address: int, on: bool) -> None:
        name = unit(address)
        if world is not None:
            world.switch(name, on=on)

    return Device(registers=registers, coils=coils, set_coil=set_coil)


def conversation(line: RoomBus, plan: RoomPlan, world: World, readings: SimulatedReadings) -> Conversation:
    """Return how the instruments on a line converse."""
    gears = [gear for gear in plan.gear if gear.line == line.name]
    first = gears[0]
    if first.protocol == "modbus-rtu":
        return RtuConversation(gears, [_meter(gear, readings) for gear in gears], line.baud)
    if first.protocol == "modbus-tcp":
        return ModbusTcpConversation(first, _power_meter(first, readings, world))
    if first.protocol == "stream":
        return StreamConversation(first, readings)
    if first.protocol == "box":
        return TextConversation(first, readings, ask="T?", form="{:+07.1f}")
    if first.protocol == "counter":
        return TextConversation(first, readings, ask="RPM?", form="{:.0f}")
    return ScpiConversation(first, readings, world)


def wire_s(line: RoomBus, count: int) -> float:
    """Return how long ``count`` characters take on a line; 0 on TCP."""
    return count * (9 + line.stop_bits) / line.baud if line.serial else 0.0
