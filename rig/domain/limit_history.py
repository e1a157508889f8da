"""Which limits a channel had when: rig file, phases, reloads, the end of the program, and who was there.

Every event that changes limits carries ``data["limits"]``: all channels whose limits differ, from then on,
from those of the session's own rig file, with all their limits; a channel that is not named has its own.
After the end of a program those of the rig file in force hold again. An event of a phase without such data
(no logger of ours wrote it) stands for the limits that the program gives that phase. An event of a group of
units (``data["group"]``) changes only what concerns these units: their channels, the channels of their
sources, and those of the whole room.

Limits sleep while nobody can keep them: those of a place that is empty; the low ones of a unit without power
and of one that failed; the low limits of output and supply, and of what follows from these, while a unit is
idle or its program has ended. High limits, and the trips among them, hold as long as a unit is there.
``rest_after`` is the one place that says so.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from rig.domain.formatting import setting
from rig.domain.layout_json import limits_from_json, limits_to_json
from rig.domain.limit_arrays import BoundInForce
from rig.domain.limits import Bound, bounds_of
from rig.domain.model import Channel, ChannelKind, Event, EventKind, Layout, Limit, Side
from rig.domain.operating_state import OperatingState
from rig.domain.positions import by_effect
from rig.domain.program import Phase, Program
from rig.domain.signals import followers, signals_of
from rig.domain.source_groups import concerns

KEY = "limits"
GROUP = "group"
PRE_FLIGHT = "pre-flight"
"""What an event says of itself that lets only the limits of a pre-flight hold."""
_CHANGING = frozenset({EventKind.PHASE, EventKind.CONFIG_CHANGE})
LIMIT_CHANGING = _CHANGING | {EventKind.SESSION_START, EventKind.UNIT, EventKind.STATE}
"""Kinds of events that may change limits; the others say nothing to ``limit_spans``."""
BEGINNING = frozenset({"due", "ended", "unknown"})
"""Of all that is recorded about phases, what begins another one (or none)."""


class Rest(enum.Enum):
    """Which limits of a unit sleep."""

    NONE = "none"
    OFF = "all low limits; the high ones hold, for it may still be hot, or powered"
    LOWS = "low limits of output and supply, and of what follows from them"
    ENDED = "the same, for nothing asks for drive: the program has ended"
    ALL = "all"


_RESTS = {
    OperatingState.ABSENT: Rest.ALL,
    OperatingState.UNPOWERED: Rest.OFF,
    OperatingState.FAILED: Rest.OFF,
    OperatingState.IDLE: Rest.LOWS,
    OperatingState.DRIVEN: Rest.NONE,
    OperatingState.MUTED: Rest.NONE,
}
"""By state; while a unit is not observed, what slept goes on sleeping."""


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
    for one that is not. events: in recorded order; a swap recorded after the fact counts from its own time.
    phases: the program's, where the layout has none.
    """
    events = by_effect(events)
    known = layouts or {}
    facts = layout.channels.get(channel)
    sleeper = sleeper_of(facts) if facts is not None else channel
    spans: list[LimitSpan] = []
    limits = _own(channel, layout)
    rests = rest_after(layout, sleeper, _first_of(sleeper, events), Rest.NONE)
    lows = channel in resting_lows(layout, sleeper)
    for event in events:
        mine = known.get(event.session, layout)
        own = _own(channel, mine)
        program = phases or (mine.program.phases if mine.program else ())
        own_unit = facts.unit if facts is not None else None
        becomes = (
            _put_in_force(event, channel, own_unit, own, program) if reaches(event, mine, channel) else None
        )
        if not spans and event.kind is not EventKind.SESSION_START:
            _begin(spans, event, waking(own, rests, lows=lows))
        rests = rest_after(mine, sleeper, event, rests)
        limits = limits if becomes is None else becomes
        _begin(spans, event, waking(limits, rests, lows=lows))
    return spans or [LimitSpan(start_ns=None, end_ns=None, limits=waking(limits, rests, lows=lows))]


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


