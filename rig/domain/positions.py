"""Who sits where: a position of the rig holds one unit after another, each with its serial number.

The rig file says who sits there at first. After that the record counts: a swap by command, or a serial
number that was changed in the rig file between two sessions. A swap may be recorded after the fact: its
event carries ``at_ns``, and takes effect then.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rig.domain.formatting import stamp
from rig.domain.model import Event, EventKind, Unit

AT = "at_ns"
"""Key of an event's data: when it happened (UTC ns), where that is not when it was recorded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionChange:
    """Another serial number in a position. ``before``/``serial``: '' for nobody.

    at_ns: since when (UTC), None for the time at which it is recorded.
    """

    unit: str
    before: str
    serial: str
    why: str
    at_ns: int | None = None

    @property
    def text(self) -> str:
        """The change in words."""
        since = "" if self.at_ns is None else f" at {stamp(self.at_ns)}, recorded afterwards"
        if not self.serial:
            what = f"serial number {self.before} taken out{since}, the position is empty"
        elif not self.before:
            what = f"serial number {self.serial} put in{since}"
        else:
            what = f"serial number {self.serial} in place of {self.before}{since}"
        return f"{self.unit}: {what} ({self.why})"

    def data(self) -> dict[str, Any]:
        """Return what the event about it carries, as JSON values."""
        at = {} if self.at_ns is None else {AT: self.at_ns}
        return {"serial": self.serial, "before": self.before, "why": self.why, **at}


def resumed(
    units: Mapping[str, Unit], serials: Mapping[str, str], written: Mapping[str, str]
) -> tuple[dict[str, str], list[PositionChange]]:
    """Return who sits where at the start of a session, and what the rig file changed since the last.

    serials: by the record; written: what the rig file gave then. A rig file that still gives what it gave
    says nothing new, whatever the record says; one that gives another serial number is a swap.
    """
    sits: dict[str, str] = {}
    changes = []
    for name, unit in units.items():
        before = serials.get(name)
        if before is None or written.get(name) == unit.serial or before == unit.serial:
            sits[name] = unit.serial if before is None else before
            continue
        sits[name] = unit.serial
        changes.append(
            PositionChange(unit=name, before=before, serial=unit.serial, why="changed in the rig file")
        )
    return sits, changes


def elsewhere(sits: Mapping[str, str], unit: str, serial: str) -> str | None:
    """Return the other position in which this serial number sits by the record, None if there is none."""
    return next((name for name, one in sits.items() if one == serial and name != unit and serial), None)


def happened_ns(event: Event) -> int | None:
    """Return the stated time of an event that was recorded after the fact (UTC ns), None where none is."""
    at_ns = event.data.get(AT)
    return at_ns if isinstance(at_ns, int) and not isinstance(at_ns, bool) else None


def is_change(event: Event) -> bool:
    """Return whether an event puts a serial number into a position, or takes one out."""
    return event.kind is EventKind.UNIT and "serial" in event.data


def by_effect(events: Sequence[Event]) -> Sequence[Event]:
    """Return events in recorded order, but swaps recorded after the fact where they take effect.

    Such a one has the stamp of its effect, and the session in force then.
    """
    late = [one for one in events if is_change(one) and happened_ns(one) is not None]
    if not late:
        return events
    found = [one for one in events if not (is_change(one) and happened_ns(one) is not None)]
    for one in sorted(late, key=lambda swap: happened_ns(swap) or 0):
        at_ns = happened_ns(one)
        assert at_ns is not None
        place = next((at for at, other in enumerate(found) if other.t_ns > at_ns), len(found))
        session = found[max(place - 1, 0)].session if found else one.session
        found.insert(place, replace(one, t_ns=at_ns, session=session))
    return found


def serial_at(events: Sequence[Event], unit: Unit, at_ns: int) -> str:
    """Return who sat in a position at a moment (UTC ns), '' for nobody.

    events: all changes of positions, in recorded order. unit: as the rig file gives it.
    """
    mine = [one for one in by_effect(events) if is_change(one) and one.subject == unit.name]
    serial = str(mine[0].data.get("before", unit.serial) or "") if mine else unit.serial
    for event in mine:
        if event.t_ns < at_ns:
            serial = str(event.data["serial"] or "")
    return serial


def contradiction(events: Sequence[Event], unit: str, serial: str, at_ns: int) -> str:
    """Return in words which recorded swap contradicts one at ``at_ns`` (UTC), '' where none does."""
    for event in by_effect(events):
        if not is_change(event) or event.t_ns < at_ns:
            continue
        if event.subject == unit:
            return f"{event.text} is on record for {stamp(event.t_ns)}: it is later, and says who sat there"
        if serial and serial == event.data.get("before"):
            return f"{event.text} is on record for {stamp(event.t_ns)}: until then it sat in another position"
    return ""
