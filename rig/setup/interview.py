"""Interview about the connected instruments: questions with defaults, answers to a ``draft.Plan``.

Talks through two callables, so that a terminal, a test and ``--yes`` are the same to it. A port is opened
only after a yes to the question whether it may be, or because its LAN address was named.
"""

from __future__ import annotations

import re
import socket
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rig.errors import BusError, ConfigFault, UsageError, shown
from rig.rigfile.node import BAD, Node
from rig.rigfile.schema import Scalar, Text, UnitSymbol, keys
from rig.rigfile.sections import Bus
from rig.setup.draft import Connection, Measured, scalar, suggested
from rig.setup.found_ports import MODBUS_PORT, Port

Ask = Callable[[str, str], str]
"""(question, default) -> the answer, or the default for an empty one."""
Say = Callable[[str], None]
EXAMPLE = "192.168.7.20:502"


@dataclass(frozen=True, slots=True, kw_only=True)
class InterviewTools:
    """What an interview works with. drivers: their Options by name; who: asks a bus for its identity."""

    ask: Ask
    say: Say
    drivers: Mapping[str, type[Any]]
    who: Callable[[Bus], str]


def connections(tools: InterviewTools, ports: Sequence[Port], lan: Sequence[str]) -> list[Connection]:
    """Return what is connected: of the serial ports those wanted, and what is named on the network.

    Raises UsageError if an address of ``lan`` cannot be one.
    """
    found: list[Connection] = []
    if not ports:
        tools.say("No serial port with a stable name (/dev/serial/by-id, by-path) found.")
    for port in ports:
        if _yes(tools, f"Serial port {port.path} ({port.device}): use it", "y"):
            found.append(_serial(tools, port, _fresh("line", found)))
    for address in lan:
        if fault := _lan_fault(address):
            raise UsageError(f"--lan {fault}")
    for address in lan:
        found.append(_network(tools, address, _fresh("net", found)))
    while True:
        question = "Instrument on the network, HOST:PORT or VISA resource (empty: no more)"
        address = checked(tools, question, "", _lan_fault)
        if not address:
            break
        found.append(_network(tools, address, _fresh("net", found)))
    if not found:
        tools.say(f"No instrument named; the file gets an example: {EXAMPLE}.")
        about = "An EXAMPLE, because no instrument was named: write your own."
        found.append(_described(tools, {"tcp": EXAMPLE}, "net1", "modbus", about=about))
    return found


def _fresh(word: str, found: Sequence[Connection]) -> str:
    return f"{word}{1 + sum(one.bus.startswith(word) for one in found)}"


def _serial(tools: InterviewTools, port: Port, bus: str) -> Connection:
    baud = _scalar(tools, "  its baud rate, bits per second it is set to", "9600", keys(Bus)["baud"].kind)
    given = {"serial": port.path, "baud": baud}
    question = "  open it now and ask *IDN? (some instruments restart when their port is opened)"
    identity = ""
    if _yes(tools, question, "n"):
        identity = _identity(tools, Bus(name=bus, serial=port.path, baud=int(baud)))
    about = f"Answers *IDN? with {identity}" if identity else ""
    driver = _driver(tools, "scpi" if identity else "lines")
    return _described(tools, given, bus, driver, about=about, identity=identity)


def _network(tools: InterviewTools, address: str, bus: str) -> Connection:
    visa = "::" in address
    given = {"visa" if visa else "tcp": address}
    driver = _driver(tools, "modbus" if address.endswith(f":{MODBUS_PORT}") else "scpi")
    if driver != "scpi":
        return _described(tools, given, bus, driver)
    identity = _identity(tools, Bus(name=bus, visa=address) if visa else Bus(name=bus, tcp=address))
    about = f"Answers *IDN? with {identity}" if identity else "No answer to *IDN? when this was written."
    return _described(tools, given, bus, driver, about=about, identity=identity)


def _identity(tools: InterviewTools, bus: Bus) -> str:
    try:
        identity = tools.who(bus)
    except BusError as error:
        tools.say(f"  no answer to *IDN?: {error}")
        return ""
    tools.say(f"  it calls itself {shown(identity)}")
    return identity if identity.isprintable() else ""


def _driver(tools: InterviewTools, usual: str) -> str:
    def unknown(name: str) -> str:
        return "" if name in tools.drivers else f"there is no driver {name!r}"

    return checked(tools, f"  driver: {', '.join(tools.drivers)}", usual, unknown)


