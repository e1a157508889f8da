"""Excursions as the events of a run tell them: what began one, what only said it again, what ended it.

A session of the logger starts with nothing known, so it says again what is still out. It names at its start
what an earlier session left out (``data["left_open"]``), marks what it says again (``data["again"]``), and
says when it finds one of these back inside. Of a session that names nothing (older recordings), what it says
soon after its start is taken for said again, and what it does not say for over.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from rig.domain.model import Event, EventKind

LEFT_OPEN = "left_open"
"""What the event of a session's start carries: channel and side of each excursion that it goes on with."""
LIMIT_CEASED = "limit taken away"
"""``cause`` of the end of an excursion whose limit is not in force any more; no reading came back inside."""
AGAIN = "again"
"""What an event of an excursion carries that an earlier session has told of."""
OUT_FOR = "out_for_ns"
"""What an event of an excursion carries: for how long the channel had been out when it counted."""
SETTLING_S = 60.0
"""How soon after its start an older session has said again what is out (common practice, no source)."""
LIMITS = (EventKind.LIMIT_OUT, EventKind.LIMIT_IN)
EARLY = (EventKind.EARLY_OUT, EventKind.EARLY_IN)

Key = tuple[str, str]
"""Channel and side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """One excursion: the event that told of it, and the one that ended it (None: nothing did)."""

    began: Event
    ended: Event | None

    @property
    def start_ns(self) -> int:
        """When the channel was first seen out, UTC."""
        return self.began.t_ns - _whole(self.began.data.get(OUT_FOR), 0)


def key_of(event: Event) -> Key:
    """Return which channel and side an event is about."""
    return event.subject, str(event.data.get("side", ""))


def names_what_it_goes_on_with(start: Event) -> bool:
    """Return whether a session says at its start which excursions an earlier one left open."""
    return LEFT_OPEN in start.data


def left_open(start: Event) -> frozenset[Key]:
    """Return channel and side of the excursions that a session names at its start as going on."""
    named = start.data.get(LEFT_OPEN, ())
    return frozenset((str(one[0]), str(one[1])) for one in named if isinstance(one, list) and len(one) == 2)


def says_again(event: Event, start: Event) -> bool:
    """Return whether an event of an excursion only repeats what was out when its session began at ``start``.

    To be asked where an earlier session left that excursion open.
    """
    if names_what_it_goes_on_with(start):
        return event.data.get(AGAIN) is True
    since_ns = event.t_ns - start.t_ns
    began, boot = event.data.get("began_boot_ns"), start.data.get("boot_ns")
    if isinstance(began, int) and isinstance(boot, int):
        since_ns = began - boot
    return since_ns <= SETTLING_S * 1e9


def recorded(events: Iterable[Event], pair: tuple[EventKind, EventKind] = LIMITS) -> list[Recorded]:
    """Return the excursions that events in recorded order tell of, by their beginning."""
    found: list[Recorded] = []
    open_: dict[Key, Event] = {}
    carried: dict[Key, tuple[Event, Event]] = {}
    for event in events:
        key = key_of(event)
        if event.begins_recording:
            if pair == LIMITS and names_what_it_goes_on_with(event):
                continue
            found += [Recorded(began=began, ended=start) for began, start in carried.values()]
            carried = {one: (began, event) for one, began in open_.items()}
            open_ = {}
        elif event.kind is pair[0]:
            if key in carried:
                began, start = carried.pop(key)
                if says_again(event, start):
                    open_[key] = began
                    continue
                found.append(Recorded(began=began, ended=start))
            open_.setdefault(key, event)
        elif event.kind is pair[1] and key in open_:
            found.append(Recorded(began=open_.pop(key), ended=event))
    found += [Recorded(began=began, ended=start) for began, start in carried.values()]
    found += [Recorded(began=began, ended=None) for began in open_.values()]
    return sorted(found, key=lambda one: (one.start_ns, one.began.subject, key_of(one.began)[1]))


def left_open_data(keys: Iterable[Key]) -> dict[str, Any]:
    """Return what the event of a session's start carries about excursions that were left open."""
    return {LEFT_OPEN: [[channel, side] for channel, side in sorted(keys)]}


def _whole(value: object, otherwise: int) -> int:
    return value if isinstance(value, int) and not isinstance(value, bool) else otherwise
