"""Beginnings and their ends among recorded events: an instrument that was silent, a disk that refused."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rig.domain.model import Event, EventKind

ENDED_BY = {
    EventKind.INSTRUMENT_LOST: EventKind.INSTRUMENT_BACK,
    EventKind.NO_VALID: EventKind.VALID_AGAIN,
    EventKind.STORE_FAULT: EventKind.STORE_BACK,
}
_ENDS = {back: lost for lost, back in ENDED_BY.items()}
_WITHOUT_END = frozenset({"seal", "stalled"})
"""Causes of store faults of which no end is recorded: they are moments."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """A stretch without something: the event that begins it, and the one that ends it.

    ended: None where it had not come back when its session ended.
    """

    begun: Event
    ended: Event | None = None


def begins(event: Event) -> bool:
    """Return whether an event begins a stretch that another event ends."""
    return event.kind in ENDED_BY and event.data.get("cause") not in _WITHOUT_END


def absences(events: Iterable[Event]) -> list[Outage]:
    """Return what was missing for a while, by its beginning. events: in recorded order.

    A session begins and ends by itself what it is without; within it the subject tells what belongs together.
    """
    found = []
    open_: dict[tuple[int, EventKind, str], Event] = {}
    for event in events:
        if begins(event):
            open_.setdefault((event.session, event.kind, event.subject), event)
        elif event.kind in _ENDS:
            begun = open_.pop((event.session, _ENDS[event.kind], event.subject), None)
            if begun is not None:
                found.append(Outage(begun=begun, ended=event))
    found += [Outage(begun=begun) for begun in open_.values()]
    return sorted(found, key=lambda one: one.begun.t_ns)
