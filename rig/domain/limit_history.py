"""Which limits a channel had when: rig file, phases, reloads, the end of the program, and who was there.

Every event that changes limits carries ``data["limits"]``: all channels whose limits differ, from then on,
from those of the session's own rig file, with all their limits; a channel that is not named has its own.
After the end of a program those of the rig file in force hold again. An event of a phase without such data
(no logger of ours wrote it) stands for the limits that the program gives that phase. An event of a group of
units (``data["group"]``) changes only what concerns these units: their channels, the channels of their
sources, and those of the whole room.

Limits sleep while nobody can keep them: the channels of a place have none while it is empty. ``asleep`` is
the one place that says so.
"""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rig.domain.formatting import setting
from rig.domain.layout_json import limits_from_json, limits_to_json
from rig.domain.limit_arrays import BoundInForce
from rig.domain.limits import Bound, bounds_of
from rig.domain.model import Channel, Event, EventKind, Layout, Limit, Side
from rig.domain.program import Phase, Program
from rig.domain.source_groups import concerns

KEY = "limits"
GROUP = "group"
PRE_FLIGHT = "pre-flight"
"""What an event says of itself that lets only the limits of a pre-flight hold."""
_CHANGING = frozenset({EventKind.PHASE, EventKind.CONFIG_CHANGE})
LIMIT_CHANGING = _CHANGING | {EventKind.SESSION_START, EventKind.UNIT}
"""Kinds of events that may change limits; the others say nothing to ``limit_spans``."""
BEGINNING = frozenset({"due", "ended", "unknown"})
"""Of all that is recorded about phases, what begins another one (or none)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSpan:
    """A stretch of time with the same limits. UTC ns; None: no bound on this side.

    session: the one in which they came into force.
    """

    start_ns: int | None
    end_ns: int | None
    limits: tuple[Limit, ...]
    session: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitChange:
    """One channel whose limits differ between two rig files, in one ``phase`` ('': outside of phases)."""

    channel: str
    was: tuple[Limit, ...]
    becomes: tuple[Limit, ...]
    phase: str = ""


def limit_spans(
    channel: str,
    layout: Layout,
    events: Sequence[Event],
    layouts: Mapping[int, Layout] | None = None,
    phases: Sequence[Phase] = (),
) -> list[LimitSpan]:
    """Return the limits of a channel over time, oldest first, neighbours with like limits joined.

    layout: of the newest session. layouts: of each session, where they are known; the newest stands in
    for one that is not. events: in recorded order. phases: the program's, where the layout has none.
    """
    known = layouts or {}
    facts = layout.channels.get(channel)
    unit = facts.unit if facts is not None else None
    spans: list[LimitSpan] = []
    limits, sleeps = _own(channel, layout), asleep(unit, _first_of(unit, events), absent=False)
    for event in events:
        mine = known.get(event.session, layout)
        own = _own(channel, mine)
        program = phases or (mine.program.phases if mine.program else ())
        becomes = _put_in_force(event, channel, unit, own, program) if reaches(event, mine, channel) else None
        if not spans and event.kind is not EventKind.SESSION_START:
            _begin(spans, event, () if sleeps else own)
        sleeps = asleep(unit, event, absent=sleeps)
        limits = limits if becomes is None else becomes
        _begin(spans, event, () if sleeps else limits)
    return spans or [LimitSpan(start_ns=None, end_ns=None, limits=() if sleeps else limits)]


def _put_in_force(
    event: Event, channel: str, unit: str | None, own: tuple[Limit, ...], program: Sequence[Phase]
) -> tuple[Limit, ...] | None:
    """Return the limits that an event puts in force for a channel; None: it changes nothing."""
    if event.kind in _CHANGING and KEY in event.data:
        return _named(event, channel, own)
    if event.begins_recording:
        return own
    name = begun_phase(event)
    if name is None or not program:
        return None
    phase = next((one for one in program if one.name == name), None)
    return phase.limits_of(channel, unit, own) if phase is not None else own


def asleep(unit: str | None, event: Event | None, *, absent: bool) -> bool:
    """Return whether the limits of a unit's channels sleep after an event; ``absent``: they did before it.

    Today they sleep while the unit's place is empty. What else keeps a unit from keeping its limits (switched
    off by order, failed) belongs here, and nowhere else.
    """
    if unit is None or event is None or event.kind is not EventKind.UNIT or event.subject != unit:
        return absent
    return not event.data["serial"] if "serial" in event.data else absent


def _first_of(unit: str | None, events: Sequence[Event]) -> Event | None:
    """Return an event that says who sat in a place before all that is recorded of it."""
    swaps = (one for one in events if one.kind is EventKind.UNIT and one.subject == unit)
    first = next((one for one in swaps if "serial" in one.data), None)
    if first is None or "before" not in first.data:
        return None
    return replace(first, data={"serial": first.data["before"]})


def group_of(event: Event) -> tuple[str, ...]:
    """Return the units that an event of the program is about, () for all."""
    group = event.data.get(GROUP)
    return tuple(map(str, group)) if event.kind is EventKind.PHASE and isinstance(group, list | tuple) else ()


def reaches(event: Event, layout: Layout, channel: str) -> bool:
    """Return whether the limits that an event puts in force are any matter of a channel."""
    group = group_of(event)
    return not group or concerns(layout, group, channel)


def begun_phase(event: Event) -> str | None:
    """Return the name of the phase that an event begins, '' where it ends the last one; None: neither."""
    if event.kind is not EventKind.PHASE or event.data.get("what", "due") not in BEGINNING:
        return None
    return str(event.data.get("phase", event.text or event.subject) or "")


def judged_by(layout: Layout, event: Event, before: Layout | None = None) -> Layout:
    """Return the layout with the limits that this event puts in force; ``layout``: the session's own.

    before: as it was until then, for what the event does not reach.
    """
    if event.kind not in _CHANGING or KEY not in event.data:
        return layout
    rest = layout if before is None else before
    changed = {
        name: replace(channel, limits=_named(event, name, channel.limits))
        if reaches(event, layout, name)
        else rest.channels[name]
        for name, channel in layout.channels.items()
    }
    return replace(layout, channels=changed)


def awake(channels: Mapping[str, Channel], sleeping: Container[str]) -> dict[str, Channel]:
    """Return channels without the limits of those units whose limits sleep."""
    return {
        name: replace(one, limits=()) if one.unit is not None and one.unit in sleeping else one
        for name, one in channels.items()
    }


def courses(spans: Sequence[LimitSpan]) -> list[tuple[BoundInForce, ...]]:
    """Return what was in force over time on each side that was ever limited: what excursions are found by."""
    sides = [s for s in Side if any(one.side is s for span in spans for one in span.limits)]
    return [
        tuple(
            BoundInForce(start_ns=span.start_ns, bound=_bound(span.limits, side), session=span.session)
            for span in spans
        )
        for side in sides
    ]


def _bound(limits: Sequence[Limit], side: Side) -> Bound | None:
    return next((bounds_of(one)[0] for one in limits if one.side is side), None)


def _begin(spans: list[LimitSpan], event: Event, limits: tuple[Limit, ...]) -> None:
    """Let ``limits`` begin with an event, unless they are those in force already."""
    if not spans:
        spans.append(LimitSpan(start_ns=None, end_ns=None, limits=limits, session=event.session))
        return
    last = spans[-1]
    if last.limits == limits:
        return
    at_ns = event.t_ns if last.start_ns is None else max(event.t_ns, last.start_ns)
    spans[-1] = replace(last, end_ns=at_ns)
    spans.append(LimitSpan(start_ns=at_ns, end_ns=None, limits=limits, session=event.session))


def _own(channel: str, layout: Layout) -> tuple[Limit, ...]:
    return layout.channels[channel].limits if channel in layout.channels else ()


def _named(event: Event, channel: str, own: tuple[Limit, ...]) -> tuple[Limit, ...]:
    listed = event.data[KEY]
    if not isinstance(listed, Mapping) or channel not in listed:
        return own
    try:
        return limits_from_json(listed[channel])
    except (KeyError, TypeError, ValueError):
        return own  # written by something else; the rig file's limits are the best that is known


def limit_changes(old: Layout, new: Layout) -> tuple[LimitChange, ...]:
    """Return the channels of both layouts whose limits differ, outside of phases and in each."""
    changes = [
        LimitChange(channel=name, was=channel.limits, becomes=new.channels[name].limits)
        for name, channel in old.channels.items()
        if name in new.channels and new.channels[name].limits != channel.limits
    ]
    for phase in old.program.phases if old.program else ():
        other = new.program.phase(phase.name) if new.program else None
        for name in dict.fromkeys([*phase.limits, *(other.limits if other else ())]):
            if other is None or name not in old.channels or name not in new.channels:
                continue
            was = phase.limits.get(name, old.channels[name].limits)
            becomes = other.limits.get(name, new.channels[name].limits)
            if was != becomes:
                changes.append(LimitChange(channel=name, was=was, becomes=becomes, phase=phase.name))
    return tuple(changes)


def in_words(limits: Sequence[Limit], unit_of_measure: str) -> str:
    """Return the limits of a channel in a few words, ``none`` where there are none."""
    words = []
    for one in limits:
        warning = "" if one.early is None else f", warning {setting(one.early, unit_of_measure)}"
        delay = f", on-delay {setting(one.on_delay_s, 's')}" if one.on_delay_s else ""
        trip = ", trip" if one.trip else ""
        words.append(f"{one.side} {setting(one.value, unit_of_measure)}{warning}{delay}{trip}")
    return "; ".join(words) or "none"


def only_limits_differ(old: Layout, new: Layout) -> list[str]:
    """Return what differs between two rig files beside limits, in words; empty if nothing does."""
    found = []
    for what, one, other in (
        ("rig", {old.rig: old.rig}, {new.rig: new.rig}),
        ("unit", old.units, new.units),
        ("instrument", old.instruments, new.instruments),
        ("channel", _without_limits(old), _without_limits(new)),
    ):
        names = [*one, *(name for name in other if name not in one)]
        found += [f"{what} {name}" for name in names if one.get(name) != other.get(name)]
    if old.accounting != new.accounting:
        found.append("account")
    if _bare(old.program) != _bare(new.program):
        found.append("program")
    return found


def _bare(program: Program | None) -> Program | None:
    """Return a program without its limits."""
    if program is None:
        return None
    return replace(program, phases=tuple(replace(one, limits={}) for one in program.phases))


def _without_limits(layout: Layout) -> dict[str, Channel]:
    return {name: replace(channel, limits=()) for name, channel in layout.channels.items()}


def change_data(changes: Sequence[LimitChange], layout: Layout, old: str, new: str) -> dict[str, Any]:
    """Return what an event about changed limits carries: old and new, as values and in words."""
    words = []
    for one in changes:
        unit = layout.channels[one.channel].unit_of_measure
        place = f"{one.channel} in phase {one.phase}" if one.phase else one.channel
        words.append(f"{place}: {in_words(one.was, unit)} -> {in_words(one.becomes, unit)}")
    return {
        "old": old,
        "new": new,
        "changes": [
            {
                "channel": one.channel,
                "phase": one.phase,
                "was": limits_to_json(one.was),
                "becomes": limits_to_json(one.becomes),
            }
            for one in changes
        ],
        "words": "; ".join(words),
    }
