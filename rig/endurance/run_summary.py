"""A run in one line: what it was, whether it came to an end, what left its limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from rig.domain.event_summary import EventSummary
from rig.domain.model import EventKind
from rig.domain.recording import Recording
from rig.endurance.run_identity import RunIdentity


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSummary:
    """One run. serials: that sat in it at any time; outs: counted excursions by unit ('' for the room).

    units: of its newest layout; never_back: those with a channel that was still out of a limit when the
    record ended: dead, or stopped meanwhile.
    """

    facts: RunIdentity
    start_ns: int
    end_ns: int
    sessions: int
    serials: tuple[str, ...]
    outs: tuple[tuple[str, int], ...]
    notes: int
    size: int
    units: tuple[str, ...] = ()
    never_back: tuple[str, ...] = ()


class Summarised(Recording, Protocol):
    """A recording that knows what its events come to."""

    def event_summary(self) -> EventSummary:
        """Return the digest of all events."""
        ...


def summary(recording: Summarised, facts: RunIdentity, size: int) -> RunSummary:
    """Return a run in one line, from what its events come to; ``size``: bytes of its files."""
    told, layout = recording.event_summary(), recording.layout
    start_ns, end_ns = recording.span
    serials = {unit.serial: None for unit in layout.units.values() if unit.serial}
    outs: dict[str, int] = {}
    for subject, times in told.kinds.get(EventKind.LIMIT_OUT, {}).items():
        if subject in layout.channels:
            unit = layout.channels[subject].unit or ""
            outs[unit] = outs.get(unit, 0) + times
    serials.update(dict.fromkeys(told.serials))
    out_now = {layout.channels[one].unit for one in told.still_out if one in layout.channels}
    return RunSummary(
        facts=facts,
        start_ns=start_ns,
        end_ns=end_ns,
        sessions=len(recording.sessions),
        serials=tuple(serials),
        outs=tuple(sorted(outs.items())),
        notes=told.count(EventKind.NOTE),
        size=size,
        units=tuple(layout.units),
        never_back=tuple(name for name in layout.units if name in out_now),
    )
