"""Summary of the events of a stretch: many runs are listed without reading them.

Digests of stretches that follow each other are joined into that of both.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from rig.domain.model import Event, EventKind
from rig.domain.recorded_excursions import AGAIN, LIMITS, Key, key_of, names_what_it_goes_on_with


@dataclass(frozen=True, slots=True, kw_only=True)
class EventSummary:
    """Counts and end states of events.

    kinds: kind of event -> subject -> how many. out: channel -> side -> whether the last event of that
    limit was an excursion. serials: put into a position, in order, each once.
    again: channel -> number of its excursions that a session only repeated after a restart.
    began: a session began in this stretch that does not name what it goes on with: earlier excursions no
    longer count, and those that it repeats are not marked so.
    """

    kinds: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    out: Mapping[str, Mapping[str, bool]] = field(default_factory=dict)
    serials: tuple[str, ...] = ()
    began: bool = False
    again: Mapping[str, int] = field(default_factory=dict)

    def count(self, kind: EventKind) -> int:
        """Return how many events of a kind there were."""
        return sum(self.kinds.get(kind.value, {}).values())

    def excursions(self, channel: str) -> int:
        """Return how many excursions a channel had; not to be asked where ``began`` (see there)."""
        return self.kinds.get(EventKind.LIMIT_OUT.value, {}).get(channel, 0) - self.again.get(channel, 0)

    @property
    def open_keys(self) -> list[Key]:
        """Channel and side of each limit that was out at the end of the stretch."""
        return [(channel, side) for channel, sides in self.out.items() for side, out in sides.items() if out]

    @property
    def still_out(self) -> tuple[str, ...]:
        """Channels that were out of a limit at the end of the stretch."""
        return tuple(channel for channel, sides in self.out.items() if any(sides.values()))


def summarise(events: Iterable[Event]) -> EventSummary:
    """Return the summary of events in recorded order."""
    kinds: dict[str, dict[str, int]] = {}
    out: dict[str, dict[str, bool]] = {}
    serials: dict[str, None] = {}
    began = False
    again: dict[str, int] = {}
    for event in events:
        subjects = kinds.setdefault(event.kind.value, {})
        subjects[event.subject] = subjects.get(event.subject, 0) + 1
        if event.begins_recording and not names_what_it_goes_on_with(event):
            began = True
            out.clear()
        elif event.kind in LIMITS:
            channel, side = key_of(event)
            out.setdefault(channel, {})[side] = event.kind is EventKind.LIMIT_OUT
            if event.data.get(AGAIN) is True:
                again[channel] = again.get(channel, 0) + 1
        elif event.kind is EventKind.UNIT and event.data.get("serial"):
            serials[str(event.data["serial"])] = None
    return EventSummary(kinds=kinds, out=out, serials=tuple(serials), began=began, again=again)


def joined(parts: Iterable[EventSummary]) -> EventSummary:
    """Return the digest of stretches that follow each other."""
    kinds: dict[str, dict[str, int]] = {}
    out: dict[str, dict[str, bool]] = {}
    serials: dict[str, None] = {}
    began = False
    again: dict[str, int] = {}
    for part in parts:
        for kind, subjects in part.kinds.items():
            known = kinds.setdefault(kind, {})
            for subject, count in subjects.items():
                known[subject] = known.get(subject, 0) + count
        if part.began:
            began = True
            out.clear()
        for channel, sides in part.out.items():
            out.setdefault(channel, {}).update(sides)
        for channel, count in part.again.items():
            again[channel] = again.get(channel, 0) + count
        serials.update(dict.fromkeys(part.serials))
    return EventSummary(kinds=kinds, out=out, serials=tuple(serials), began=began, again=again)
