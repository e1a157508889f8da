"""Which limits a channel had when: by the session's rig file, the phases, and reloads in between.

Every event that changes limits carries ``data["limits"]``: all channels whose limits differ, from then on,
from those of the session's own rig file, with all their limits; a channel that is not named has its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rig.domain.formatting import setting
from rig.domain.layout_json import limits_from_json, limits_to_json
from rig.domain.model import Channel, Event, EventKind, Layout, Limit
from rig.domain.program import Program

KEY = "limits"
PRE_FLIGHT = "pre-flight"
"""What an event says of itself that lets only the limits of a pre-flight hold."""
_CHANGING = frozenset({EventKind.PHASE, EventKind.CONFIG_CHANGE})
LIMIT_CHANGING = _CHANGING | {EventKind.SESSION_START}
"""Kinds of events that may change limits; the others say nothing to ``limit_spans``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSpan:
    """A stretch of time with the same limits. UTC ns; None: no bound on this side."""

    start_ns: int | None
    end_ns: int | None
    limits: tuple[Limit, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitChange:
    """One channel whose limits differ between two rig files, in one ``phase`` ('': outside of phases)."""

    channel: str
    was: tuple[Limit, ...]
    becomes: tuple[Limit, ...]
    phase: str = ""


def limit_spans(
    channel: str, layout: Layout, events: Sequence[Event], layouts: Mapping[int, Layout] | None = None
) -> list[LimitSpan]:
    """Return the limits of a channel over time, oldest first, neighbours with like limits joined.

    layout: of the newest session. layouts: of each session, where they are known; the newest stands in
    for one that is not. events: in recorded order.
    """
    known = layouts or {}
    spans: list[LimitSpan] = []
    for event in events:
        changing = event.kind in _CHANGING and KEY in event.data
        if not changing and event.kind is not EventKind.SESSION_START:
            continue
        limits = _own(channel, known.get(event.session, layout))
        if changing:
            limits = _named(event, channel, limits)
        _begin(spans, event.t_ns, limits)
    return spans or [LimitSpan(start_ns=None, end_ns=None, limits=_own(channel, layout))]


def judged_by(layout: Layout, event: Event) -> Layout:
    """Return the layout with the limits that this event puts in force; ``layout``: the session's own."""
    if event.kind not in _CHANGING or KEY not in event.data:
        return layout
    changed = {
        name: replace(channel, limits=_named(event, name, channel.limits))
        for name, channel in layout.channels.items()
    }
    return replace(layout, channels=changed)


def own_spans(
    channel: str, layout: Layout, events: Sequence[Event], layouts: Mapping[int, Layout] | None = None
) -> list[LimitSpan]:
    """Return the limits of a channel by the rig file over time, whatever phase was in force.

    As ``limit_spans``; what a reload changed within phases is not told here. In a pre-flight units are off
    and switched on in turn: what it lets hold is what holds.
    """
    known = layouts or {}
    spans: list[LimitSpan] = []
    for event in events:
        if event.kind is EventKind.SESSION_START:
            _begin(spans, event.t_ns, _own(channel, known.get(event.session, layout)))
        elif event.kind is EventKind.CONFIG_CHANGE and KEY in event.data:
            _reloaded(spans, event, channel)
        elif event.kind is EventKind.PHASE and event.data.get("what") == PRE_FLIGHT:
            _begin(spans, event.t_ns, _named(event, channel, _own(channel, known.get(event.session, layout))))
    return spans or [LimitSpan(start_ns=None, end_ns=None, limits=_own(channel, layout))]


def _reloaded(spans: list[LimitSpan], event: Event, channel: str) -> None:
    for one in event.data.get("changes", ()):
        if isinstance(one, Mapping) and one.get("channel") == channel and not one.get("phase"):
            try:
                _begin(spans, event.t_ns, limits_from_json(one["becomes"]))
            except (KeyError, TypeError, ValueError):
                continue


def _begin(spans: list[LimitSpan], at_ns: int, limits: tuple[Limit, ...]) -> None:
    """Let ``limits`` begin, unless they are those in force already."""
    if not spans:
        spans.append(LimitSpan(start_ns=None, end_ns=None, limits=limits))
        return
    last = spans[-1]
    if last.limits == limits:
        return
    at_ns = at_ns if last.start_ns is None else max(at_ns, last.start_ns)
    spans[-1] = LimitSpan(start_ns=last.start_ns, end_ns=at_ns, limits=last.limits)
    spans.append(LimitSpan(start_ns=at_ns, end_ns=None, limits=limits))


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
