"""``analyse``: from a recording to the answer."""

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
from rig.forensics.attribution import AttributionInput, believed, findings
from rig.forensics.effective_limits import in_force, moved_past
from rig.forensics.episodes import Episode, closeness_s, episodes, final, first_of_each, joined, unbroken
from rig.forensics.neighbours import neighbours
from rig.forensics.onset import onset
from rig.forensics.order import order
from rig.forensics.sensor_faults import SensorFault, ailments

SILENT = frozenset({EventKind.INSTRUMENT_LOST, EventKind.INSTRUMENT_BACK})
NEAR_EVENTS_NS = 600_000_000_000


def analyse(recording: Recording, unit: str | None = None, confidence: float = 0.95) -> PostMortem:
    """Return the post-mortem of one unit (None: the one that fared worst).

    confidence: of every interval, between 0.5 and 0.9999. Raises UsageError for an unknown unit or a
    confidence outside that range.
    """
    layout = recording.layout
    if unit is not None and unit not in layout.units:
        known = ", ".join(layout.units) or "none"
        raise UsageError(f"no unit named {unit!r} in this recording; there are: {known}")
    if not 0.5 <= confidence <= 0.9999:
        raise UsageError(f"confidence {confidence!r} must lie between 0.5 and 0.9999")
    while True:
        try:
            return _analysed(recording, layout, unit, confidence)
        except ChangedError:  # a file that turned out to be damaged; it is not gone by again
            continue


def _analysed(recording: Recording, layout: Layout, unit: str | None, confidence: float) -> PostMortem:
    scene = AnalysisData(recording, layout, recording.span)
    stories = {c.name: _story(scene, c, confidence) for c in layout.channels.values()}
    slowest = max((s.period_s for s in stories.values()), default=0.0)
    close_s = closeness_s(recording.span, slowest)
    cycled = {
        name for one in (None, *layout.units) for c in cycling(_of(stories, one), one) for name in c.channels
    }
    strays = spikes.strays(stories, cycled)
    told = AnalysisContext(scene, confidence, stories, ailments(scene, layout.channels), close_s, strays)
    return _answer(told, unit if unit is not None else _worst_unit(told))


@dataclass(frozen=True, slots=True, eq=False)
class AnalysisContext:
    """What is known before one unit is looked at: every channel's story, and which are not to be believed."""

    scene: AnalysisData
    confidence: float
    stories: Mapping[str, ChannelStory]
    ills: Sequence[SensorFault]
    close_s: float
    strays: Mapping[str, Sequence[CrossingExcursion]]

    def explained(self, unit: str | None) -> list[CrossingExcursion]:
        """Return the excursions of a unit (None: the room) that ask for a cause: sure, no lone readings."""
        return [
            one
            for story in _of(self.stories, unit)
            for one in unbroken(story.excursions)
            if one.sure and one not in self.strays.get(story.channel, ())
        ]


def _of(stories: Mapping[str, ChannelStory], unit: str | None) -> list[ChannelStory]:
    return [one for one in stories.values() if one.unit == unit]


def _story(scene: AnalysisData, channel: Channel, confidence: float) -> ChannelStory:
    """Return what one channel did over the whole recording."""
    found = scene.track(channel.name)
    all_out, limited = in_force(scene, channel, confidence)
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


def _worst_unit(told: AnalysisContext) -> str | None:
    """Return the unit with a channel that never came back, most channels out, and the earliest start.

    Channels that an ill sensor or instrument speaks for come last.
    """
    scored = []
    for unit in told.scene.layout.units:
        episode = final(episodes(told.explained(unit), told.close_s))
        if episode is not None:
            kept = believed(told.scene, first_of_each(episode), told.ills)
            scored.append((not kept, episode.end_ns is not None, -len(kept), episode.start_ns, unit))
    if scored:
        return min(scored)[-1]
    touched = [told.scene.layout.channels[n].unit for ill in told.ills for n in ill.channels]
    return next((unit for unit in touched if unit is not None), None)


def _final_episode(told: AnalysisContext, unit: str | None, cycles: Sequence[Cycling]) -> Episode | None:
    """Return the failure of one unit, with what the room did at the time."""
    spans = [(c.first_ns, c.last_ns) for c in cycles]
    episode = final(joined(episodes(told.explained(unit), told.close_s), spans))
    if episode is None or unit is None:
        return episode
    return _with_room(episode, told.explained(None), told.close_s)


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


