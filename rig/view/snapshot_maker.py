"""A Snapshot of the room: what is worth knowing now, worst first. Pure; time comes in as a value."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from rig.domain.limits import Zone, bounds
from rig.domain.model import Channel, InstrumentFacts, Status
from rig.view.live_state import HOUR_NS, WINDOW_NS, Block, LiveExcursion, LiveState, Talk
from rig.view.margin import least_span, margin, pieces, reach, trends
from rig.view.snapshot import (
    Answering,
    ChannelCondition,
    ChannelView,
    ExcursionView,
    InstrumentView,
    PhaseView,
    RunState,
    Snapshot,
    Trend,
    UnitView,
    trouble,
)

LEAST_PATIENCE_S = 10.0
PIECES = 24
"""Of the history: divides by all widths that it is drawn in."""
_COUNTING = frozenset({"running", "slipping"})
"""Stages of a phase in which time counts (a target missed for a moment is not yet a phase left)."""
ROOM = "room"
"""What the group of channels that belong to no unit is called."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What surrounds the recording at the moment of a picture: UTC ns, run state, free bytes.

    alerts: how people are told, in words; alerts_fail: what is wrong with that, '' for nothing.
    """

    now_ns: int
    state: RunState
    disk_free: int | None = None
    skipped: tuple[str, ...] = ()
    alerts: str = ""
    alerts_fail: str = ""


def picture(room: LiveState, standing: Surroundings) -> Snapshot:
    """Return the room at ``standing.now_ns``. The fault of one channel never costs the others."""
    room.close_what_a_restart_left_open()
    newest = room.newest_ns
    age_s = None if newest is None else (standing.now_ns - newest) / 1e9
    running = standing.state is RunState.RUNNING
    as_of = standing.now_ns if running or newest is None else newest
    channels = _channels(room, as_of)
    return Snapshot(
        rig=room.layout.rig,
        run=room.run,
        state=standing.state,
        now_ns=standing.now_ns,
        newest_ns=newest,
        age_s=age_s,
        stale=running and age_s is not None and age_s > patience_s(room),
        session=room.session,
        started_ns=room.started_ns,
        elapsed_s=(as_of - room.started_ns) / 1e9 if room.started_ns is not None else 0.0,
        planned_s=room.layout.planned_s,
        disk_free=standing.disk_free,
        units=_units(room, channels),
        excursions=_excursions(room),
        instruments=_instruments(room, as_of, channels),
        events=tuple(reversed(room.events)),
        gaps=room.gaps,
        warnings=(*_warnings(room), *([standing.alerts_fail] if standing.alerts_fail else [])),
        skipped=standing.skipped,
        phase=_phase(room, as_of, running=running),
        alerts=standing.alerts,
    )


def patience_s(room: LiveState) -> float:
    """Return how old the newest reading may be before the picture is called stale, in s."""
    instruments = room.layout.instruments.values()
    quickest = min((3 * facts.poll_s + facts.timeout_s for facts in instruments), default=0.0)
    return max(LEAST_PATIENCE_S, quickest)


def _warnings(room: LiveState) -> tuple[str, ...]:
    warnings = [f"DISK: {room.store}"] if room.store else []
    for bus in room.stuck:
        names = [name for name, facts in room.layout.instruments.items() if facts.bus == bus]
        if all(_is_stuck(room, room.layout.instruments[name]) for name in names):
            warnings.append(f"BUS STUCK: {bus} ({', '.join(names)})")
    return tuple(warnings)


def _phase(room: LiveState, as_of_ns: int, *, running: bool) -> PhaseView | None:
    """Return the phase in force, with the time that counted up to now."""
    phase = room.phase
    if phase is None or phase.done_s is None or phase.stage not in _COUNTING or not running:
        return phase
    return replace(phase, done_s=phase.done_s + max(0.0, (as_of_ns - room.phase_ns) / 1e9))


# ---- channels and units


def _channels(room: LiveState, as_of_ns: int) -> dict[str, ChannelView]:
    slopes: dict[str, Trend | None] = {}
    history: dict[str, tuple[float, ...]] = {}
    for block in room.blocks.values():
        if len(block.window):
            found, past = _movement(room, block, as_of_ns)
            slopes.update(zip(block.channels, found, strict=True))
            history.update(zip(block.channels, past, strict=True))
    views: dict[str, ChannelView] = {}
    for name, channel in room.layout.channels.items():
        try:
            views[name] = _channel(room, channel, as_of_ns, slopes.get(name), history.get(name, ()))
        except Exception as error:  # one bad channel must not blind the whole room
            views[name] = _without_numbers(channel, f"{type(error).__name__}: {error}")
    return views


def _movement(
    room: LiveState, block: Block, as_of_ns: int
) -> tuple[list[Trend | None], list[tuple[float, ...]]]:
    """Return trend and history of each channel of a block."""
    t, values = block.window.t_ns, block.window.values
    resolution = np.array([room.steps.get(name, 0.0) for name in block.channels])
    past = pieces((t - max(as_of_ns, t[-1])) / 1e9, values, WINDOW_NS / 1e9, PIECES)
    return trends((t - t[-1]) / 1e9, values, resolution), [tuple(one) for one in past.T.tolist()]


def _channel(
    room: LiveState, channel: Channel, as_of_ns: int, trend: Trend | None, history: tuple[float, ...]
) -> ChannelView:
    block, place = room.place.get(channel.name, (None, 0))
    value, status, age_s = math.nan, int(Status.GOOD), None
    if block is not None:
        value, status = block.values[place], block.statuses[place]
        if block.valid_ns[place]:
            age_s = (as_of_ns - block.valid_ns[place]) / 1e9
    condition = ChannelCondition.WAITING
    if block is not None:
        condition = _condition(room, channel, value, status, age_s)
    return ChannelView(
        name=channel.name,
        unit=channel.unit,
        quantity=_quantity(channel),
        kind=channel.kind,
        value=value,
        unit_of_measure=channel.unit_of_measure,
        resolution=room.steps.get(channel.name, 0.0),
        status=status,
        condition=condition,
        age_s=age_s,
        margin=margin(channel, value),
        trend=trend,
        reach=None if condition is ChannelCondition.OUT else reach(channel, value, trend),
        history=history,
        least_span=least_span(channel, room.steps.get(channel.name, 0.0)),
    )


def _quantity(channel: Channel) -> str:
    return channel.name.removeprefix(f"{channel.unit}.") if channel.unit else channel.name


def _without_numbers(channel: Channel, problem: str) -> ChannelView:
    return ChannelView(
        name=channel.name,
        unit=channel.unit,
        quantity=_quantity(channel),
        kind=channel.kind,
        value=math.nan,
        unit_of_measure=channel.unit_of_measure,
        resolution=0.0,
        status=Status.NOT_COMPUTED,
        condition=ChannelCondition.NO_NUMBER,
        age_s=None,
        problem=problem,
    )


def _condition(
    room: LiveState, channel: Channel, value: float, status: int, age_s: float | None
) -> ChannelCondition:
    if any(name == channel.name for name, _ in room.active):
        return ChannelCondition.OUT
    outside = {bound.early for bound in bounds(channel) if bound.zone(value, status) is Zone.OUTSIDE}
    if False in outside:
        return ChannelCondition.CROSSED
    alarmed = channel.name in room.silent
    if age_s is None or age_s > channel.silence_s or (alarmed and status != Status.GOOD):
        return ChannelCondition.SILENT if age_s is not None or alarmed else ChannelCondition.NO_NUMBER
    if status > Status.SUSPECT:
        return ChannelCondition.NO_NUMBER
    if outside or any(name == channel.name for name, _ in room.early):
        return ChannelCondition.EARLY
    return ChannelCondition.SUSPECT if status == Status.SUSPECT else ChannelCondition.OK


def _units(room: LiveState, channels: dict[str, ChannelView]) -> tuple[UnitView, ...]:
    views = []
    for unit in room.layout.units.values():
        own = sorted((c for c in channels.values() if c.unit == unit.name), key=trouble)
        views.append(UnitView(name=unit.name, serial=unit.serial, load=unit.load, channels=tuple(own)))
    rest = sorted((c for c in channels.values() if c.unit not in room.layout.units), key=trouble)
    if rest:
        views.append(UnitView(name=ROOM, serial="", load="", channels=tuple(rest)))
    return tuple(sorted(views, key=lambda view: view.condition.rank))


# ---- excursions and instruments


def _excursions(room: LiveState) -> tuple[ExcursionView, ...]:
    """Return lasting excursions in the order of their first readings outside, then ended ones, newest first.

    The place is that order within the incident: the on-delays decide what counts, not what was first.
    """
    active = sorted(room.active.values(), key=lambda e: e.began_ns)
    ended = sorted(room.ended, key=lambda e: -e.began_ns)
    began: dict[int, list[int]] = {}
    for e in (*active, *ended):
        began.setdefault(e.incident, []).append(e.began_ns)
    return tuple(
        _excursion(room, e, 1 + sum(other < e.began_ns for other in began[e.incident]))
        for e in (*active, *ended)
    )


def _excursion(room: LiveState, e: LiveExcursion, place: int) -> ExcursionView:
    channel = room.layout.channels.get(e.channel)
    limits = [limit.value for limit in channel.limits if limit.side.value == e.side] if channel else []
    return ExcursionView(
        channel=e.channel,
        unit=channel.unit if channel else None,
        side=e.side,
        limit=e.limit if e.limit is not None else limits[0] if limits else math.nan,
        unit_of_measure=channel.unit_of_measure if channel else "",
        resolution=room.steps.get(e.channel, 0.0),
        began_ns=e.began_ns,
        ended_ns=e.ended_ns,
        first_out=place == 1,
        place=place,
        peak=e.peak,
    )


def _is_stuck(room: LiveState, facts: InstrumentFacts) -> bool:
    since, talk = room.stuck.get(facts.bus), room.talks.get(facts.name)
    return since is not None and (talk is None or talk.reply_ns is None or talk.reply_ns < since)


def _answering(room: LiveState, facts: InstrumentFacts, talk: Talk, age_s: float | None) -> Answering:
    if _is_stuck(room, facts):
        return Answering.STUCK
    if talk.lost_ns is not None and (talk.reply_ns is None or talk.reply_ns < talk.lost_ns):
        return Answering.LOST
    if age_s is None:
        return Answering.LATE if talk.failures else Answering.WAITING
    return Answering.LATE if age_s > 3 * facts.poll_s + facts.timeout_s + 1.0 else Answering.ANSWERS


def _instruments(
    room: LiveState, as_of_ns: int, channels: dict[str, ChannelView]
) -> tuple[InstrumentView, ...]:
    views = []
    for name, facts in room.layout.instruments.items():
        talk = room.talks[name]
        mine = [c.name for c in room.layout.channels.values() if c.source and c.source.instrument == name]
        age_s = None if talk.reply_ns is None else (as_of_ns - talk.reply_ns) / 1e9
        views.append(
            InstrumentView(
                name=name,
                bus=facts.bus,
                driver=facts.driver,
                poll_s=facts.poll_s,
                answering=_answering(room, facts, talk, age_s),
                age_s=age_s,
                failures=sum(1 for t_ns in talk.failures if as_of_ns - t_ns <= HOUR_NS),
                last_fault=talk.fault,
                last_fault_ns=talk.fault_ns,
                channels=len(mine),
                numberless=sum(1 for c in mine if channels[c].status > Status.SUSPECT),
                late_ms=room.late_ms.get(name),
            )
        )
    return tuple(sorted(views, key=lambda view: view.answering.rank))
