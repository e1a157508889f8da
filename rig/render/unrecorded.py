"""What was not recorded, and why: from sessions and events. Pure."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from rig.domain.model import Event, EventKind, Session
from rig.domain.outages import Outage, absences, begins

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
class UnrecordedTime:
    """A stretch in which something was not recorded as it should have been (UTC ns).

    end_ns: None where it had not come back when its session ended; whole: nothing at all was recorded.
    """

    what: str
    subject: str
    start_ns: int
    end_ns: int | None
    text: str
    whole: bool = False


def unlogged(sessions: Sequence[Session]) -> list[UnrecordedTime]:
    """Return the stretches between sessions, in which nobody recorded."""
    found = []
    ordered = sorted((one for one in sessions if not one.brief), key=lambda one: one.number)
    for one, following in itertools.pairwise(ordered):
        if following.start_ns > one.end_ns:
            why = "after a stop" if one.clean else "the session before ended without a stop"
            boot = "" if one.boot_id == following.boot_id else "; the machine was started anew meanwhile"
            found.append(
                UnrecordedTime(
                    what="nothing recorded", subject="run", start_ns=one.end_ns,
                    end_ns=following.start_ns, whole=True,
                    text=f"between sessions {one.number} and {following.number}, {why}{boot}",
                )
            )  # fmt: skip
    return found


def outages(sessions: Sequence[Session], events: Iterable[Event]) -> list[UnrecordedTime]:
    """Return everything that was missed, by its beginning."""
    told = list(events)
    found = unlogged(sessions)
    found += [_lasted(one) for one in absences(told)]
    found += [_at_once(event) for event in told if event.kind in _WHAT and not begins(event)]
    return sorted(found, key=lambda one: one.start_ns)


def _lasted(absence: Outage) -> UnrecordedTime:
    begun, ended = absence.begun, absence.ended
    return UnrecordedTime(
        what=_WHAT[begun.kind], subject=begun.subject, start_ns=begun.t_ns,
        end_ns=ended.t_ns if ended else None, text=begun.text,
    )  # fmt: skip


def _at_once(event: Event) -> UnrecordedTime:
    """Return an event that tells of something that is over: its length is in its data, on the boot clock."""
    length_ns = _length_ns(event.data)
    return UnrecordedTime(
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
