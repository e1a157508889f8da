"""Who sits where: a position of the rig holds one unit after another, each with its serial number.

The rig file says who sits there at first. After that the record counts: a swap by command, or a serial
number that was changed in the rig file between two sessions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from rig.domain.model import Unit


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionChange:
    """Another serial number in a position from now on. ``before``/``serial``: '' for nobody."""

    unit: str
    before: str
    serial: str
    why: str

    @property
    def text(self) -> str:
        """The change in words."""
        if not self.serial:
            return f"{self.unit}: serial number {self.before} taken out, the position is empty ({self.why})"
        if not self.before:
            return f"{self.unit}: serial number {self.serial} put in ({self.why})"
        return f"{self.unit}: serial number {self.serial} in place of {self.before} ({self.why})"

    def data(self) -> dict[str, Any]:
        """Return what the event about it carries, as JSON values."""
        return {"serial": self.serial, "before": self.before, "why": self.why}


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
