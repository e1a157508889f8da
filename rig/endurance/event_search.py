"""Search for events of a recording by kind, channel, unit and time: excursions, notes, gaps..."""

from __future__ import annotations

import fnmatch
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from rig.domain import recorded_excursions
from rig.domain.model import Event, EventKind, Side, Status
from rig.domain.recorded_excursions import Recorded
from rig.domain.recording import Recording
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import InForce, Installation
from rig.endurance.run_identity import RunIdentity

EXCURSION, WARNING = "excursion", "warning"
_PAIRS = {EXCURSION: recorded_excursions.LIMITS, WARNING: recorded_excursions.EARLY}
KINDS = (EXCURSION, WARNING, *(kind.value for kind in EventKind))
"""What can be looked for: the two that have a beginning and an end, and every kind of event."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EventQuery:
    """Search criteria. kind: one of ``KINDS``. channel: a quantity (``heatsink``) or a pattern with ``*``.

    unit, serial: exactly; since_ns, until_ns: UTC; text: part of the text, in either case.
    """

    kind: str = EXCURSION
    channel: str | None = None
    unit: str | None = None
    serial: str | None = None
    since_ns: int | None = None
    until_ns: int | None = None
    text: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EventMatch:
    """One event or excursion found.

    serial: installed there; '' for the room's. end_ns: None where it has no end, or was still out at the end
    of the record. worst: the value farthest out, None where unknown. phase: in force at the time.
    """

    facts: RunIdentity
    kind: str
    subject: str
    unit: str
    serial: str
    start_ns: int
    end_ns: int | None
    side: str
    limit: float | None
    worst: float | None
    unit_of_measure: str
    phase: str
    text: str


def matches(recording: Recording, facts: RunIdentity, query: EventQuery) -> list[EventMatch]:
    """Return the events and excursions of a recording that match a query, oldest first."""
    start_ns, end_ns = recording.span
    if (query.until_ns is not None and start_ns > query.until_ns) or (
        query.since_ns is not None and end_ns < query.since_ns
    ):
        return []
    readings = HeldReadings(recording)
    context = _Context(
        readings=readings, installations=readings.installations(), forces=readings.forces(), facts=facts
    )
    found = [one for one in _candidates(context, query) if _fits(one, query)]
    return sorted(found, key=lambda one: (one.start_ns, one.subject, one.side))


def in_order(answers: Iterable[Sequence[EventMatch]]) -> list[EventMatch]:
    """Return the matches of several runs in order of time; of two copies of a run the one with more."""
    best: dict[str, Sequence[EventMatch]] = {}
    for answer in answers:
        if answer and len(answer) > len(best.get(answer[0].facts.run, ())):
            best[answer[0].facts.run] = answer
    every = [one for answer in best.values() for one in answer]
    return sorted(every, key=lambda one: (one.start_ns, one.facts.run, one.subject, one.side))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Context:
    readings: HeldReadings
    installations: Sequence[Installation]
    forces: Sequence[InForce]
    facts: RunIdentity

    def phase_at(self, t_ns: int, unit: str | None) -> str:
        """Return the phase in force for a unit; for the room that of all groups, '' where they differ."""
        names = {
            one.phase
            for one in self.forces
            if one.start_ns <= t_ns < one.end_ns and (unit is None or not one.group or unit in one.group)
        }
        return names.pop() if len(names) == 1 else ""


def _candidates(context: _Context, query: EventQuery) -> Iterator[EventMatch]:
    events = context.readings.recording.events()
    pair = _PAIRS.get(query.kind)
    if pair is None:
        yield from (_match(context, one, None, query.kind) for one in events if one.kind == query.kind)
        return
    for one in recorded_excursions.recorded(events, pair):
        if _named(one.began.subject, query.channel):
            yield _match(context, one.began, one.ended, query.kind, context.readings.start_of(one))


def _match(
    context: _Context, event: Event, end: Event | None, kind: str, start_ns: int | None = None
) -> EventMatch:
    layout = context.readings.recording.layout
    channel = layout.channels.get(event.subject)
    unit = channel.unit if channel else event.subject if event.subject in layout.units else None
    start_ns = context.readings.moment(event) if start_ns is None else start_ns
    serial = next(
        (s.serial for s in context.installations if s.unit == unit and s.start_ns <= start_ns <= s.end_ns), ""
    )
    phase = context.phase_at(start_ns, unit)
    limit = event.data.get("limit")
    return EventMatch(
        facts=context.facts,
        kind=kind,
        subject=event.subject,
        unit=unit or "",
        serial=serial,
        start_ns=start_ns,
        end_ns=None if end is None else context.readings.moment(end),
        side=str(event.data.get("side", "")),
        limit=float(limit) if isinstance(limit, int | float) else None,
        worst=_worst(context, event, end) if kind in _PAIRS and channel is not None else None,
        unit_of_measure=channel.unit_of_measure if channel else "",
        phase=phase,
        text=event.text,
    )


def _worst(context: _Context, event: Event, end: Event | None) -> float | None:
    """Return the GOOD value farthest out between two events, None without any."""
    start_ns = Recorded(began=event, ended=end).start_ns
    series = context.readings.recording.series(event.subject, start_ns, None if end is None else end.t_ns)
    value = series.value[(series.status == Status.GOOD) & np.isfinite(series.value)]
    if not len(value):
        return None
    worst = float(value.max() if event.data.get("side") == Side.HIGH else value.min())
    return worst if math.isfinite(worst) else None


def _named(subject: str, pattern: str | None) -> bool:
    if pattern is None:
        return True
    return fnmatch.fnmatchcase(subject, pattern) or fnmatch.fnmatchcase(subject.rpartition(".")[2], pattern)


def _fits(one: EventMatch, query: EventQuery) -> bool:
    if not _named(one.subject, query.channel):
        return False
    if (query.unit is not None and one.unit != query.unit) or (
        query.serial is not None and one.serial != query.serial
    ):
        return False
    if query.until_ns is not None and one.start_ns > query.until_ns:
        return False
    last_ns = one.start_ns if one.kind not in _PAIRS else one.end_ns
    if query.since_ns is not None and last_ns is not None and last_ns < query.since_ns:
        return False
    return query.text is None or query.text.lower() in one.text.lower()
