"""Groups of units that go through the test program together, derived from the sources that feed them.

A source is a channel of the room that is the mains or the drive of a unit. Units that depend on the same
sources are one group. So are units that share one source of several, where the program asks it for different
values at different times: a generator cannot give the levels of two phases at once.

A unit that names no mains of its own may hang on any mains, and depends on all that others name; likewise the
drive. A rig file that names no signals has one group of all units.
"""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass

from rig.domain.accounting import LevelPlan
from rig.domain.model import Layout, Signals, Unit
from rig.domain.program import Program, named


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceGroup:
    """Units that go through the program together, in the order of the rig file.

    sources: channels of the room that feed any of them. foreign: those that feed other units only.
    """

    units: tuple[str, ...]
    sources: frozenset[str] = frozenset()
    foreign: frozenset[str] = frozenset()


def source_groups(layout: Layout) -> tuple[SourceGroup, ...]:
    """Return the groups in the order of their first units; a rig without units has one of none."""
    every = _all_sources(layout)
    parts: list[tuple[set[str], set[str]]] = []
    for unit in layout.units.values():
        sources = set(sources_of(layout, unit.name))
        joined = {unit.name}, set(sources)
        for part in [one for one in parts if _together(one[1], sources, layout)]:
            parts.remove(part)
            joined = part[0] | joined[0], part[1] | joined[1]
        parts.append(joined)
    order = list(layout.units)
    groups = [
        SourceGroup(
            units=tuple(name for name in order if name in units),
            sources=frozenset(sources),
            foreign=every - sources,
        )
        for units, sources in parts
    ]
    return tuple(sorted(groups, key=lambda one: order.index(one.units[0]))) or (SourceGroup(units=()),)


def sources_of(layout: Layout, unit: str) -> frozenset[str]:
    """Return the channels of the room that feed a unit, or may feed it."""
    facts = layout.units.get(unit)
    found: set[str] = set()
    for role in ("mains", "drive"):
        own = _signal(facts, role) if facts is not None else None
        found |= {own} if own is not None else _named_by_all(layout, role)
    return frozenset(found & _of_the_room(layout))


def foreign_sources(layout: Layout, unit: str) -> frozenset[str]:
    """Return the channels that feed other units only: what they read does not concern this one."""
    return _all_sources(layout) - sources_of(layout, unit)


def concerns(layout: Layout, units: Container[str], channel: str) -> bool:
    """Return whether a channel belongs to one of these units, feeds one, or is the whole room's."""
    facts = layout.channels.get(channel)
    if facts is not None and facts.unit is not None:
        return facts.unit in units
    mine = [name for name in layout.units if name in units]
    return channel not in _all_sources(layout) or any(channel in sources_of(layout, name) for name in mine)


def drive_of(layout: Layout, unit: str) -> LevelPlan | None:
    """Return when a unit counts as driven: its own signal, else what the account goes by."""
    facts = layout.units.get(unit)
    if facts is not None and facts.signals.drive is not None:
        return facts.signals.drive
    return layout.accounting.drive if layout.accounting is not None else None


def _together(some: set[str], others: set[str], layout: Layout) -> bool:
    return some == others or any(_changes(channel, layout) for channel in some & others)


def _changes(channel: str, layout: Layout) -> bool:
    """Return whether the program wants a source to give different things at different times.

    A drive cycle is made by the generator, wherever it is read.
    """
    program: Program | None = layout.program
    if program is None:
        return False
    is_drive = channel in _named_by_all(layout, "drive")
    wanted = set()
    for phase in program.phases:
        burst = phase.drive if phase.drive and (is_drive or phase.drive.channel == channel) else None
        target = phase.targets.get(channel)
        if target is not None or burst is not None:
            times = (burst.on_s, burst.off_s) if burst else None
            wanted.add((target.value if target else None, times))
    return len(wanted) > 1


def _signal(unit: Unit, role: str) -> str | None:
    signals: Signals = unit.signals
    level = signals.mains if role == "mains" else signals.drive
    return None if level is None else named(level.channel, unit.name)


def _named_by_all(layout: Layout, role: str) -> set[str]:
    return {one for unit in layout.units.values() if (one := _signal(unit, role)) is not None}


def _of_the_room(layout: Layout) -> set[str]:
    return {name for name, channel in layout.channels.items() if channel.unit is None}


def _all_sources(layout: Layout) -> frozenset[str]:
    every = _named_by_all(layout, "mains") | _named_by_all(layout, "drive")
    return frozenset(every & _of_the_room(layout))
