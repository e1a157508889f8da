"""Signals of units that a rig file may name, but that probably show something else than they should."""

from __future__ import annotations

from collections.abc import Iterator

from rig.domain.accounting import LevelPlan
from rig.domain.formatting import setting
from rig.domain.model import Channel, Layout, Side, Unit
from rig.domain.signals import SignalName, wired
from rig.domain.units import unit_of_measure
from rig.domain.unseen_states import in_runs

_MEASURES = {
    SignalName.MAINS: ("a voltage", ("V",)),
    SignalName.SUPPLY: ("a current or power", ("A", "W", "VA")),
}
"""What a signal is by its definition; output and drive may be measured as anything."""


def doubtful_signals(layout: Layout) -> list[str]:
    """Return in words what is odd about the units' signals, like units together; [] where nothing is.

    In the words, {unit} is the name of each unit.
    """
    found: dict[str, list[str]] = {}
    for unit in layout.units.values():
        for words in _of(layout, unit):
            found.setdefault(words, []).append(unit.name)
    return [f"{in_runs(names)}: {words}" for words, names in found.items()]


def _of(layout: Layout, unit: Unit) -> Iterator[str]:
    known = {name: level for name, level in wired(unit.signals).items() if level.channel in layout.channels}
    for name, level in known.items():
        channel = layout.channels[level.channel]
        about = f"{name} is read from {_general(unit, channel.name)}"
        if name in {SignalName.OUTPUT, SignalName.SUPPLY} and channel.unit != unit.name:
            yield f"{about}, a channel of {channel.unit or 'the room'} and not of its own"
        what, symbols = _MEASURES.get(name, ("", ()))
        kinds = [unit_of_measure(symbol).kind for symbol in symbols]
        if kinds and unit_of_measure(channel.unit_of_measure).kind not in kinds:
            yield f"{about} in {channel.unit_of_measure}, which is not {what}"
        if beyond := _beyond(channel, level):
            at = f"on-above {setting(level.on_above, channel.unit_of_measure)}"
            yield f"{about}, and is on only beyond its high limit: {at}, limit {beyond}"
    for first, second in ((SignalName.MAINS, SignalName.DRIVE), (SignalName.OUTPUT, SignalName.DRIVE)):
        if first in known and second in known and known[first].channel == known[second].channel:
            one = _general(unit, known[first].channel)
            yield f"{first} and {second} are read from one channel, {one}"


def _general(unit: Unit, channel: str) -> str:
    own = f"{unit.name}."
    return "{unit}." + channel.removeprefix(own) if channel.startswith(own) else channel


def _beyond(channel: Channel, level: LevelPlan) -> str:
    """Return the high limit that a signal must exceed to be on, '' where there is none."""
    for limit in channel.limits:
        if limit.side is Side.HIGH and level.on_above >= limit.value:
            return setting(limit.value, channel.unit_of_measure)
    return ""
