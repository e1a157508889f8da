"""A whole rig file as a ``RigConfig``, or all of its faults at once.

``read`` takes the nodes of the file and what drivers say of themselves; nothing here opens anything.
Names of units, channels, fields and templates' words are a letter followed by letters, digits and ``_``,
so that ``-`` in a formula is always a minus; buses, instruments and templates may have hyphens.
"""

from __future__ import annotations

import difflib
import hashlib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from rig.domain.accounting import Accounting
from rig.domain.layout_json import layout_from_json, to_json
from rig.domain.model import InstrumentFacts, Layout
from rig.domain.preflight_checks import PreflightPlan
from rig.domain.program import Program
from rig.domain.switching import SwitchOff
from rig.errors import ConfigError, ConfigFault, SoakrigError
from rig.rigfile.account_section import AccountSection, accounting
from rig.rigfile.alerts_section import Alerts
from rig.rigfile.buses_section import BlockFacts, Instrument, Ports, check_buses, check_instruments
from rig.rigfile.channel_section import Readable
from rig.rigfile.node import Node, NodePlace, entries, near
from rig.rigfile.preflight_section import preflight
from rig.rigfile.program_reader import ProgramReader
from rig.rigfile.schema import build, keys, take_keys
from rig.rigfile.sections import Bus, InstrumentSection, RigSection
from rig.rigfile.signals_section import unit_signals
from rig.rigfile.switch_off_section import CheckCommand, switch_offs
from rig.rigfile.unit_channels import ChannelReader

__all__ = [
    "BlockFacts",
    "Bus",
    "DriverSpec",
    "Instrument",
    "Ports",
    "RigConfig",
    "layout_from_json",
    "read",
    "to_json",
]


def no_commands(_options: Any, _text: str) -> None:
    """Refuse: nothing is known of commands. Raises ValueError."""
    raise ValueError("instruments of this kind are only read; the driver has no commands")


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverSpec:
    """What the file check needs to know of a driver.

    options: its ``Options`` dataclass. describe: options -> the exchanges of one poll; raises
    ValueError for options that make no sense together. check_command: (options, text) raises
    ValueError if the instrument has no such command.
    """

    options: type[Any]
    describe: Callable[[Any], Sequence[BlockFacts]]
    check_command: Callable[[Any, str], None] = no_commands


@dataclass(frozen=True, slots=True, kw_only=True)
class RigConfig:
    """A rig file that has no fault.

    rig: its name. runs: folder of the recordings. planned_s: planned duration of a run. sync_s: longest
    time that readings wait for the disk. text: the file as it stands. alerts: None without alerts.
    switch_offs: units that are switched off when they have left a trip limit. preflight: how the rig is
    proved.
    """

    rig: str
    runs: str
    planned_s: float
    sync_s: float
    buses: Mapping[str, Bus]
    instruments: Mapping[str, Instrument]
    layout: Layout
    text: str = ""
    alerts: Alerts | None = None
    switch_offs: Mapping[str, SwitchOff] = field(default_factory=dict)
    preflight: PreflightPlan = field(default_factory=PreflightPlan)

    @property
    def runs_path(self) -> Path:
        """Folder of the recordings."""
        return Path(self.runs)

    @property
    def sha256(self) -> str:
        """Hash of the file's text, in hexadecimal digits."""
        return hashlib.sha256(self.text.encode()).hexdigest()


def read(
    node: Node,
    drivers: Callable[[str], DriverSpec],
    *,
    ports: Ports | None = None,
    text: str = "",
    found: Sequence[ConfigFault] = (),
) -> RigConfig:
    """Return the rig that ``node`` describes. Raises ConfigError with every fault of the file.

    drivers: name -> what the driver says of itself; raises a SoakrigError if there is none.
    found: faults that were found before, while the file was loaded.
    """
    faults = list(found)
    top = take_keys(RigSection, node, faults, "")
    buses = _buses(node, ports or Ports(), faults)
    instruments = _instruments(node, drivers, buses, faults)
    channels = ChannelReader(node, _readable(node, instruments), faults)
    channels.read()
    asked = _accounting(node, top.get("account"), channels, faults)
    made = {name: one for name, (one, _) in instruments.items()}
    known = {name: one for name, (one, _) in channels.channels.items() if one is not None}
    check = _command_check(made, entries(node, "instruments"), drivers)
    program = _program(node, channels, check, faults)
    proof = preflight(
        top.get("preflight"),
        dict.fromkeys(channels.channels) | known,
        list(entries(node, "units")),
        NodePlace(entries(node).get("preflight", node), "preflight", faults),
        check,
    )
    switches = switch_offs(channels.switches, dict.fromkeys(channels.channels) | known, check)
    shown = unit_signals(channels.signals, dict.fromkeys(channels.channels) | known)
    if faults:
        raise ConfigError(_joined(faults))
    layout = Layout(
        rig=top["rig"],
        units={
            name: replace(one, signals=shown[name]) if name in shown else one
            for name, one in channels.units.items()
        },
        channels=known,
        instruments={name: _facts(one) for name, one in made.items()},
        planned_s=top["planned_s"],
        accounting=asked,
        program=program,
    )
    return RigConfig(
        rig=top["rig"],
        runs=top["runs"],
        planned_s=top["planned_s"],
        sync_s=top.get("sync_s", keys(RigSection)["sync"].default),
        buses={name: bus for name, (bus, _) in buses.items()},
        instruments=made,
        layout=layout,
        text=text,
        alerts=top.get("alerts"),
        switch_offs=switches,
        preflight=proof,
    )


