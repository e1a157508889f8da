"""The blocks ``signals`` of a rig file: which channels show what state a unit is in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rig.domain.accounting import LevelPlan
from rig.domain.formatting import setting
from rig.domain.model import Channel, Signals
from rig.domain.units import Amount, UnitError
from rig.rigfile.account_section import LevelSection
from rig.rigfile.node import NodePlace, near
from rig.rigfile.schema import AmountField, Section, build, key


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalsSection:
    """Channels that show what state a unit is in; what is left out is not read."""

    mains: LevelSection | None = key(
        Section(LevelSection), default=None, doc="voltage of the source that feeds the unit"
    )
    supply: LevelSection | None = key(
        Section(LevelSection), default=None, doc="current or power that the unit draws"
    )
    output: LevelSection | None = key(Section(LevelSection), default=None, doc="what the unit gives")
    drive: LevelSection | None = key(Section(LevelSection), default=None, doc="signal that it is given")
    failed_after_s: float = key(
        AmountField("s", low=1.0, high=86_400.0),
        name="failed-after",
        default=60.0,
        doc="driven time without output, or unexplained time without supply, that is a suspected failure",
    )
    idle_after_s: float = key(
        AmountField("s", low=0.0, high=86_400.0),
        name="idle-after",
        default=30.0,
        doc="a shorter pause of the drive is part of a burst",
    )
    muted_after_s: float = key(
        AmountField("s", low=0.0, high=86_400.0),
        name="muted-after",
        default=0.0,
        doc="a shorter pause of the output is part of a burst that the drive's readback does not show",
    )


def unit_signals(
    places: Mapping[str, NodePlace], channels: Mapping[str, Channel | None]
) -> dict[str, Signals]:
    """Return what the units' ``signals`` blocks say, by unit; faults are added to their places.

    channels: all of the rig file by name, None for one that is faulty itself.
    """
    return {unit: _signals(place, channels) for unit, place in places.items()}


def _signals(place: NodePlace, channels: Mapping[str, Channel | None]) -> Signals:
    section = build(SignalsSection, place.node, place.faults, place.path)
    if section is None:
        return Signals()
    return Signals(
        mains=_level(place, "mains", section.mains, channels),
        supply=_level(place, "supply", section.supply, channels),
        output=_level(place, "output", section.output, channels),
        drive=_level(place, "drive", section.drive, channels),
        failed_after_s=section.failed_after_s,
        idle_after_s=section.idle_after_s,
        muted_after_s=section.muted_after_s,
    )


def _level(
    place: NodePlace, at: str, section: LevelSection | None, channels: Mapping[str, Channel | None]
) -> LevelPlan | None:
    if section is None:
        return None
    if section.channel not in channels:
        place.say(
            f"{at}.channel", f"there is no channel {section.channel!r}", near(section.channel, channels)
        )
        return None
    channel = channels[section.channel]
    if channel is None:
        return None
    on = _amount(place, f"{at}.on-above", section.on_above, channel)
    off = _amount(place, f"{at}.off-below", section.off_below, channel)
    if off > on:
        found = f"{setting(off)} is above on-above {setting(on)}"
        place.say(f"{at}.off-below", found, "write it at or below that")
    return LevelPlan(channel=section.channel, on_above=on, off_below=off)


def _amount(place: NodePlace, at: str, amount: Amount, channel: Channel) -> float:
    try:
        return amount.to(channel.unit_of_measure)
    except UnitError as error:
        place.say(at, error.found, error.allowed)
        return 0.0