def _answer(told: AnalysisContext, unit: str | None) -> PostMortem:
    """Return the answer for one unit."""
    scene, ills, confidence = told.scene, told.ills, told.confidence
    mine = {n: s for n, s in told.stories.items() if s.unit in {unit, None}}
    cycles = cycling(list(mine.values()), unit)
    episode = _final_episode(told, unit, cycles)
    firsts = believed(scene, first_of_each(episode), ills) if episode else {}
    ranking = order({name: excursion.interval for name, excursion in firsts.items()})
    strays = {name: told.strays[name] for name in mine if name in told.strays}
    known = AttributionInput(
        scene=scene,
        unit=unit,
        firsts=firsts,
        ranking=ranking,
        ills=ills,
        confidence=confidence,
        strays=strays,
    )
    found = findings(known)
    main = next(f for f in found if f.main)
    reference = _reference(scene, firsts, ranking.channels, main.evidence[0].t_ns if main.evidence else None)
    placed = [_placed(s, firsts.get(n), episode) for n, s in mine.items()]
    channels = tuple(_with_onset(scene, s, episode, reference, confidence) for s in placed)
    onsets = {s.channel: s.onset for s in channels if s.onset and s.unit == unit}
    off = shutdown(scene, unit, episode.start_ns - int(told.close_s * 1e9)) if unit and episode else None
    window = _window(scene, episode, reference, told.close_s)
    facts = scene.layout.units.get(unit) if unit else None
    return PostMortem(
        rig=scene.layout.rig,
        unit=unit,
        serial=facts.serial if facts else "",
        confidence=confidence,
        span_ns=scene.span_ns,
        reference_ns=reference,
        episode_ns=(episode.start_ns, episode.end_ns or scene.span_ns[1]) if episode else None,
        headline=short_answer.headline(main, ranking, firsts, list(onsets.values()), cycles),
        channels=channels,
        order=ranking,
        onset_order=order({n: o.interval for n, o in onsets.items()}),
        findings=tuple(found),
        consequences=tuple(consequences(scene, off, firsts, unit)),
        cycling=tuple(cycles),
        early=_early(channels, cycles),
        neighbours=tuple(neighbours(scene, told.stories, unit, window, reference)),
        events=_near(scene, window) if episode or ills else (),
        doubts=(
            *(one for s in told.stories.values() for one in _moved_past(scene, s)),
            *spikes.told(scene, strays),
            *short_answer.doubts(channels, ranking, [i for i in ills if set(i.channels) & set(mine)]),
            *short_answer.silences(scene.events(SILENT), scene.span_ns[1]),
        ),
    )


def _reference(
    scene: AnalysisData,
    firsts: Mapping[str, CrossingExcursion],
    ranked: Sequence[str],
    evidence_ns: int | None,
) -> int:
    """Return the moment relative times count from."""
    if ranked:
        first = firsts[ranked[0]].interval
        return first.best_ns if first.best_ns is not None else (first.latest_ns or scene.span_ns[1])
    return evidence_ns if evidence_ns is not None else scene.span_ns[1]


def _window(
    scene: AnalysisData, episode: Episode | None, reference_ns: int, close_s: float
) -> tuple[int, int]:
    """Return the minutes around the failure in which the neighbours are looked at."""
    margin = int(close_s * 1e9)
    end = reference_ns if episode is None else (episode.end_ns or scene.span_ns[1])
    return reference_ns - margin, min(end + margin, reference_ns + NEAR_EVENTS_NS)


def _with_onset(
    scene: AnalysisData, story: ChannelStory, episode: Episode | None, reference_ns: int, confidence: float
) -> ChannelStory:
    """Return the story with the onset of its departure, or why none was seen."""
    if story.kind is ChannelKind.STIMULUS:
        return replace(story, onset_note="a stimulus is what the rig does; it has no normal to depart from")
    until = episode.start_ns if episode else reference_ns
    if story.ordered is not None:
        first = story.ordered.interval.earliest_ns
        if first is None:
            return replace(story, onset_note="out already at the first reading")
        until = first
    found, note = onset(scene, story.channel, until, story.ordered, confidence)
    return replace(story, onset=found, onset_note=note)


def _placed(story: ChannelStory, ordered: CrossingExcursion | None, episode: Episode | None) -> ChannelStory:
    """Return the story with its part in the final episode and what came before it."""
    start = episode.start_ns if episode else None
    early = tuple(e for e in unbroken(story.excursions) if start is not None and e.first_outside.t_ns < start)
    censoring = story.censoring
    if ordered is not None and ordered.last_inside is None:
        censoring = Censoring.LEFT
    return replace(story, censoring=censoring, ordered=ordered, early=early)


def _moved_past(scene: AnalysisData, story: ChannelStory) -> list[str]:
    return moved_past(scene.layout.channels[story.channel], story.excursions)


def _early(told: Sequence[ChannelStory], cycles: Sequence[Cycling]) -> tuple[CrossingExcursion, ...]:
    """Return the excursions before the final episode, oldest first; of a cycling channel only the first."""
    cycled = {name for cycle in cycles for name in cycle.channels}
    kept = [e for s in told for e in (s.early[:1] if s.channel in cycled else s.early)]
    return tuple(sorted(kept, key=lambda e: e.first_outside.t_ns))


def _near(scene: AnalysisData, window_ns: tuple[int, int]) -> tuple[Event, ...]:
    """Return the events recorded in the minutes around the failure."""
    margin = NEAR_EVENTS_NS // 2
    return tuple(scene.events(start_ns=window_ns[0] - margin, end_ns=window_ns[1] + margin))
