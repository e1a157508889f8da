"""Post-mortem analysis of a recording: ``analyse``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from rig.domain.channel_digest import ChangedError
from rig.domain.model import Channel, ChannelKind, Event, EventKind, Layout
from rig.domain.recording import Recording
from rig.errors import UsageError
from rig.forensics import short_answer, spikes
from rig.forensics.aftermath import consequences, cycling, shutdown
from rig.forensics.analysis_data import AnalysisData
from rig.forensics.answer import Censoring, ChannelStory, CrossingExcursion, Cycling, PostMortem
from rig.forensics.attribution_rule import AttributionInput
from rig.forensics.effective_limits import in_force, moved_past
from rig.forensics.episodes import Episode, closeness_s, episodes, final, first_of_each, joined, unbroken
from rig.forensics.fault_rule import SensorFault
from rig.forensics.fault_search import find_faults
from rig.forensics.findings import findings, without_faulty
from rig.forensics.neighbours import neighbours
from rig.forensics.onset import onset
from rig.forensics.order import order
from rig.forensics.unit_stays import UnitStay, room_words, story_ends_ns, unit_stays

SILENT = frozenset({EventKind.INSTRUMENT_LOST, EventKind.INSTRUMENT_BACK})
NEAR_EVENTS_NS = 600_000_000_000


def analyse(recording: Recording, unit: str | None = None, confidence: float = 0.95) -> PostMortem:
    """Return the post-mortem of one unit (None: the worst one).

    confidence: of every interval, between 0.5 and 0.9999. Raises UsageError for an unknown unit or a
    confidence outside that range.
    """
    layout = recording.layout
    if unit is not None and unit not in layout.units:
        names = ", ".join(layout.units) or "none"
        raise UsageError(f"no unit named {unit!r} in this recording; there are: {names}")
    if not 0.5 <= confidence <= 0.9999:
        raise UsageError(f"confidence {confidence!r} must lie between 0.5 and 0.9999")
    while True:
        try:
            return _analysed(recording, layout, unit, confidence)
        except ChangedError:  # a file turned out to be damaged; it is left out the next time
            continue


def _analysed(recording: Recording, layout: Layout, unit: str | None, confidence: float) -> PostMortem:
    data = AnalysisData(recording, layout, recording.span)
    stories = {c.name: _story(data, c, confidence) for c in layout.channels.values()}
    slowest = max((s.period_s for s in stories.values()), default=0.0)
    close_s = closeness_s(recording.span, slowest)
    cycled = {
        name for one in (None, *layout.units) for c in cycling(_of(stories, one), one) for name in c.channels
    }
    strays = spikes.strays(stories, cycled)
    context = AnalysisContext(
        data, confidence, stories, find_faults(data, layout.channels), close_s, strays, unit_stays(data)
    )
    return _answer(context, unit if unit is not None else _worst_unit(context))


@dataclass(frozen=True, slots=True, eq=False)
class AnalysisContext:
    """Findings shared by the analysis of every unit: each channel's findings and all sensor faults."""

    data: AnalysisData
    confidence: float
    stories: Mapping[str, ChannelStory]
    faults: Sequence[SensorFault]
    close_s: float
    strays: Mapping[str, Sequence[CrossingExcursion]]
    lives: Mapping[str, UnitStay]

    def explained(self, unit: str | None) -> list[CrossingExcursion]:
        """Return the excursions of a unit (None: the room) that ask for a cause: sure, no lone readings.

        Of a unit those of its own life alone: what a successor in the same place does is another story.
        """
        life = self.lives.get(unit or "")
        return [
            one
            for story in _of(self.stories, unit)
            for one in unbroken(story.excursions)
            if one.sure
            and one not in self.strays.get(story.channel, ())
            and (life is None or life.start_ns <= one.first_outside.t_ns <= life.end_ns)
        ]

    def episodes_of(self, unit: str | None) -> list[Episode]:
        """Return the episodes of a unit (None: the room).

        The limits of a unit that failed sleep from then on, and a spare may sit there: that ends its
        excursions, but nothing returned to normal.
        """
        found = episodes(self.explained(unit), self.close_s)
        life = self.lives.get(unit or "")
        failed = None if life is None else life.failed
        if failed is None:
            return found
        return [
            replace(one, end_ns=None)
            if one.start_ns <= failed.latest_ns and (one.end_ns or failed.latest_ns) >= failed.earliest_ns
            else one
            for one in found
        ]

    def faults_of(self, unit: str | None) -> list[SensorFault]:
        """Return the faults of sensors and instruments that began before the story of a unit ends."""
        life = self.lives.get(unit or "")
        return [one for one in self.faults if life is None or one.from_ns <= story_ends_ns(life)]


