"""Snapshots from a live state, worst first. Pure; time comes in as a value."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.domain.limit_history import resting_lows
from rig.domain.limits import Zone, bounds
from rig.domain.model import Channel, InstrumentFacts, Side, Status
from rig.domain.program import Program
from rig.domain.program_state import phase_clock
from rig.view.latched_episodes import LiveExcursion
from rig.view.live_state import (
    HOUR_NS,
    NOT_A_REPLY,
    WINDOW_NS,
    Block,
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
    good = live.good_ns
    age_s = None if good is None else (surroundings.now_ns - good) / 1e9
    blind_s = None
    if good is None and live.first_scan_ns is not None:
        blind_s = (surroundings.now_ns - live.first_scan_ns) / 1e9
    running = surroundings.state is RunState.RUNNING
    as_of = surroundings.now_ns if running or newest is None else newest
    channels = _channels(live, as_of)
    instruments = _instruments(live, as_of, channels)
    without_s = age_s if age_s is not None else blind_s
    excursions = _excursions(live)
    return Snapshot(
        rig=live.layout.rig,
        run=live.run,
        state=surroundings.state,
        now_ns=surroundings.now_ns,
        newest_ns=newest,
        age_s=age_s,
        good_ns=good,
        blind_s=blind_s,
        stale=running and without_s is not None and without_s > patience_s(live, instruments),
        session=live.session,
        started_ns=live.started_ns,
        elapsed_s=(as_of - live.started_ns) / 1e9 if live.started_ns is not None else 0.0,
        planned_s=live.layout.planned_s,
        disk_free=surroundings.disk_free,
        units=_units(live, channels, excursions),
        excursions=excursions,
        instruments=instruments,
        events=tuple(reversed(live.events)),
        gaps=live.gaps,
        warnings=(*_warnings(live), *([surroundings.alerts_fail] if surroundings.alerts_fail else [])),
        skipped=surroundings.skipped,
        phases=_phases(live, as_of, running=running),
        alerts=surroundings.alerts,
    )


def patience_s(live: LiveState, instruments: Sequence[InstrumentView]) -> float:
    """Return how old the newest good reading may be before the picture is called stale, in s.

    The quickest instrument that is online sets it: from one that is offline no reading is due.
    """
    due = (live.layout.instruments[one.name] for one in instruments if one.link is LinkState.ONLINE)
    quickest = min((3 * facts.poll_s + facts.timeout_s for facts in due), default=0.0)
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
    judged = live.judged.channels[channel.name]
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
        least_span=least_span(judged, live.steps.get(channel.name, 0.0)),
        asleep=asleep(live, channel),
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
    if any(name == channel.name for name, _ in live.excursions.active):
        return ChannelCondition.OUT
    if _is_offline(live, channel) and (age_s is None or age_s <= channel.silence_s):
        return ChannelCondition.NOT_READ
    outside = {bound.early for bound in bounds(channel) if bound.zone(value, status) is Zone.OUTSIDE}
    if False in outside:
        return ChannelCondition.PENDING
    alarmed = channel.name in live.silent
    if age_s is None or age_s > channel.silence_s or (alarmed and status != Status.GOOD):
        return ChannelCondition.SILENT if age_s is not None or alarmed else _numberless(status)
    if status > Status.SUSPECT:
        return _numberless(status)
    if outside or any(name == channel.name for name, _ in live.in_warning):
        return ChannelCondition.WARNING
    if status == Status.SUSPECT:
        return ChannelCondition.SUSPECT
    return ChannelCondition.UNJUDGED if asleep(live, channel) else ChannelCondition.OK


def asleep(live: LiveState, channel: Channel) -> bool:
    """Return whether a channel has limits, and all of them sleep."""
    return not channel.limits and bool(live.judged.channels[channel.name].limits)


def _is_offline(live: LiveState, channel: Channel) -> bool:
    """Return whether no reading of a channel is due: its instrument is offline, or hangs."""
    name = channel.source.instrument if channel.source is not None else ""
    facts, talk = live.layout.instruments.get(name), live.talks.get(name)
    return facts is not None and talk is not None and (_is_stuck(live, facts) or _is_lost(talk))


def _numberless(status: int) -> ChannelCondition:
    """Return the condition of a channel whose last reading carries no number."""
    return ChannelCondition.NOT_READ if status in NOT_A_REPLY else ChannelCondition.NO_NUMBER


def _units(
    live: LiveState, channels: dict[str, ChannelView], excursions: Sequence[ExcursionView]
) -> tuple[UnitView, ...]:
    firsts = [e for e in excursions if e.latched and e.first_out]
    views = []
    for unit in live.layout.units.values():
        own = sorted((c for c in channels.values() if c.unit == unit.name), key=trouble)
        views.append(
            UnitView(
                name=unit.name,
                serial=unit.serial,
                load=unit.load,
                channels=tuple(own),
                state=live.states.now.get(unit.name),
                first_out=tuple(e for e in firsts if e.unit == unit.name),
            )
        )
    rest = sorted((c for c in channels.values() if c.unit not in live.layout.units), key=trouble)
    if rest:
        views.append(UnitView(name=ROOM, serial="", load="", channels=tuple(rest)))
    return tuple(sorted(views, key=lambda view: view.severity))


# ---- excursions and instruments


def _excursions(live: LiveState) -> tuple[ExcursionView, ...]:
    """Return active excursions in first-out order, then ended ones, newest first.

    The rank is that order within the episode: on-delays decide what counts, not what was first.
    """
    lows = {unit: resting_lows(live.layout, unit) for unit in live.states.shut_down}
    return tuple(_excursion(live, e, lows) for e in live.excursions.all())


def _excursion(live: LiveState, e: LiveExcursion, lows: Mapping[str, set[str]]) -> ExcursionView:
    channel = live.layout.channels.get(e.channel)
    known = live.judged.channels.get(e.channel)
    limits = [limit.value for limit in known.limits if limit.side.value == e.side] if known else []
    place = e.episode.rank(e)
    latched = live.excursions.latched.get(e.episode.unit) is e.episode
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
        latched=latched,
        consequence=latched and place > 1 and _follows_shutdown(live, e, lows),
    )


def _follows_shutdown(live: LiveState, e: LiveExcursion, lows: Mapping[str, set[str]]) -> bool:
    """Return whether an excursion began after its unit had shut down.

    Between the readings that the shutdown lies between, only what shows it (output and supply that fall, and
    what follows from them) is taken as part of it: the order of the rest is not known.
    """
    span = live.states.shut_down.get(e.episode.unit or "")
    if span is None:
        return False
    shows_it = e.side == Side.LOW and e.channel in lows.get(e.episode.unit or "", ())
    return e.began_ns >= (span[0] if shows_it else span[1])


def _is_stuck(live: LiveState, facts: InstrumentFacts) -> bool:
    since, talk = live.stuck.get(facts.bus), live.talks.get(facts.name)
    return since is not None and (talk is None or talk.reply_ns is None or talk.reply_ns < since)


def _is_lost(talk: Talk) -> bool:
    return talk.lost_ns is not None and (talk.reply_ns is None or talk.reply_ns < talk.lost_ns)


def _link_state(live: LiveState, facts: InstrumentFacts, talk: Talk, age_s: float | None) -> LinkState:
    if _is_stuck(live, facts):
        return LinkState.HUNG
    if _is_lost(talk):
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
