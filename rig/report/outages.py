"""What was not recorded, and why: from sessions and events. Pure."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from rig.core.model import Event, EventKind, Session

_BACK = {
    EventKind.INSTRUMENT_LOST: EventKind.INSTRUMENT_BACK,
    EventKind.NO_VALID: EventKind.VALID_AGAIN,
    EventKind.STORE_FAULT: EventKind.STORE_BACK,
}
_WITHOUT_END = frozenset({"seal", "stalled"})
"""Causes of store faults of which no end is recorded: they are moments."""
_WHAT = {
    EventKind.INSTRUMENT_LOST: "instrument did not answer",
    EventKind.NO_VALID: "no valid reading",
    EventKind.STORE_FAULT: "storage refused",
    EventKind.BUS_STUCK: "bus stuck",
    EventKind.GAP: "readings lost",
    EventKind.DAMAGE: "damage on disk",
    EventKind.CLOCK_STEP: "wall clock stepped",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """A stretch in which something was not recorded as it should have been (UTC ns).

    end_ns: None where it had not come back when its session ended; whole: nothing at all was recorded.
    """

    what: str
    subject: str
    start_ns: int
    end_ns: int | None
    text: str
    whole: bool = False


def unlogged(sessions: Sequence[Session]) -> list[Outage]:
    """Return the stretches between sessions, in which nobody recorded."""
    found = []
    ordered = sorted((one for one in sessions if not one.brief), key=lambda one: one.number)
    for one, following in itertools.pairwise(ordered):
        if following.start_ns > one.end_ns:
            why = "after a stop" if one.clean else "the session before ended without a stop"
            boot = "" if one.boot_id == following.boot_id else "; the machine was started anew meanwhile"
            found.append(
                Outage(
                    what="nothing recorded", subject="run", start_ns=one.end_ns,
                    end_ns=following.start_ns, whole=True,
                    text=f"between sessions {one.number} and {following.number}, {why}{boot}",
                )
            )  # fmt: skip
    return found


def outages(sessions: Sequence[Session], events: Iterable[Event]) -> list[Outage]:
    """Return everything that was missed, by its beginning; beginnings and ends are paired by subject."""
    found = unlogged(sessions)
    open_: dict[tuple[int, EventKind, str], Event] = {}
    closing = {back: lost for lost, back in _BACK.items()}
    for event in events:
        if event.kind in _BACK and event.data.get("cause") not in _WITHOUT_END:
            open_.setdefault((event.session, event.kind, event.subject), event)
        elif event.kind in closing:
            begun = open_.pop((event.session, closing[event.kind], event.subject), None)
            if begun is not None:
                found.append(_lasted(begun, event.t_ns))
        elif event.kind in _WHAT:
            found.append(_at_once(event))
    found += [_lasted(begun, None) for begun in open_.values()]
    return sorted(found, key=lambda one: one.start_ns)


def _lasted(begun: Event, end_ns: int | None) -> Outage:
    return Outage(
        what=_WHAT[begun.kind], subject=begun.subject, start_ns=begun.t_ns, end_ns=end_ns, text=begun.text
    )


def _at_once(event: Event) -> Outage:
    """Return an event that tells of something that is over: its length is in its data, on the boot clock."""
    length_ns = _length_ns(event.data)
    return Outage(
        what=_WHAT[event.kind], subject=event.subject, start_ns=event.t_ns - length_ns, end_ns=event.t_ns,
        text=event.text,
    )  # fmt: skip


def _length_ns(data: Mapping[str, object]) -> int:
    first, last = data.get("from_ns"), data.get("to_ns")
    if isinstance(first, int) and isinstance(last, int) and last > first:
        return last - first
    return 0


def recorded_s(sessions: Sequence[Session]) -> float:
    """Return how long sessions were at work together, in seconds."""
    return sum(max(0, one.end_ns - one.start_ns) for one in sessions if not one.brief) / 1e9
