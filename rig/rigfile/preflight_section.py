"""The section ``preflight`` of a rig file: what may be written there, and what it means."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rig.domain.model import Channel
from rig.domain.preflight_checks import LoadCheck, PowerSwitch, PreflightPlan
from rig.domain.program import PhaseTarget, each
from rig.domain.units import Amount, UnitError, difference, unit_of_measure
from rig.rigfile.node import NodePlace, near
from rig.rigfile.program_section import WithTolerance
from rig.rigfile.schema import AmountField, Map, Measure, Name, Section, Seq, Text, key
from rig.rigfile.switch_off_section import CheckCommand

_CHANNEL = Text()


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadSection:
    """Where the loads' voltage and current are read, and what their resistance should be."""

    volts: str = key(_CHANNEL, doc="channel of the voltage across the load; {unit} stands for each unit")
    amps: str = key(_CHANNEL, doc="channel of the current through it; {unit} stands for each unit")
    ohm: tuple[Amount, Amount] | None = key(
        WithTolerance(), default=None, doc="resistance of every unit's load, such as 8 ohm +- 0.5 ohm"
    )
    units: dict[str, tuple[Amount, Amount]] = key(
        Map(WithTolerance(), word="UNIT"), default={}, doc="resistance of one unit's load, where it differs"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerSection:
    """How a unit is switched on and off by command. With caution: mains comes on with nobody there."""

    instrument: str = key(Name(hyphens=True), doc="relay or source that receives the commands")
    on: tuple[str, ...] = key(Seq(Text(), least=1), doc="commands that switch the unit on")
    off: tuple[str, ...] = key(Seq(Text(), least=1), doc="commands that switch it off")


@dataclass(frozen=True, slots=True, kw_only=True)
class PreflightSection:
    """How the rig is proved before the weeks begin (soakrig preflight)."""

    ambient: str | None = key(_CHANNEL, default=None, doc="channel of the room's air, in degC")
    near_ambient: Amount | None = key(
        Measure(), default=None, doc="largest difference of a cold sensor from ambient; default: 3 K"
    )
    sensors: tuple[str, ...] = key(
        Seq(_CHANNEL),
        default=(),
        doc="the units' temperature sensors; {unit} stands for each unit; default: all measured in degC",
    )
    watch_s: float = key(
        AmountField("s", low=0.5, high=3600.0),
        name="watch",
        default=20.0,
        doc="time over which mean and standard deviation are taken",
    )
    noise: dict[str, Amount] = key(
        Map(Measure(), names=_CHANNEL, word="CHANNEL"),
        default={},
        doc="largest standard deviation of readings; {unit} stands for each unit",
    )
    rise: Amount | None = key(
        Measure(), default=None, doc="least rise of a sensor when its unit is driven; default: 2 K"
    )
    within_s: float = key(
        AmountField("s", positive=True, high=86_400.0), name="within", default=300.0, doc="within this time"
    )
    load: LoadSection | None = key(Section(LoadSection), default=None, doc="how load resistances are checked")
    switch: dict[str, PowerSection] = key(
        Map(Section(PowerSection), word="UNIT"),
        default={},
        doc="units that soakrig may switch on and off for this; all others are switched by hand",
    )


def preflight(
    section: PreflightSection | None,
    channels: Mapping[str, Channel | None],
    units: Sequence[str],
    place: NodePlace,
    check: CheckCommand,
) -> PreflightPlan:
    """Return what the rig file says of a pre-flight, the defaults where it says nothing.

    channels: all by name, None where one is faulty. Faults are added at ``place``.
    """
    section = section or PreflightSection()
    read = _Reader(place, channels, units)
    if section.ambient is not None:
        read.symbol("ambient", section.ambient)
    for name in section.sensors:
        read.symbol("sensors", name)
    for unit, one in section.switch.items():
        if unit not in units:
            place.say("switch", f"there is no unit {unit!r}", near(unit, units))
        for commands in (one.on, one.off):
            try:
                _check_all(check, one.instrument, commands)
            except KeyError as error:
                found = f"there is no instrument {one.instrument!r}"
                place.say(f"switch.{unit}.instrument", found, near(one.instrument, error.args[0]))
                break
            except ValueError as error:
                place.say(f"switch.{unit}", str(error), f"write a command of {one.instrument}")
    return PreflightPlan(
        ambient=section.ambient or "",
        near=read.kelvin("near-ambient", section.near_ambient, 3.0),
        sensors=section.sensors,
        watch_s=section.watch_s,
        noise={
            name: read.step("noise", written, read.symbol("noise", name))
            for name, written in section.noise.items()
        },
        rise=read.kelvin("rise", section.rise, 2.0),
        within_s=section.within_s,
        load=_load(section.load, read, units),
        switches={
            unit: PowerSwitch(instrument=one.instrument, on=one.on, off=one.off)
            for unit, one in section.switch.items()
        },
    )


def _check_all(check: CheckCommand, instrument: str, commands: Sequence[str]) -> None:
    for command in commands:
        check(instrument, command)


def _load(section: LoadSection | None, read: _Reader, units: Sequence[str]) -> LoadCheck | None:
    if section is None:
        return None
    for at, channel, unit in (("load.volts", section.volts, "V"), ("load.amps", section.amps, "A")):
        symbol = read.symbol(at, channel)
        if symbol is not None and unit_of_measure(symbol).kind != unit_of_measure(unit).kind:
            read.place.say(at, f"{channel!r} is in {symbol}", f"name a channel in {unit}")
    ohm = {}
    for unit in units:
        written = section.units.get(unit, section.ohm)
        if written is not None:
            ohm[unit] = PhaseTarget(
                value=read.step("load.ohm", written[0], "ohm"),
                tolerance=read.step("load.ohm", written[1], "ohm"),
            )
    for unit in section.units:
        if unit not in units:
            read.place.say("load.units", f"there is no unit {unit!r}", near(unit, units))
    return LoadCheck(volts=section.volts, amps=section.amps, ohm=ohm)


class _Reader:
    """Looks up channels and amounts; adds faults at its place."""

    def __init__(
        self, place: NodePlace, channels: Mapping[str, Channel | None], units: Sequence[str]
    ) -> None:
        self.place = place
        self._channels = channels
        self._units = units

    def symbol(self, at: str, channel: str) -> str | None:
        """Return the unit of measure of a channel (of the first unit's), None after adding what is wrong."""
        symbols = []
        for name in each(channel, self._units):
            if name not in self._channels:
                self.place.say(at, f"there is no channel {name!r}", near(name, self._channels))
                return None
            one = self._channels[name]
            symbols += [one.unit_of_measure] if one is not None else []
        return symbols[0] if symbols else None

    def step(self, at: str, amount: Amount, symbol: str | None) -> float:
        """Return a difference in the steps of a unit of measure; 0 after adding a fault."""
        if symbol is None:
            return 0.0
        try:
            return difference(amount, symbol)
        except UnitError as error:
            self.place.say(at, error.found, error.allowed)
            return 0.0

    def kelvin(self, at: str, amount: Amount | None, default: float) -> float:
        """Return a temperature difference in K above 0; ``default`` where none is written."""
        if amount is None:
            return default
        kelvin = self.step(at, amount, "degC")
        if kelvin < 0.0:
            self.place.say(at, f"found {amount.text}", "write 0 K or more")
        return kelvin