def _of(stories: Mapping[str, ChannelStory], unit: str | None) -> list[ChannelStory]:
    return [one for one in stories.values() if one.unit == unit]


def _story(data: AnalysisData, channel: Channel, confidence: float) -> ChannelStory:
    """Return the findings about one channel over the whole recording."""
    found = data.track(channel.name)
    all_out, limited = in_force(data, channel, confidence)
    censoring = Censoring.RIGHT
    if not limited:
        censoring = Censoring.UNLIMITED
    elif not found.usable:
        censoring = Censoring.UNREAD
    elif all_out:
        censoring = Censoring.NONE
    return ChannelStory(
        channel=channel.name,
        unit=channel.unit,
        kind=channel.kind,
        unit_of_measure=channel.unit_of_measure,
        censoring=censoring,
        readings=len(found),
        usable=found.usable,
        excursions=tuple(all_out),
        period_s=found.period_s(),
    )


def _worst_unit(context: AnalysisContext) -> str | None:
    """Return the unit that failed or is still out at the end, with most channels out, and the earliest start.

    Excursions explained by a sensor or instrument fault come last.
    """
    scored = []
    for unit in context.data.layout.units:
        episode = final(context.episodes_of(unit))
        if episode is not None:
            genuine = without_faulty(context.data, first_of_each(episode), context.faults)
            alive = episode.end_ns is not None and not _failed_in(context.lives.get(unit), episode)
            scored.append((not genuine, alive, -len(genuine), episode.start_ns, unit))
    if scored:
        return min(scored)[-1]
    touched = [context.data.layout.channels[n].unit for fault in context.faults for n in fault.channels]
    return next((unit for unit in touched if unit is not None), None)


def _final_episode(context: AnalysisContext, unit: str | None, cycles: Sequence[Cycling]) -> Episode | None:
    """Return the failure of one unit, with what the room did at the time."""
    spans = [(c.first_ns, c.last_ns) for c in cycles]
    episode = final(joined(context.episodes_of(unit), spans))
    if episode is None or unit is None:
        return episode
    until_ns = story_ends_ns(context.lives[unit])
    room = [one for one in context.explained(None) if one.first_outside.t_ns <= until_ns]
    return _with_room(episode, room, context.close_s)


def _with_room(episode: Episode, room: Sequence[CrossingExcursion], close_s: float) -> Episode:
    """Return the episode with the room's own excursions that overlap it or stand close before it."""
    early = episode.start_ns - int(close_s * 1e9)
    near = [
        e
        for e in room
        if (e.returned is None or e.returned.t_ns >= early)
        and (episode.end_ns is None or e.first_outside.t_ns <= episode.end_ns)
    ]
    together = sorted((*episode.excursions, *near), key=lambda e: (e.first_outside.t_ns, e.channel))
    return Episode(start_ns=episode.start_ns, end_ns=episode.end_ns, excursions=tuple(together))


def _answer(context: AnalysisContext, unit: str | None) -> PostMortem:
    """Return the post-mortem of one unit."""
    data, faults, confidence = context.data, context.faults_of(unit), context.confidence
    mine = {n: s for n, s in context.stories.items() if s.unit in {unit, None}}
    cycles = cycling(list(mine.values()), unit)
    episode = _final_episode(context, unit, cycles)
    firsts = without_faulty(data, first_of_each(episode), faults) if episode else {}
    ranking = order({name: excursion.interval for name, excursion in firsts.items()})
    strays = {name: context.strays[name] for name in mine if name in context.strays}
    inputs = AttributionInput(
        data=data,
        unit=unit,
        firsts=firsts,
        ranking=ranking,
        faults=faults,
        confidence=confidence,
        strays=strays,
    )
    found = findings(inputs)
    main = next(f for f in found if f.main)
    reference = _reference(data, firsts, ranking.channels, main.evidence[0].t_ns if main.evidence else None)
    placed = [_placed(s, firsts.get(n), episode) for n, s in mine.items()]
    channels = tuple(_with_onset(data, s, episode, reference, confidence) for s in placed)
    onsets = {s.channel: s.onset for s in channels if s.onset and s.unit == unit}
    off = shutdown(data, unit, episode.start_ns - int(context.close_s * 1e9)) if unit and episode else None
    window = _window(data, episode, reference, context.close_s)
    facts = data.layout.units.get(unit) if unit else None
    life = context.lives.get(unit or "")
    return PostMortem(
        rig=data.layout.rig,
        unit=unit,
        serial=(life.serial if life is not None else facts.serial) if facts else "",
        confidence=confidence,
        span_ns=data.span_ns,
        reference_ns=reference,
        episode_ns=(episode.start_ns, episode.end_ns or data.span_ns[1]) if episode else None,
        headline=short_answer.headline(
            main,
            ranking,
            firsts,
            list(onsets.values()),
            cycles,
            lasting=episode is not None and (episode.end_ns is None or _failed_in(life, episode)),
            possible=life is not None and life.is_possible,
            room=room_words(list(context.lives.values()), unit),
        ),
        channels=channels,
        order=ranking,
        onset_order=order({n: o.interval for n, o in onsets.items()}),
        findings=tuple(found),
        consequences=tuple(consequences(data, off, firsts, unit)),
        cycling=tuple(cycles),
        early=_early(channels, cycles),
        neighbours=tuple(
            neighbours(
                data, context.stories, lives=context.lives, unit=unit, window_ns=window, at_ns=reference
            )
        ),
        events=_near(data, window) if episode or faults else (),
        limitations=(
            *(one for s in context.stories.values() for one in _moved_past(data, s)),
            *spikes.told(data, strays),
            *short_answer.limitations(channels, ranking, [i for i in faults if set(i.channels) & set(mine)]),
            *short_answer.silences(data.events(SILENT), data.span_ns[1]),
        ),
    )


