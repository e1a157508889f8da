"""A run in one line: what it was, whether it came to an end, what left its limits."""

from __future__ import annotations

from dataclasses import dataclass

from rig.account import Recording
from rig.account.digest import RunFacts
from rig.core.model import EventKind


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """One run. serials: that sat in it at any time; outs: counted excursions by unit ('' for the room)."""

    facts: RunFacts
    start_ns: int
    end_ns: int
    sessions: int
    serials: tuple[str, ...]
    outs: tuple[tuple[str, int], ...]
    notes: int
    size: int


def summary(recording: Recording, facts: RunFacts, size: int) -> Summary:
    """Return a run in one line, from its events alone; ``size``: bytes of its files."""
    events, layout = recording.events(), recording.layout
    start_ns, end_ns = recording.span
    serials = {unit.serial: None for unit in layout.units.values() if unit.serial}
    outs: dict[str, int] = {}
    for event in events:
        if event.kind is EventKind.UNIT and event.data.get("serial"):
            serials[str(event.data["serial"])] = None
        if event.kind is EventKind.LIMIT_OUT and event.subject in layout.channels:
            unit = layout.channels[event.subject].unit or ""
            outs[unit] = outs.get(unit, 0) + 1
    return Summary(
        facts=facts,
        start_ns=start_ns,
        end_ns=end_ns,
        sessions=len(recording.sessions),
        serials=tuple(serials),
        outs=tuple(sorted(outs.items())),
        notes=sum(event.kind is EventKind.NOTE for event in events),
        size=size,
    )
