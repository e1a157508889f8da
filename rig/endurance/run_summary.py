"""Summary of a run in one line."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Protocol

from rig.domain.event_summary import EventSummary
from rig.domain.incidents import INCIDENT_EVENTS, incidents, open_count
from rig.domain.model import EventKind
from rig.domain.recorded_excursions import recorded
from rig.domain.recording import InPieces, Recording
from rig.endurance.run_identity import RunIdentity


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSummary:
    """Summary of a run. serials: installed at any time; excursions: counted, by unit ('' for the room).

    units: of its newest layout; still_out: those with a channel that was still out of a limit when the
    record ended: failed, or stopped in between. open_incidents: how many wait for a person to close them.
    """

    facts: RunIdentity
    start_ns: int
    end_ns: int
    sessions: int
    serials: tuple[str, ...]
    excursions: tuple[tuple[str, int], ...]
    notes: int
    size: int
    units: tuple[str, ...] = ()
    still_out: tuple[str, ...] = ()
    open_incidents: int = 0


class Summarised(Recording, Protocol):
    """Recording with a summary of its events."""

    def event_summary(self) -> EventSummary:
        """Return the summary of all events."""
        ...


def summary(recording: Summarised, facts: RunIdentity, size: int) -> RunSummary:
    """Return the summary of a run from that of its events; ``size``: bytes of its files."""
    summed, layout = recording.event_summary(), recording.layout
    start_ns, end_ns = recording.span
    serials = {unit.serial: None for unit in layout.units.values() if unit.serial}
    excursions: dict[str, int] = {}
    for subject, times in _excursions(recording).items():
        if subject in layout.channels:
            unit = layout.channels[subject].unit or ""
            excursions[unit] = excursions.get(unit, 0) + times
    serials.update(dict.fromkeys(summed.serials))
    out_now = {layout.channels[one].unit for one in summed.still_out if one in layout.channels}
    return RunSummary(
        facts=facts,
        start_ns=start_ns,
        end_ns=end_ns,
        sessions=len(recording.sessions),
        serials=tuple(serials),
        excursions=tuple(sorted(excursions.items())),
        notes=summed.count(EventKind.NOTE),
        size=size,
        units=tuple(layout.units),
        still_out=tuple(name for name in layout.units if name in out_now),
        open_incidents=_open_incidents(recording),
    )


def _open_incidents(recording: Summarised) -> int:
    """Return how many incidents are open; events are read only where some may have opened one."""
    told = recording.event_summary()
    if not any(told.count(kind) for kind in INCIDENT_EVENTS - {EventKind.UNIT}):
        return 0
    if isinstance(recording, InPieces):
        return open_count(incidents(recording.events_of(INCIDENT_EVENTS), recording.layout))
    return open_count(incidents(recording.events(), recording.layout))


def _excursions(recording: Summarised) -> dict[str, int]:
    """Return how many excursions each channel had; of older runs that were restarted by events."""
    told = recording.event_summary()
    channels = told.kinds.get(EventKind.LIMIT_OUT, {})
    if channels and told.began and len(recording.sessions) > 1:
        return dict(Counter(one.began.subject for one in recorded(recording.events())))
    return {channel: told.excursions(channel) for channel in channels}