def _failed_in(life: UnitStay | None, episode: Episode) -> bool:
    """Return whether the unit failed in an episode: channels of a dead unit come back inside their limits."""
    return life is not None and life.failed is not None and life.failed.at_ns >= episode.start_ns


def _reference(
    data: AnalysisData,
    firsts: Mapping[str, CrossingExcursion],
    ranked: Sequence[str],
    evidence_ns: int | None,
) -> int:
    """Return the origin of relative times."""
    if ranked:
        first = firsts[ranked[0]].interval
        return first.best_ns if first.best_ns is not None else (first.latest_ns or data.span_ns[1])
    return evidence_ns if evidence_ns is not None else data.span_ns[1]


def _window(
    data: AnalysisData, episode: Episode | None, reference_ns: int, close_s: float
) -> tuple[int, int]:
    """Return the minutes around the failure in which the other units are examined."""
    margin = int(close_s * 1e9)
    end = reference_ns if episode is None else (episode.end_ns or data.span_ns[1])
    return reference_ns - margin, min(end + margin, reference_ns + NEAR_EVENTS_NS)


def _with_onset(
    data: AnalysisData, story: ChannelStory, episode: Episode | None, reference_ns: int, confidence: float
) -> ChannelStory:
    """Return the findings with the onset, or with the reason why there is none."""
    if story.kind is ChannelKind.STIMULUS:
        return replace(story, onset_note="stimulus: no baseline")
    until = episode.start_ns if episode else reference_ns
    if story.ordered is not None:
        first = story.ordered.interval.earliest_ns
        if first is None:
            return replace(story, onset_note="out at the first reading")
        until = first
    found, note = onset(data, story.channel, until, story.ordered, confidence)
    return replace(story, onset=found, onset_note=note)


def _placed(story: ChannelStory, ordered: CrossingExcursion | None, episode: Episode | None) -> ChannelStory:
    """Return the findings with the excursion in the final episode and those before it."""
    start = episode.start_ns if episode else None
    early = tuple(e for e in unbroken(story.excursions) if start is not None and e.first_outside.t_ns < start)
    censoring = story.censoring
    if ordered is not None and ordered.last_inside is None:
        censoring = Censoring.LEFT
    return replace(story, censoring=censoring, ordered=ordered, early=early)


def _moved_past(data: AnalysisData, story: ChannelStory) -> list[str]:
    return moved_past(data.layout.channels[story.channel], story.excursions)


def _early(stories: Sequence[ChannelStory], cycles: Sequence[Cycling]) -> tuple[CrossingExcursion, ...]:
    """Return the excursions before the final episode, oldest first; of a cycling channel only the first."""
    cycled = {name for cycle in cycles for name in cycle.channels}
    found = [e for s in stories for e in (s.early[:1] if s.channel in cycled else s.early)]
    return tuple(sorted(found, key=lambda e: e.first_outside.t_ns))


def _near(data: AnalysisData, window_ns: tuple[int, int]) -> tuple[Event, ...]:
    """Return the events recorded in the minutes around the failure."""
    margin = NEAR_EVENTS_NS // 2
    return tuple(data.events(start_ns=window_ns[0] - margin, end_ns=window_ns[1] + margin))
