"""The block ``switch-off`` of a unit: its keys, from them to a ``SwitchOff``, all contradictions found."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from rig.domain.model import Channel
from rig.domain.switching import SwitchOff
from rig.domain.units import Amount, UnitError
from rig.rigfile.node import Node, NodePlace, entries, near
from rig.rigfile.schema import AmountField, Integer, Measure, Name, Section, Seq, Text, build, key

CheckCommand = Callable[[str, str], None]
"""(instrument, command): raises ValueError if the instrument has no such command."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfirmSection:
    """What a reading must show for the unit to count as off. Exactly one of ``below`` and ``above``."""

    channel: str = key(Text(), doc="channel that shows it, such as the unit's supply current")
    below: Amount | None = key(Measure(), default=None, doc="off when it reads less than this")
    above: Amount | None = key(Measure(), default=None, doc="off when it reads more than this")
    within_s: float = key(
        AmountField("s", positive=True, high=3600.0),
        name="within",
        default=10.0,
        doc="longest time from the command to the readback",
    )

    def __post_init__(self) -> None:
        if (self.below is None) == (self.above is None):
            raise ValueError("write exactly one of below and above")


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchOffSection:
    """How a unit is switched off on a trip limit; a convenience, no protection."""

    instrument: str = key(Name(hyphens=True), doc="relay or source that receives the commands")
    commands: tuple[str, ...] = key(
        Seq(Text(), least=1),
        doc="commands, as its driver takes them; no protection: fuses and cut-outs must work without",
    )
    confirm: ConfirmSection = key(Section(ConfirmSection), doc="readback that shows the unit off")
    tries: int = key(
        Integer(1, 10), default=3, doc="how often to send the commands until the readback shows it"
    )


def switch_offs(
    places: Mapping[str, NodePlace], channels: Mapping[str, Channel | None], check: CheckCommand
) -> dict[str, SwitchOff]:
    """Return what the units' ``switch-off`` blocks say, by unit; faults are added to their places.

    channels: all of the rig file by name, None for one that is faulty itself.
    """
    found = {}
    for unit, place in places.items():
        one = _switch_off(unit, place, channels, check)
        if one is not None:
            found[unit] = one
    return found


def _switch_off(
    unit: str, place: NodePlace, channels: Mapping[str, Channel | None], check: CheckCommand
) -> SwitchOff | None:
    before = len(place.faults)
    section = build(SwitchOffSection, place.node, place.faults, place.path)
    if section is None:
        return None
    check_commands(place, section.instrument, section.commands, check)
    name = section.confirm.channel
    if name not in channels:
        place.say("confirm.channel", f"there is no channel {name!r}", near(name, channels))
    channel = channels.get(name)
    if channel is None:
        return None
    side = "below" if section.confirm.below is not None else "above"
    written = section.confirm.below or section.confirm.above
    assert written is not None
    try:
        value = written.to(channel.unit_of_measure)
    except UnitError as error:
        place.say(f"confirm.{side}", error.found, error.allowed)
        return None
    if len(place.faults) > before:
        return None
    return SwitchOff(
        unit=unit,
        instrument=section.instrument,
        commands=section.commands,
        channel=channel.name,
        low=value if side == "above" else float("-inf"),
        high=value if side == "below" else float("inf"),
        within_s=section.confirm.within_s,
        tries=section.tries,
    )


def check_commands(place: NodePlace, instrument: str, commands: tuple[str, ...], check: CheckCommand) -> None:
    """Say which of the commands at ``place`` its instrument does not take."""
    listed = entries(place.node).get("commands")
    for at, command in enumerate(commands):
        try:
            check(instrument, command)
        except KeyError as error:
            place.say("instrument", f"there is no instrument {instrument!r}", near(instrument, error.args[0]))
            return
        except ValueError as error:
            node = listed.value[at] if listed and isinstance(listed.value, list) else place.node
            where = NodePlace(
                Node(node.value, node.line, node.file), f"{place.path}.commands[{at}]", place.faults
            )
            where.say("", str(error), f"write a command of {instrument}")
