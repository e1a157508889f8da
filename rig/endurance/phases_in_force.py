"""Periods of phases in force, and installations of serial numbers, from the recorded events.

Events:

* ``phase``: ``data["phase"]`` is the name of the phase that begins, empty for none; ``data["pass"]`` counts
  its repetitions from 1. Without ``data`` the text, else the subject, is taken as the name. of
  ``data["what"]`` only ``due``, ``ended`` and ``unknown`` begin a phase. ``data["group"]`` lists the units
  that it is about, where a rig has several groups that go through the program each for itself.
* ``unit``: the subject is the place (the unit's name in the rig file), ``data["serial"]`` the serial number
  installed from now on (from ``data["at_ns"]`` where it was recorded after the fact), empty for an empty
  place; ``data["before"]`` the one until then.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rig.domain.limit_history import begun_phase, group_of
from rig.domain.model import Event, Layout, Session
from rig.domain.positions import happened_ns, is_change
from rig.domain.program import Phase, PhaseTarget, named
from rig.endurance.stretches import NOWHERE, Stretches, stretches

__all__ = [
    "InForce",
    "Installation",
    "Phase",
    "PhaseTarget",
    "in_force",
    "installations",
    "moved_span",
    "named",
    "time_of",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Installation:
    """Installation of a serial number in a place: start and end (UTC ns)."""

    unit: str
    serial: str
    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
    """Period in which a phase was in force. group: the units for which it was, () for all."""

    phase: str
    number: int
    start_ns: int
    end_ns: int
    group: tuple[str, ...] = ()


def in_force(
    events: Sequence[Event],
    span_ns: tuple[int, int],
    shifts: Mapping[int, int] | None = None,
    unit: str | None = None,
) -> list[InForce]:
    """Return the periods in which phases were in force, oldest first; each lasts until the next begins.

    unit: of one unit, by its own group; None: of all groups, each for itself.
    """
    begun = [
        (event, name, group)
        for event in events
        if (name := begun_phase(event)) is not None
        and (not (group := group_of(event)) or unit is None or unit in group)
    ]
    found: list[InForce] = []
    counts: dict[tuple[str, tuple[str, ...]], int] = {}
    for at, (event, name, group) in enumerate(begun):
        ends = (_moved(other, shifts) for other, _, its in begun[at + 1 :] if _share(group, its))
        start_ns = max(_moved(event, shifts), span_ns[0])
        end_ns = min(next(ends, span_ns[1]), span_ns[1])
        if not name or end_ns <= start_ns:
            continue
        number = int(event.data.get("pass", 0)) or counts.get((name, group), 0) + 1
        counts[name, group] = number
        found.append(InForce(phase=name, number=number, start_ns=start_ns, end_ns=end_ns, group=group))
    return found


def _share(some: tuple[str, ...], others: tuple[str, ...]) -> bool:
    return not some or not others or not set(some).isdisjoint(others)


def time_of(phase: str, forces: Sequence[InForce]) -> Stretches:
    """Return the time in which a phase was in force."""
    mine = [one for one in forces if one.phase == phase]
    if not mine:
        return NOWHERE
    return stretches(
        np.array([one.start_ns for one in mine], np.int64), np.array([one.end_ns for one in mine], np.int64)
    )


def installations(
    layout: Layout,
    events: Sequence[Event],
    span_ns: tuple[int, int],
    shifts: Mapping[int, int] | None = None,
) -> list[Installation]:
    """Return the installations, by place and time.

    Until the first recorded change of a place it held the serial number that the change names as the previous
    one, else that of the rig file (which may have been edited since).
    """
    found: list[Installation] = []
    for unit in layout.units.values():
        changes = sorted(
            (event for event in events if is_change(event) and event.subject == unit.name),
            key=lambda event: _in_effect(event, shifts),
        )
        first = changes[0].data.get("before", unit.serial) if changes else unit.serial
        serial, since_ns = str(first or ""), span_ns[0]
        for event in changes:
            at_ns = min(max(_in_effect(event, shifts), span_ns[0]), span_ns[1])
            if serial and at_ns > since_ns:
                found.append(Installation(unit=unit.name, serial=serial, start_ns=since_ns, end_ns=at_ns))
            serial, since_ns = str(event.data["serial"] or ""), at_ns
        if serial and span_ns[1] > since_ns:
            found.append(Installation(unit=unit.name, serial=serial, start_ns=since_ns, end_ns=span_ns[1]))
    return found


def moved_span(
    span_ns: tuple[int, int], sessions: Sequence[Session], shifts: Mapping[int, int]
) -> tuple[int, int]:
    """Return the span of a recording on its time line without overlaps (see ``coverage.time_line``).

    Sessions that recorded no channel make it no longer.
    """
    ends = [one.end_ns + shifts.get(one.number, 0) for one in sessions if not one.brief]
    return span_ns[0], max([span_ns[1], *ends])


def _moved(event: Event, shifts: Mapping[int, int] | None) -> int:
    return event.t_ns + (shifts.get(event.session, 0) if shifts else 0)


def _in_effect(event: Event, shifts: Mapping[int, int] | None) -> int:
    """Return when a change of a place takes effect: when it was recorded, or the time that it states."""
    at_ns = happened_ns(event)
    return _moved(event, shifts) if at_ns is None else at_ns