def sleeper_of(channel: Channel) -> str:
    """Return what a channel's limits sleep with: its unit, or the channel of the room itself."""
    return channel.unit or channel.name


def rest_after(layout: Layout, sleeper: str, event: Event | None, before: Rest) -> Rest:
    """Return which limits of a unit, or of a channel of the room, sleep after an event.

    ``before``: those that did before it.
    """
    if event is None:
        return before
    phase = begun_phase(event)
    if phase is not None:
        if not _reaches_sleeper(event, layout, sleeper):
            return before
        if phase == "" and event.data.get("what") == "ended":
            return Rest.ENDED if before is Rest.NONE else before  # nothing drives it from now on
        return Rest.NONE if phase and before is Rest.ENDED else before
    if event.subject != sleeper or sleeper not in layout.units:
        return before
    if event.kind is EventKind.UNIT and "serial" in event.data:
        return Rest.NONE if event.data["serial"] else Rest.ALL
    if event.kind is EventKind.STATE:
        state = str(event.data.get("state"))
        return _RESTS.get(OperatingState(state), before) if state in set(OperatingState) else before
    return before


def _reaches_sleeper(event: Event, layout: Layout, sleeper: str) -> bool:
    group = group_of(event)
    return not group or (sleeper in group if sleeper in layout.units else concerns(layout, group, sleeper))


def all_awake(layout: Layout) -> dict[str, Rest]:
    """Return everything whose limits may sleep, with none of them asleep."""
    return dict.fromkeys([*sorted(_set_by_the_rig(layout)), *layout.units], Rest.NONE)


def rests_after(layout: Layout, events: Iterable[Event]) -> dict[str, Rest]:
    """Return which limits sleep after all that is recorded, by unit or channel of the room."""
    rests = all_awake(layout)
    for event in events:
        rests = {one: rest_after(layout, one, event, was) for one, was in rests.items()}
    return rests


def waking(limits: tuple[Limit, ...], rests: Rest, *, lows: bool) -> tuple[Limit, ...]:
    """Return the limits that do not sleep; lows: whether low limits of that channel sleep with the drive."""
    if rests is Rest.ALL:
        return ()
    asleep = rests is Rest.OFF or (lows and rests in {Rest.LOWS, Rest.ENDED})
    return tuple(one for one in limits if one.side is not Side.LOW) if asleep else limits


def resting_lows(layout: Layout, sleeper: str) -> set[str]:
    """Return the channels of a unit, or of the room, whose low limits nobody can keep without drive."""
    place = layout.units.get(sleeper)
    if place is None:
        return {sleeper} & _set_by_the_rig(layout)
    signals = signals_of(layout, place)
    roots = {one.channel for one in (signals.output, signals.supply) if one is not None}
    return {name for name in followers(layout.channels, roots) if layout.channels[name].unit == sleeper}


def _first_of(unit: str, events: Sequence[Event]) -> Event | None:
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


def _set_by_the_rig(layout: Layout) -> set[str]:
    """Return the room's stimuli that a program sets, or that feed or drive a unit."""
    signals = [signals_of(layout, one) for one in layout.units.values()]
    names = {one.channel for both in signals for one in (both.mains, both.drive) if one is not None}
    names |= {name for phase in (layout.program.phases if layout.program else ()) for name in phase.targets}
    return {
        name
        for name in names & set(layout.channels)
        if layout.channels[name].unit is None and layout.channels[name].kind is ChannelKind.STIMULUS
    }


def awake(channels: Mapping[str, Channel], rests: Mapping[str, Rest], layout: Layout) -> dict[str, Channel]:
    """Return channels without the limits that sleep; rests: by unit."""
    dim = [unit for unit, one in rests.items() if one in {Rest.LOWS, Rest.ENDED}]
    lows = {name for unit in dim for name in resting_lows(layout, unit)}
    return {
        name: replace(
            one, limits=waking(one.limits, rests.get(sleeper_of(one), Rest.NONE), lows=name in lows)
        )
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
