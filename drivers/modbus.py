"""Modbus instruments, RTU on a serial line or TCP: blocks of registers or bits (protocol V1.1b3)."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from drivers import Exchange, Reply
from drivers.bus.frames import FRAMINGS, Frame, exception_name
from drivers.bus.registers import ORDERS, TYPES, WORDS, Value
from rig.errors import InstrumentError, ReplyError, shown
from rig.rigfile.schema import AmountField, Choice, Flag, Integer, Map, Number, OneOf, Section, Seq, key

READ_FUNCTIONS: Final[Mapping[str, int]] = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
MOST_REGISTERS: Final = 125
MOST_BITS: Final = 2000
_SHORTEST_SILENCE_S: Final = 0.00175
"""Modbus over Serial Line V1.02, 2.5.1.1: fixed above 19200 baud. Below, the link makes it longer."""


_COIL = re.compile(r"coil\s+([0-9]{1,5})\s+(on|off)", re.ASCII)
_REGISTER = re.compile(r"register\s+([0-9]{1,5})\s*=\s*(-?[0-9]{1,5})", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One value: where it stands, how it is coded, and what number it means."""

    register: int = key(Integer(0, 65535, hexadecimal=True), doc="address, counted from 0")
    table: str = key(Choice(*READ_FUNCTIONS), default="holding", doc="which of the four tables")
    type: str = key(Choice("bit", *TYPES), default="uint16", doc="how the value is coded")
    order: str = key(
        Choice("none", *ORDERS), default="none", doc="order of the bytes on the wire; required above 16 bits"
    )
    scale: float = key(Number(), default=1.0, doc="value = scale x coded number + offset")
    offset: float = key(Number(), default=0.0, doc="see scale")
    no_value: tuple[int, ...] = key(
        Seq(Integer(hexadecimal=True)), default=(), doc="coded numbers that mean: no value (sensor open)"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterIdentity:
    """A constant register that proves which instrument answers."""

    register: int = key(Integer(0, 65535, hexadecimal=True), doc="address, counted from 0")
    table: str = key(Choice("holding", "input"), default="holding", doc="which table")
    equals: int = key(Integer(0, 65535, hexadecimal=True), doc="what it must hold")


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What the rig file may say under an instrument with ``driver: modbus``."""

    device: int = key(
        Integer(0, 255), doc="device address: 1 to 247 on a line, 0 to 255 over TCP", example="1"
    )
    framing: str = key(
        Choice(*FRAMINGS), default="rtu", doc="rtu on a serial line (or a bare gateway), tcp on port 502"
    )
    fields: Mapping[str, Field] = key(
        Map(Section(Field), least=1),
        doc="the values to read",
        example="{value: {register: 0, type: uint16, scale: 0.1}}",
    )
    gap: int = key(
        Integer(0, MOST_REGISTERS),
        default=0,
        doc="registers nobody asked for that may be read to join two reads",
    )
    longest: int = key(
        Integer(1, MOST_REGISTERS),
        default=MOST_REGISTERS,
        doc="most registers the instrument gives in one read",
    )
    identity: Any = key(
        OneOf(Section(RegisterIdentity), Choice("none")), default="none", doc="register that proves who it is"
    )
    quiet: float = key(
        AmountField("s", low=0.0),
        default=_SHORTEST_SILENCE_S,
        doc="silence before a request (RTU); never less than 3.5 characters",
    )
    echo: bool = key(Flag(), default=False, doc="the adapter repeats what is sent (two-wire RS-485)")


class Driver:
    """One Modbus device; several may share a line."""

    report: Exchange | None = None

    def __init__(self, options: Options) -> None:
        """Make the exchanges. Raises ValueError for options that make no sense together."""
        if options.framing == "rtu" and not 1 <= options.device <= 247:
            raise ValueError(f"device: {options.device} cannot answer on a serial line; expected 1 to 247")
        for name, field in options.fields.items():
            _check_field(name, field)
        self.quiet_s = options.quiet if options.framing == "rtu" else 0.0
        self.polls: Sequence[Exchange] = tuple(
            RegisterBlock(options, table, group) for table, group in _groups(options)
        )
        self.opening: Sequence[Exchange] = (
            (IdentityReading(options, options.identity),)
            if isinstance(options.identity, RegisterIdentity)
            else ()
        )
        self._options = options

    def command(self, text: str) -> Exchange:
        """Return the exchange that writes: ``coil 3 on``, ``coil 3 off`` or ``register 12 = 2300``.

        Addresses are counted from 0. Raises ValueError for any other text.
        """
        return Writing(self._options, text)


class _Question:
    """One read request in the framing of the bus, and the data bytes of its reply."""

    fields: tuple[str, ...] = ()

    def __init__(self, options: Options, table: str, first: int, count: int) -> None:
        self._function = READ_FUNCTIONS[table]
        self._data_bytes = -(-count // 8) if table in {"coil", "discrete"} else 2 * count
        pdu = bytes([self._function]) + first.to_bytes(2, "big") + count.to_bytes(2, "big")
        self._frame: Frame = FRAMINGS[options.framing](device=options.device, pdu=pdu, echo=options.echo)
        self.tagged = self._frame.tagged
        self.request_bytes = len(pdu) + self._frame.extra
        self.reply_bytes = 2 + self._data_bytes + self._frame.extra
        if options.echo:
            self.reply_bytes += self.request_bytes
        last = f"..{first + count - 1}" if count > 1 else ""
        self.label = f"device {options.device} {table} {first}{last}"

    def request(self) -> bytes:
        """Return the frame to send, over TCP with a new transaction number."""
        return self._frame.request()

    def _data(self, received: bytes) -> tuple[bytes, int] | None:
        """Return the data bytes and how many bytes were used; None while more are needed."""
        taken = self._frame.take(received, self._function, self._data_bytes)
        if taken is None:
            return None
        pdu, used = taken
        if pdu[0] != self._function:
            raise InstrumentError(f"refused with {exception_name(pdu[1])} to function {self._function}")
        return pdu[2:], used


class RegisterBlock(_Question):
    """Neighbouring registers (or bits) read at once: they share their interval of time."""

    def __init__(self, options: Options, table: str, fields: Mapping[str, Field]) -> None:
        first = min(field.register for field in fields.values())
        last = max(field.register + _width(field) for field in fields.values())
        super().__init__(options, table, first, last - first)
        self.fields = tuple(fields)
        self._values = tuple(_value(field, field.register - first) for field in fields.values())

    def parse(self, received: bytes) -> Reply | None:
        """Return one value per field. Raises ReplyError, or InstrumentError for an exception reply."""
        taken = self._data(received)
        if taken is None:
            return None
        data, used = taken
        pairs = [value.read(data) for value in self._values]
        values, statuses = zip(*pairs, strict=True)
        return Reply(values=values, statuses=statuses, used=used)


class IdentityReading(_Question):
    """A register that must hold a known number."""

    def __init__(self, options: Options, identity: RegisterIdentity) -> None:
        super().__init__(options, identity.table, identity.register, 1)
        self._equals = identity.equals

    def parse(self, received: bytes) -> Reply | None:
        """Return the number as text. Raises ReplyError when it is another one."""
        taken = self._data(received)
        if taken is None:
            return None
        data, used = taken
        found = int.from_bytes(data, "big")
        if found != self._equals:
            raise ReplyError(
                f"another instrument answers: its register holds {found}, expected identity {self._equals}; "
                "check what is plugged in where",
                used=used,
            )
        return Reply(used=used, text=str(found))


class Writing:
    """One coil or register that is written; its reply repeats the request (V1.1b3, 6.5 and 6.6)."""

    fields: tuple[str, ...] = ()

    def __init__(self, options: Options, text: str) -> None:
        function, address, value = _written(text)
        self._pdu = bytes([function]) + address.to_bytes(2, "big") + value.to_bytes(2, "big")
        self._frame: Frame = FRAMINGS[options.framing](
            device=options.device, pdu=self._pdu, echo=options.echo
        )
        self.tagged = self._frame.tagged
        self.label = f"device {options.device} {text}"
        self.request_bytes = len(self._pdu) + self._frame.extra
        self.reply_bytes = self.request_bytes * (2 if options.echo else 1)

    def request(self) -> bytes:
        """Return the frame to send, over TCP with a new transaction number."""
        return self._frame.request()

    def parse(self, received: bytes) -> Reply | None:
        """Return an empty reply. Raises ReplyError, or InstrumentError for an exception reply."""
        taken = self._frame.take(received, self._pdu[0], 0)
        if taken is None:
            return None
        pdu, used = taken
        if pdu[0] != self._pdu[0]:
            raise InstrumentError(f"refused with {exception_name(pdu[1])} to function {self._pdu[0]}")
        if pdu != self._pdu:
            raise ReplyError(f"{shown(pdu)} does not repeat the request {shown(self._pdu)}", used=used)
        return Reply(used=used, text="written")


def _written(text: str) -> tuple[int, int, int]:
    """Return function, address and value of a write in words. Raises ValueError."""
    coil = _COIL.fullmatch(text.strip())
    register = _REGISTER.fullmatch(text.strip())
    if coil is not None:
        function, address, value = 5, int(coil[1]), 0xFF00 if coil[2] == "on" else 0
    elif register is not None:
        function, address, value = 6, int(register[1]), int(register[2])
    else:
        raise ValueError(
            f"{shown(text)} is not a command; write coil 3 on, coil 3 off, or register 12 = 2300"
        )
    if address > 65535 or not -32768 <= value <= 65535:
        raise ValueError(f"{shown(text)}: an address is at most 65535, a register holds -32768 to 65535")
    return function, address, value & 0xFFFF


def _check_field(name: str, field: Field) -> None:
    bits = field.table in {"coil", "discrete"}
    if bits != (field.type == "bit"):
        raise ValueError(f"fields.{name}: table {field.table} and type {field.type} do not go together")
    if not bits and WORDS[field.type] > 1 and field.order == "none":
        raise ValueError(
            f"fields.{name}: {field.type} needs order (one of {', '.join(ORDERS)}): a wrong one gives "
            "plausible wrong numbers"
        )
    if field.register + _width(field) > 65536:
        raise ValueError(f"fields.{name}: register {field.register} and its width go past 65535")


def _width(field: Field) -> int:
    """Return how many registers (or bits) a value takes."""
    return 1 if field.type == "bit" else WORDS[field.type]


def _value(field: Field, at: int) -> Value:
    return Value(
        type=field.type,
        order="ABCD" if field.order == "none" else field.order,
        at=at,
        scale=field.scale,
        offset=field.offset,
        no_value=frozenset(field.no_value),
    )


def _groups(options: Options) -> list[tuple[str, dict[str, Field]]]:
    """Return the fields sorted into reads: one table each, neighbours joined, none too long."""
    groups: list[tuple[str, dict[str, Field]]] = []
    for table in READ_FUNCTIONS:
        longest = MOST_BITS if table in {"coil", "discrete"} else options.longest
        named = [(name, field) for name, field in options.fields.items() if field.table == table]
        first = end = -1
        for name, field in sorted(named, key=lambda pair: pair[1].register):
            width = _width(field)
            joins = end >= 0 and field.register <= end + options.gap
            if joins and max(end, field.register + width) - first <= longest:
                groups[-1][1][name] = field
                end = max(end, field.register + width)
            else:
                groups.append((table, {name: field}))
                first, end = field.register, field.register + width
    return groups