def _described(
    tools: InterviewTools,
    given: Mapping[str, str],
    bus: str,
    driver: str,
    *,
    about: str = "",
    identity: str = "",
) -> Connection:
    """Return a connection after asking for its name and what the driver must know."""
    name = checked(tools, "  name of the instrument", f"{driver}-{bus}", _name_fault)
    options = tools.drivers[driver]
    written: dict[str, str] = {}
    for key, spec in keys(options).items():
        if key == "identity" and identity and isinstance(spec.kind, Text):
            written[key] = scalar(suggested(identity))
        elif spec.required and isinstance(spec.kind, Scalar):
            answer = _scalar(tools, f"  {key}: {spec.doc}", spec.example.strip('"'), spec.kind)
            written[key] = scalar(answer)
    if driver == "modbus" and "tcp" in given:
        spec = keys(options)["framing"]
        written["framing"] = _scalar(tools, f"  framing: {spec.doc}", "tcp", spec.kind)
    return Connection(
        bus=bus, keys=given, instrument=name, driver=driver, options=options, given=written, about=about
    )


def rig_name(tools: InterviewTools) -> str:
    """Return a name for the rig."""
    return checked(tools, "Name of the rig", host(), _name_fault)


def channels(tools: InterviewTools, fields: Mapping[str, Sequence[str]]) -> tuple[list[Measured], list[str]]:
    """Return a channel for each field of each instrument, and the units under test that they name."""
    found: dict[str, Measured] = {}
    for instrument, names in fields.items():
        for name in names:
            usual = name if name not in found else f"{instrument.replace('-', '_')}_{name}"
            question = f"{instrument}.{name} is (UNIT.quantity or a name, and its unit of measure)"
            answer = checked(tools, question, usual, lambda text: _channel_fault(text, found))
            channel, _, unit = answer.partition(" ")
            symbol = UnitSymbol().convert(unit.strip() or "1")
            found[channel] = Measured(name=channel, source=f"{instrument}.{name}", unit=symbol)
    under_test = dict.fromkeys(one.partition(".")[0] for one in found if "." in one)
    return list(found.values()), list(under_test)


# ---- one question


def _yes(tools: InterviewTools, question: str, default: str) -> bool:
    answer = checked(
        tools,
        f"{question} (y/n)",
        default,
        lambda a: "" if a.lower() in {"y", "yes", "n", "no"} else "y or n",
    )
    return answer.lower().startswith("y")


def checked(tools: InterviewTools, question: str, default: str, fault: Callable[[str], str]) -> str:
    """Return an answer that is right, after asking again as often as it is not."""
    while True:
        answer = tools.ask(question, default).strip()
        wrong = fault(answer)
        if not wrong:
            return answer
        tools.say(f"  {wrong}")


def _scalar(tools: InterviewTools, question: str, default: str, kind: Any) -> str:
    def fault(answer: str) -> str:
        faults: list[ConfigFault] = []
        bad = kind.take(Node(answer, 0, ""), faults, "") is BAD
        return f"{faults[0].found}; {faults[0].allowed}" if bad else ""

    return checked(tools, question, default, fault)


def _name_fault(name: str) -> str:
    if re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]*", name):
        return ""
    return f"{shown(name)} is not a name: a letter, then letters, digits, _ or -"


def _lan_fault(address: str) -> str:
    if not address:
        return ""
    faults: list[ConfigFault] = []
    kind = keys(Bus)["visa" if "::" in address else "tcp"].kind
    if kind.take(Node(address, 0, ""), faults, "") is not BAD:
        return ""
    return f"{faults[0].found}; {faults[0].allowed}"


def _channel_fault(answer: str, taken: Mapping[str, Measured]) -> str:
    name, _, unit = answer.partition(" ")
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*(\.[A-Za-z][A-Za-z0-9_]*)?", name):
        return f"{shown(name)} is not a channel: write a name, or UNIT.quantity (letters, digits, _)"
    if name in taken:
        return f"{name} is taken by {taken[name].source}"
    try:
        UnitSymbol().convert(unit.strip() or "1")
    except ValueError as error:
        return str(error)
    return ""


def host() -> str:
    """Return a name for a rig: that of this machine, as far as it is one."""
    name = re.sub(r"[^A-Za-z0-9_-]", "-", socket.gethostname().partition(".")[0])
    return name if re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]*", name) else "room"
