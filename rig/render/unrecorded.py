"""Unrecorded time, from sessions and events. Pure."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from rig.domain.model import Event, EventKind, Session
from rig.domain.outages import Outage, absences, begins

_WHAT = {
    EventKind.INSTRUMENT_LOST: "instrument offline",
    EventKind.NO_VALID: "no valid reading",
    EventKind.STORE_FAULT: "storage fault",
    EventKind.BUS_STUCK: "bus stuck",
    EventKind.GAP: "readings lost",
    EventKind.DAMAGE: "damaged on disk",
    EventKind.CLOCK_STEP: "wall clock stepped",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class UnrecordedTime:
    """Stretch in which something was not recorded (UTC ns).

    end_ns: None where it lasted to the end of its session; everything: no channel was recorded.
    """

    what: str
    subject: str
    start_ns: int
    end_ns: int | None
    text: str
    everything: bool = False


def between_sessions(sessions: Sequence[Session]) -> list[UnrecordedTime]:
    """Return the stretches between sessions."""
    found = []
    ordered = sorted((one for one in sessions if not one.brief), key=lambda one: one.number)
    for one, following in itertools.pairwise(ordered):
        if following.start_ns > one.end_ns:
            why = "after a stop" if one.clean else "the previous session ended without a stop"
            boot = "" if one.boot_id == following.boot_id else "; the machine was restarted in between"
            found.append(
                UnrecordedTime(
                    what="nothing recorded", subject="run", start_ns=one.end_ns,
                    end_ns=following.start_ns, everything=True,
                    text=f"between sessions {one.number} and {following.number}, {why}{boot}",
                )
            )  # fmt: skip
    return found


def outages(sessions: Sequence[Session], events: Iterable[Event]) -> list[UnrecordedTime]:
    """Return all unrecorded time, by its beginning."""
    every = list(events)
    found = between_sessions(sessions)
    found += [_lasted(one) for one in absences(every)]
    found += [_at_once(event) for event in every if event.kind in _WHAT and not begins(event)]
    return sorted(found, key=lambda one: one.start_ns)


def _lasted(outage: Outage) -> UnrecordedTime:
    begun, ended = outage.begun, outage.ended
    return UnrecordedTime(
        what=_WHAT[begun.kind], subject=begun.subject, start_ns=begun.t_ns,
        end_ns=ended.t_ns if ended else None, text=begun.text,
    )  # fmt: skip


def _at_once(event: Event) -> UnrecordedTime:
    """Return the outage of an event recorded after it: its length is in the data, on the boot clock."""
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
    """Return the length of all sessions together, in seconds."""
    return sum(max(0, one.end_ns - one.start_ns) for one in sessions if not one.brief) / 1e9
