"""Buses of a rig file against each other and against what is asked of them."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from rig.domain.formatting import setting
from rig.rigfile.node import NodePlace
from rig.rigfile.sections import Bus

_UNSTABLE = re.compile(r"/dev/tty(USB|ACM)[0-9]+")
_LINE_KEYS = ("baud", "parity", "data-bits", "stop-bits", "unstable-name-ok")


def _itself(path: str) -> str:
    return path


def _none(_path: str) -> Sequence[str]:
    return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Ports:
    """What is known of this machine's serial ports.

    resolve: path -> the device it leads to now (itself where nothing is known).
    stable: device -> names that survive replugging and lead to it now.
    """

    resolve: Callable[[str], str] = _itself
    stable: Callable[[str], Sequence[str]] = _none


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockFacts:
    """One exchange of a poll: its fields and its size.

    request_bytes, reply_bytes: expected lengths; 0 = nothing is sent, or nothing comes.
    quiet_s: silence on the bus that the protocol demands before it.
    """

    fields: tuple[str, ...]
    request_bytes: int
    reply_bytes: int
    quiet_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """An instrument of the rig. ``options``: what its driver's ``Options`` made of the other keys.

    poll_s: time between polls; fast_poll_s: the same in trouble, None for no difference; timeout_s:
    longest wait for a reply; reply_s: time until a reply begins. baud: bits per second as written at
    the instrument, if at all (the bus's counts).
    blocks: the exchanges of one poll, in order.
    """

    name: str
    bus: str
    driver: str
    poll_s: float
    timeout_s: float
    reply_s: float = 0.0
    fast_poll_s: float | None = None
    options: Any = field(default=None)
    blocks: tuple[BlockFacts, ...] = ()
    baud: int | None = None
    description: str = ""

    def talk_s(self, bus: Bus) -> float:
        """Return how long one poll occupies ``bus``: bytes on the line, silence, time until the replies."""
        return sum(self.exchange_s(bus, block) for block in self.blocks)

    def exchange_s(self, bus: Bus, block: BlockFacts) -> float:
        """Return how long one exchange occupies ``bus``."""
        line_s = (block.request_bytes + block.reply_bytes) * bus.byte_s
        # The one protocol that demands silence counts it in characters: 3.5 of them (Modbus over
        # serial line V1.02, 2.5.1.1).
        quiet_s = max(block.quiet_s, 3.5 * bus.byte_s) if block.quiet_s else 0.0
        return line_s + quiet_s + (self.reply_s if block.request_bytes and block.reply_bytes else 0.0)


def check_buses(buses: Mapping[str, tuple[Bus, NodePlace]], ports: Ports) -> None:
    """Say what is wrong with the buses: ports named twice, unstable names, keys that do not apply."""
    for bus, place in buses.values():
        _check_connection(bus, place)
        if bus.device is not None:
            _check_port(bus, place, ports)
    taken: dict[tuple[object, ...], tuple[str, Bus]] = {}
    for name, (bus, place) in buses.items():
        end = _end(bus, ports)
        if end is None:
            continue
        other, that = taken.setdefault(end, (name, bus))
        if other != name:
            found = f"{' '.join(str(part) for part in end[1:])} is also the bus {other!r}"
            if bus.baud != that.baud:
                found += f" ({bus.baud} baud here, {that.baud} baud there)"
            place.say("", found, "a line carries one exchange at a time: put the instruments on one bus")


def _check_connection(bus: Bus, place: NodePlace) -> None:
    connections = [way for way in ("serial", "tcp", "visa") if getattr(bus, way) is not None]
    if len(connections) != 1:
        found = f"found {' and '.join(connections)}" if connections else "no connection is written"
        place.say("", found, "write exactly one of serial, tcp and visa")
    elif bus.device is None:
        for key in _LINE_KEYS:
            if place.has(key):
                place.say(key, f"{connections[0]} has no {key}", "leave it out")
    elif bus.baud is None:
        place.say("baud", "missing", "write the baud rate that the instruments are set to")


def _check_port(bus: Bus, place: NodePlace, ports: Ports) -> None:
    way, device = "serial" if bus.serial is not None else "visa", bus.device or ""
    if not device.startswith("/"):
        allowed = "write the device's path, such as ASRL/dev/serial/by-id/usb-example-if00::INSTR"
        place.say(way, f"{device!r} is not the path of a serial port", allowed)
    elif _UNSTABLE.fullmatch(device) and not bus.unstable_name_ok:
        allowed = "write its name below /dev/serial/by-id or by-path, or unstable-name-ok: yes"
        stable = ports.stable(device)
        if stable:
            allowed = f"write {' or '.join(stable)}"
        place.say(way, f"{device} may be another instrument after the next plug or boot", allowed)


def _end(bus: Bus, ports: Ports) -> tuple[object, ...] | None:
    if bus.device is not None:
        return ("serial", ports.resolve(bus.device))
    if bus.endpoint is not None:
        return ("tcp", bus.endpoint[0].lower(), bus.endpoint[1])
    return ("visa", bus.visa.upper()) if bus.visa is not None else None


def check_instruments(
    buses: Mapping[str, tuple[Bus, NodePlace]], instruments: Mapping[str, tuple[Instrument, NodePlace]]
) -> None:
    """Say where instruments contradict their bus: baud rate, deadlines, more asked than it can carry."""
    for name, (bus, bus_place) in buses.items():
        here = [(one, place) for one, place in instruments.values() if one.bus == name]
        for instrument, place in here:
            _check_baud(bus, instrument, place)
            if instrument.fast_poll_s is not None and instrument.fast_poll_s > instrument.poll_s:
                found = (
                    f"{setting(instrument.fast_poll_s, 's')} is slower than the poll of "
                    f"{setting(instrument.poll_s, 's')}"
                )
                place.say("fast-poll", found, "write less than poll, or leave it out")
            _check_deadline(bus, instrument, place)
        _check_load(bus, bus_place, [(one, one.poll_s) for one, _ in here], "")
        if any(one.fast_poll_s for one, _ in here):
            fast = [(one, one.fast_poll_s or one.poll_s) for one, _ in here]
            _check_load(bus, bus_place, fast, " with every fast-poll")


def _check_baud(bus: Bus, instrument: Instrument, place: NodePlace) -> None:
    if instrument.baud is not None and instrument.baud != bus.baud:
        found = f"{instrument.baud} baud, but the bus {bus.name!r} has {bus.baud or 'no'} baud"
        place.say("baud", found, "set both to the same baud rate, or give the instrument a bus of its own")


def _check_deadline(bus: Bus, instrument: Instrument, place: NodePlace) -> None:
    needed_s = max((instrument.exchange_s(bus, block) for block in instrument.blocks), default=0.0)
    if needed_s >= instrument.timeout_s:
        found = f"a timeout of {setting(instrument.timeout_s, 's')}, but one reply takes {needed_s:.3g} s"
        place.say("timeout", found, "write a longer timeout, ask for less at a time, or raise the baud rate")


def _check_load(bus: Bus, place: NodePlace, polls: Sequence[tuple[Instrument, float]], when: str) -> None:
    talks = [(one, poll_s, one.talk_s(bus)) for one, poll_s in polls]
    load = sum(talk_s / poll_s for _, poll_s, talk_s in talks)
    allowed = "poll less often, read fewer fields, raise the baud rate, or use another bus"
    if load > 1.0:
        every_s = min(poll_s for _, poll_s, _ in talks)
        parts = ", ".join(f"{one.name} {talk_s:.2g} s every {poll_s:g} s" for one, poll_s, talk_s in talks)
        found = f"polls due every {setting(every_s, 's')}{when} take {load * every_s:.3g} s of bus time"
        place.say("", f"{found} ({parts})", allowed)
        return
    for one, poll_s, talk_s in talks:
        other_s, other = max(((t, o.name) for o, _, t in talks if o is not one), default=(0.0, ""))
        if talk_s + other_s > poll_s:
            found = (
                f"{one.name} is due every {setting(poll_s, 's')}{when}, but {other} occupies the bus "
                f"for {other_s:.3g} s"
            )
            place.say("", found, allowed)