def _command_check(
    made: Mapping[str, Instrument], written: Mapping[str, Node], drivers: Callable[[str], DriverSpec]
) -> CheckCommand:
    """Return what judges a command; it raises KeyError with the instruments' names for an unknown one."""

    def check(instrument: str, command: str) -> None:
        if instrument not in written:
            raise KeyError(list(written))
        if instrument in made:  # a faulty one has been reported already
            one = made[instrument]
            drivers(one.driver).check_command(one.options, command)

    return check


def _program(
    node: Node, channels: ChannelReader, check: CheckCommand, faults: list[ConfigFault]
) -> Program | None:
    written = entries(node).get("program")
    if written is None:
        return None
    units = list(entries(node, "units"))
    return ProgramReader(NodePlace(written, "program", faults), channels.channels, units, check).read()


def _accounting(
    node: Node, section: AccountSection | None, channels: ChannelReader, faults: list[ConfigFault]
) -> Accounting | None:
    place = NodePlace(entries(node).get("account", node), "account", faults)
    known = {name: one for name, (one, _) in channels.channels.items()}
    return accounting(section, known, list(channels.units), place)


def _facts(one: Instrument) -> InstrumentFacts:
    return InstrumentFacts(
        name=one.name, bus=one.bus, driver=one.driver, poll_s=one.poll_s, timeout_s=one.timeout_s
    )


def _buses(node: Node, ports: Ports, faults: list[ConfigFault]) -> dict[str, tuple[Bus, NodePlace]]:
    buses = {}
    for name, one in entries(node, "buses").items():
        bus = build(Bus, one, faults, f"buses.{name}")
        if bus is not None:
            buses[name] = (replace(bus, name=name), NodePlace(one, f"buses.{name}", faults))
    check_buses(buses, ports)
    return buses


def _instruments(
    node: Node,
    drivers: Callable[[str], DriverSpec],
    buses: Mapping[str, tuple[Bus, NodePlace]],
    faults: list[ConfigFault],
) -> dict[str, tuple[Instrument, NodePlace]]:
    known_buses = entries(node, "buses")
    instruments = {}
    for name, one in entries(node, "instruments").items():
        place = NodePlace(one, f"instruments.{name}", faults)
        bus = entries(one)["bus"].value if "bus" in entries(one) else None
        if known_buses and isinstance(bus, str) and bus and bus not in known_buses:
            place.say("bus", f"there is no bus {bus!r}", near(bus, known_buses))
        instrument = _instrument(name, place, drivers)
        if instrument is None:
            continue
        instruments[name] = (instrument, place)
    check_instruments(buses, instruments)
    return instruments


def _instrument(name: str, place: NodePlace, drivers: Callable[[str], DriverSpec]) -> Instrument | None:
    node, common = place.node, keys(InstrumentSection)
    spec = _driver(place, drivers)
    others = [key for key in node.value if key not in common] if isinstance(node.value, dict) else []
    known = list(keys(spec.options)) if spec is not None else _strange(others, node)
    section = build(InstrumentSection, node, place.faults, place.path, besides=known)
    if spec is None:
        return None
    rest = {key: one for key, one in entries(node).items() if key in known}
    options = build(spec.options, Node(rest, node.line, node.file, node.key_line), place.faults, place.path)
    if section is None or options is None:
        return None
    try:
        blocks = tuple(spec.describe(options))
    except ValueError as error:
        place.say("", str(error), f"see the keys of the driver {section.driver}")
        return None
    fields = Counter(one for block in blocks for one in block.fields)
    for twice in (one for one, times in fields.items() if times > 1):
        place.say("", f"the field {twice!r} is read twice", "give each field its own name")
    return Instrument(
        name=name,
        bus=section.bus,
        driver=section.driver,
        poll_s=section.poll_s,
        timeout_s=section.timeout_s,
        reply_s=section.reply_s,
        fast_poll_s=section.fast_poll_s,
        options=options,
        blocks=blocks,
        baud=section.baud,
        description=section.description,
    )


def _strange(others: Sequence[str], node: Node) -> list[str]:
    """Return the keys that may belong to an unknown driver: all but misspelled common ones."""
    missing = [
        key for key, one in keys(InstrumentSection).items() if one.required and key not in entries(node)
    ]
    return [key for key in others if not difflib.get_close_matches(key, missing, n=1, cutoff=0.7)]


def _driver(place: NodePlace, drivers: Callable[[str], DriverSpec]) -> DriverSpec | None:
    name = entries(place.node).get("driver")
    if name is None or not isinstance(name.value, str) or not name.value:
        return None
    try:
        return drivers(name.value)
    except SoakrigError as error:
        place.say("driver", str(error), "name a driver, or the dotted path of a module")
        return None


def _readable(
    node: Node, instruments: Mapping[str, tuple[Instrument, NodePlace]]
) -> dict[str, Readable] | None:
    readable = {}
    for name in entries(node, "instruments"):
        readable[name] = Readable(poll_s=0.0, blocks=None)
        if name in instruments:
            one = instruments[name][0]
            readable[name] = Readable(poll_s=one.poll_s, blocks=tuple(block.fields for block in one.blocks))
    return readable or None


def _joined(faults: Sequence[ConfigFault]) -> list[ConfigFault]:
    """Return the faults, those at the same place (through a template) once."""
    paths: dict[tuple[str, int, str, str], list[str]] = {}
    for one in faults:
        at = paths.setdefault((one.file, one.line, one.found, one.allowed), [])
        if one.path not in at:
            at.append(one.path)
    joined = []
    for (file, line, found, allowed), at in paths.items():
        path = at[0] + (f" (and {len(at) - 1} more)" if len(at) > 1 else "")
        joined.append(ConfigFault(file=file, line=line, path=path, found=found, allowed=allowed))
    return joined
