"""Snapshots from a live state, worst first. Pure; time comes in as a value."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from rig.domain.limits import Zone, bounds
from rig.domain.model import Channel, InstrumentFacts, Status
from rig.domain.program import Program
from rig.domain.program_state import phase_clock
from rig.view.live_state import (
    HOUR_NS,
    WINDOW_NS,
    Block,
    LiveExcursion,
    LiveState,
    RecordedPhase,
    Talk,
    number_in,
)
from rig.view.margin import least_span, margin, pieces, reach, trends
from rig.view.snapshot import (
    ChannelCondition,
    ChannelView,
    ExcursionView,
    InstrumentView,
    LinkState,
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
ROOM = "room"
"""Name of the group of channels that belong to no unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """State around the recording at the moment of a picture: UTC ns, run state, free bytes.

    alerts: status of the notifiers, in words; alerts_fail: fault of the alerts, '' for none.
    """

    now_ns: int
    state: RunState
    disk_free: int | None = None
    skipped: tuple[str, ...] = ()
    alerts: str = ""
    alerts_fail: str = ""


def picture(live: LiveState, surroundings: Surroundings) -> Snapshot:
    """Return the snapshot at ``surroundings.now_ns``. The fault of one channel never costs the others."""
    live.close_what_a_restart_left_open()
    newest = live.newest_ns
    age_s = None if newest is None else (surroundings.now_ns - newest) / 1e9
    running = surroundings.state is RunState.RUNNING
    as_of = surroundings.now_ns if running or newest is None else newest
    channels = _channels(live, as_of)
    return Snapshot(
        rig=live.layout.rig,
        run=live.run,
        state=surroundings.state,
        now_ns=surroundings.now_ns,
        newest_ns=newest,
        age_s=age_s,
        stale=running and age_s is not None and age_s > patience_s(live),
        session=live.session,
        started_ns=live.started_ns,
        elapsed_s=(as_of - live.started_ns) / 1e9 if live.started_ns is not None else 0.0,
        planned_s=live.layout.planned_s,
        disk_free=surroundings.disk_free,
        units=_units(live, channels),
        excursions=_excursions(live),
        instruments=_instruments(live, as_of, channels),
        events=tuple(reversed(live.events)),
        gaps=live.gaps,
        warnings=(*_warnings(live), *([surroundings.alerts_fail] if surroundings.alerts_fail else [])),
        skipped=surroundings.skipped,
        phases=_phases(live, as_of, running=running),
        alerts=surroundings.alerts,
    )


def patience_s(live: LiveState) -> float:
    """Return how old the newest reading may be before the picture is called stale, in s."""
    instruments = live.layout.instruments.values()
    quickest = min((3 * facts.poll_s + facts.timeout_s for facts in instruments), default=0.0)
    return max(LEAST_PATIENCE_S, quickest)


def _warnings(live: LiveState) -> tuple[str, ...]:
    warnings = [f"DISK: {live.store}"] if live.store else []
    for bus in live.stuck:
        names = [name for name, facts in live.layout.instruments.items() if facts.bus == bus]
        if all(_is_stuck(live, live.layout.instruments[name]) for name in names):
            warnings.append(f"BUS HUNG: {bus} ({', '.join(names)})")
    return tuple(warnings)


def _phases(live: LiveState, as_of_ns: int, *, running: bool) -> tuple[PhaseView, ...]:
    """Return the phases in force, with the time that counted up to now."""
    return tuple(
        _phase(one, live.layout.program, (as_of_ns - one.t_ns) / 1e9 if running else 0.0)
        for one in live.phases.values()
    )


def _phase(recorded: RecordedPhase, program: Program | None, since_s: float) -> PhaseView:
    view = recorded.view
    phase = program.phase(view.name) if program is not None else None
    clock = phase_clock(view.stage, view.done_s, view.planned_s, since_s=since_s, phase=phase)
    units = {
        str(unit): phase_clock(
            str(one.get("stage", "")),
            number_in(one.get("done_s"), float),
            view.planned_s,
            since_s=since_s,
            phase=phase,
        )
        for unit, one in recorded.units.items()
        if isinstance(one, Mapping)
    }
    return replace(view, stage=clock.stage, done_s=clock.done_s, units=units)


# ---- channels and units


def _channels(live: LiveState, as_of_ns: int) -> dict[str, ChannelView]:
    slopes: dict[str, Trend | None] = {}
    history: dict[str, tuple[float, ...]] = {}
    for block in live.blocks.values():
        if len(block.window):
            found, past = _movement(live, block, as_of_ns)
            slopes.update(zip(block.channels, found, strict=True))
            history.update(zip(block.channels, past, strict=True))
    views: dict[str, ChannelView] = {}
    for name, channel in live.layout.channels.items():
        try:
            views[name] = _channel(live, channel, as_of_ns, slopes.get(name), history.get(name, ()))
        except Exception as error:  # one bad channel must not cost the whole picture
            views[name] = _without_numbers(channel, f"{type(error).__name__}: {error}")
    return views


def _movement(
    live: LiveState, block: Block, as_of_ns: int
) -> tuple[list[Trend | None], list[tuple[float, ...]]]:
    """Return trend and history of each channel of a block."""
    t, values = block.window.t_ns, block.window.values
    resolution = np.array([live.steps.get(name, 0.0) for name in block.channels])
    past = pieces((t - max(as_of_ns, t[-1])) / 1e9, values, WINDOW_NS / 1e9, PIECES)
    return trends((t - t[-1]) / 1e9, values, resolution), [tuple(one) for one in past.T.tolist()]


