"""Summary of the events of a stretch: many runs are listed without reading them.

Digests of stretches that follow each other are joined into that of both.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from rig.domain.model import Event, EventKind


@dataclass(frozen=True, slots=True, kw_only=True)
class EventSummary:
    """Counts and end states of events.

    kinds: kind of event -> subject -> how many. out: channel -> side -> whether the last event of that
    limit was an excursion. serials: put into a position, in order, each once.
    began: a session began in this stretch; it repeats active excursions, so earlier ones no longer count.
    """

    kinds: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    out: Mapping[str, Mapping[str, bool]] = field(default_factory=dict)
    serials: tuple[str, ...] = ()
    began: bool = False

    def count(self, kind: EventKind) -> int:
        """Return how many events of a kind there were."""
        return sum(self.kinds.get(kind.value, {}).values())

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
    for event in events:
        subjects = kinds.setdefault(event.kind.value, {})
        subjects[event.subject] = subjects.get(event.subject, 0) + 1
        if event.begins_recording:
            began = True
            out.clear()
        elif event.kind in {EventKind.LIMIT_OUT, EventKind.LIMIT_IN}:
            sides = out.setdefault(event.subject, {})
            sides[str(event.data.get("side", ""))] = event.kind is EventKind.LIMIT_OUT
        elif event.kind is EventKind.UNIT and event.data.get("serial"):
            serials[str(event.data["serial"])] = None
    return EventSummary(kinds=kinds, out=out, serials=tuple(serials), began=began)


def joined(parts: Iterable[EventSummary]) -> EventSummary:
    """Return the digest of stretches that follow each other."""
    kinds: dict[str, dict[str, int]] = {}
    out: dict[str, dict[str, bool]] = {}
    serials: dict[str, None] = {}
    began = False
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
        serials.update(dict.fromkeys(part.serials))
    return EventSummary(kinds=kinds, out=out, serials=tuple(serials), began=began)


def to_json(one: EventSummary) -> dict[str, Any]:
    """Return the digest as JSON values."""
    return {"kinds": one.kinds, "out": one.out, "serials": list(one.serials), "began": one.began}


def from_json(values: Any) -> EventSummary:
    """Return the digest that ``to_json`` wrote. Raises KeyError, TypeError, AttributeError or ValueError."""
    return EventSummary(
        kinds={
            str(k): {str(s): int(n) for s, n in subjects.items()} for k, subjects in values["kinds"].items()
        },
        out={str(c): {str(s): bool(o) for s, o in sides.items()} for c, sides in values["out"].items()},
        serials=tuple(map(str, values["serials"])),
        began=bool(values["began"]),
    )