def _channel(
    live: LiveState, channel: Channel, as_of_ns: int, trend: Trend | None, history: tuple[float, ...]
) -> ChannelView:
    block, place = live.place.get(channel.name, (None, 0))
    value, status, age_s = math.nan, int(Status.GOOD), None
    if block is not None:
        value, status = block.values[place], block.statuses[place]
        if block.valid_ns[place]:
            age_s = (as_of_ns - block.valid_ns[place]) / 1e9
    condition = ChannelCondition.WAITING
    if block is not None:
        condition = _condition(live, channel, value, status, age_s)
    return ChannelView(
        name=channel.name,
        unit=channel.unit,
        quantity=_quantity(channel),
        kind=channel.kind,
        value=value,
        unit_of_measure=channel.unit_of_measure,
        resolution=live.steps.get(channel.name, 0.0),
        status=status,
        condition=condition,
        age_s=age_s,
        margin=margin(channel, value),
        trend=trend,
        reach=None if condition is ChannelCondition.OUT else reach(channel, value, trend),
        history=history,
        least_span=least_span(channel, live.steps.get(channel.name, 0.0)),
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
    live: LiveState, channel: Channel, value: float, status: int, age_s: float | None
) -> ChannelCondition:
    if any(name == channel.name for name, _ in live.active):
        return ChannelCondition.OUT
    outside = {bound.early for bound in bounds(channel) if bound.zone(value, status) is Zone.OUTSIDE}
    if False in outside:
        return ChannelCondition.PENDING
    alarmed = channel.name in live.silent
    if age_s is None or age_s > channel.silence_s or (alarmed and status != Status.GOOD):
        return ChannelCondition.SILENT if age_s is not None or alarmed else ChannelCondition.NO_NUMBER
    if status > Status.SUSPECT:
        return ChannelCondition.NO_NUMBER
    if outside or any(name == channel.name for name, _ in live.in_warning):
        return ChannelCondition.WARNING
    return ChannelCondition.SUSPECT if status == Status.SUSPECT else ChannelCondition.OK


def _units(live: LiveState, channels: dict[str, ChannelView]) -> tuple[UnitView, ...]:
    views = []
    for unit in live.layout.units.values():
        own = sorted((c for c in channels.values() if c.unit == unit.name), key=trouble)
        views.append(UnitView(name=unit.name, serial=unit.serial, load=unit.load, channels=tuple(own)))
    rest = sorted((c for c in channels.values() if c.unit not in live.layout.units), key=trouble)
    if rest:
        views.append(UnitView(name=ROOM, serial="", load="", channels=tuple(rest)))
    return tuple(sorted(views, key=lambda view: view.condition.rank))


# ---- excursions and instruments


def _excursions(live: LiveState) -> tuple[ExcursionView, ...]:
    """Return active excursions in first-out order, then ended ones, newest first.

    The rank is that order within the incident: on-delays decide what counts, not what was first.
    """
    active = sorted(live.active.values(), key=lambda e: e.began_ns)
    ended = sorted(live.ended, key=lambda e: -e.began_ns)
    began: dict[int, list[int]] = {}
    for e in (*active, *ended):
        began.setdefault(e.incident, []).append(e.began_ns)
    return tuple(
        _excursion(live, e, 1 + sum(other < e.began_ns for other in began[e.incident]))
        for e in (*active, *ended)
    )


def _excursion(live: LiveState, e: LiveExcursion, place: int) -> ExcursionView:
    channel = live.layout.channels.get(e.channel)
    limits = [limit.value for limit in channel.limits if limit.side.value == e.side] if channel else []
    return ExcursionView(
        channel=e.channel,
        unit=channel.unit if channel else None,
        side=e.side,
        limit=e.limit if e.limit is not None else limits[0] if limits else math.nan,
        unit_of_measure=channel.unit_of_measure if channel else "",
        resolution=live.steps.get(e.channel, 0.0),
        began_ns=e.began_ns,
        ended_ns=e.ended_ns,
        first_out=place == 1,
        place=place,
        peak=e.peak,
    )


def _is_stuck(live: LiveState, facts: InstrumentFacts) -> bool:
    since, talk = live.stuck.get(facts.bus), live.talks.get(facts.name)
    return since is not None and (talk is None or talk.reply_ns is None or talk.reply_ns < since)


def _link_state(live: LiveState, facts: InstrumentFacts, talk: Talk, age_s: float | None) -> LinkState:
    if _is_stuck(live, facts):
        return LinkState.HUNG
    if talk.lost_ns is not None and (talk.reply_ns is None or talk.reply_ns < talk.lost_ns):
        return LinkState.OFFLINE
    if age_s is None:
        return LinkState.SLOW if talk.failures else LinkState.WAITING
    return LinkState.SLOW if age_s > 3 * facts.poll_s + facts.timeout_s + 1.0 else LinkState.ONLINE


def _instruments(
    live: LiveState, as_of_ns: int, channels: dict[str, ChannelView]
) -> tuple[InstrumentView, ...]:
    views = []
    for name, facts in live.layout.instruments.items():
        talk = live.talks[name]
        mine = [c.name for c in live.layout.channels.values() if c.source and c.source.instrument == name]
        age_s = None if talk.reply_ns is None else (as_of_ns - talk.reply_ns) / 1e9
        views.append(
            InstrumentView(
                name=name,
                bus=facts.bus,
                driver=facts.driver,
                poll_s=facts.poll_s,
                link=_link_state(live, facts, talk, age_s),
                age_s=age_s,
                failures=sum(1 for t_ns in talk.failures if as_of_ns - t_ns <= HOUR_NS),
                last_fault=talk.fault,
                last_fault_ns=talk.fault_ns,
                channels=len(mine),
                numberless=sum(1 for c in mine if channels[c].status > Status.SUSPECT),
                late_ms=live.late_ms.get(name),
            )
        )
    return tuple(sorted(views, key=lambda view: view.link.rank))
