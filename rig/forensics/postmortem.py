"""``analyse``: from a recording to the answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

from rig.core.model import Channel, Event
from rig.errors import UsageError
from rig.forensics.answer import Censoring, ChannelStory, Excursion, Headline, Order, PostMortem
from rig.forensics.crossings import excursions
from rig.forensics.episodes import Episode, closeness_s, episodes, final, first_of_each
from rig.forensics.evidence import Recording, period_s
from rig.forensics.onset import onset
from rig.forensics.order import order
from rig.forensics.scene import Scene

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
    scene = Scene(recording, layout, recording.span)
    stories = {c.name: _story(scene, c, confidence) for c in layout.channels.values()}
    slowest = max((s.period_s for s in stories.values()), default=0.0)
    close_s = closeness_s(recording.span, slowest)
    chosen = unit if unit is not None else _worst_unit(stories, close_s)
    mine = {n: s for n, s in stories.items() if s.unit in (chosen, None)}
    own = [e for s in mine.values() if s.unit == chosen for e in s.excursions]
    episode = final(episodes(own, close_s))
    if episode is not None:
        room = [e for s in mine.values() if s.unit is None for e in s.excursions]
        episode = _with_room(episode, room, close_s)
    return _assemble(scene, chosen, confidence, mine, episode)


def _story(scene: Scene, channel: Channel, confidence: float) -> ChannelStory:
    """Return what one channel did over the whole recording."""
    found = scene.readings(channel.name)
    all_out = [e for limit in channel.limits for e in excursions(found, limit, confidence)]
    all_out.sort(key=lambda e: e.first_outside.index)
    usable = int(found.usable.sum())
    censoring = Censoring.RIGHT
    if not channel.limits:
        censoring = Censoring.UNLIMITED
    elif not usable:
        censoring = Censoring.UNREAD
    elif any(e.counted for e in all_out):
        censoring = Censoring.NONE
    return ChannelStory(
        channel=channel.name,
        unit=channel.unit,
        kind=channel.kind,
        unit_of_measure=channel.unit_of_measure,
        censoring=censoring,
        readings=len(found),
        usable=usable,
        excursions=tuple(all_out),
        period_s=period_s(found.t_ns),
    )


def _worst_unit(stories: dict[str, ChannelStory], close_s: float) -> str | None:
    """Return the unit with a channel that never came back, most channels out, and the earliest start."""
    units = sorted({s.unit for s in stories.values() if s.unit is not None})
    scored = []
    for unit in units:
        own = [e for s in stories.values() if s.unit == unit for e in s.excursions]
        episode = final(episodes(own, close_s))
        if episode is not None:
            scored.append((episode.end_ns is not None, -len(episode.channels), episode.start_ns, unit))
    return min(scored)[3] if scored else None


def _with_room(episode: Episode, room: Sequence[Excursion], close_s: float) -> Episode:
    """Return the episode with the room's own counted excursions that overlap it or stand close before it."""
    early = episode.start_ns - int(close_s * 1e9)
    late = episode.end_ns
    near = [
        e
        for e in room
        if e.counted
        and (e.returned is None or e.returned.t_ns >= early)
        and (late is None or e.first_outside.t_ns <= late)
    ]
    together = sorted((*episode.excursions, *near), key=lambda e: (e.first_outside.t_ns, e.channel))
    return Episode(start_ns=episode.start_ns, end_ns=episode.end_ns, excursions=tuple(together))


def _assemble(
    scene: Scene,
    unit: str | None,
    confidence: float,
    stories: dict[str, ChannelStory],
    episode: Episode | None,
) -> PostMortem:
    """Return the answer put together from the stories of the channels."""
    firsts = first_of_each(episode) if episode else {}
    recording = scene.recording
    placed = [_placed(story, firsts.get(name), episode) for name, story in stories.items()]
    told = tuple(_with_onset(scene, story, episode, confidence) for story in placed)
    onsets = {s.channel: s.onset.interval for s in told if s.onset}
    ranking = order({name: excursion.interval for name, excursion in firsts.items()})
    reference = recording.span[1]
    if ranking.channels:
        first = firsts[ranking.channels[0]].interval
        reference = first.best_ns if first.best_ns is not None else (first.latest_ns or reference)
    facts = recording.layout.units.get(unit) if unit else None
    end_ns = (episode.end_ns if episode.end_ns is not None else recording.span[1]) if episode else 0
    return PostMortem(
        rig=recording.layout.rig,
        unit=unit,
        serial=facts.serial if facts else "",
        confidence=confidence,
        span_ns=recording.span,
        reference_ns=reference,
        episode_ns=(episode.start_ns, end_ns) if episode else None,
        headline=_headline(unit, ranking, reference, bool(episode)),
        channels=told,
        order=ranking,
        onset_order=order(onsets),
        early=tuple(e for story in told for e in story.early),
        events=_near(recording.events(), reference, episode),
    )


def _with_onset(
    scene: Scene, story: ChannelStory, episode: Episode | None, confidence: float
) -> ChannelStory:
    """Return the story with the onset of its departure, or why none was seen."""
    until = episode.start_ns if episode else scene.span_ns[1]
    if story.ordered is not None:
        first = story.ordered.interval.earliest_ns
        if first is None:
            return replace(story, onset_note="out already at the first reading")
        until = first
    found, note = onset(scene, story.channel, until, story.ordered, confidence)
    return replace(story, onset=found, onset_note=note)


def _placed(story: ChannelStory, ordered: Excursion | None, episode: Episode | None) -> ChannelStory:
    """Return the story with its part in the final episode and what came before it."""
    start = episode.start_ns if episode else None
    early = tuple(
        e for e in story.excursions if e.counted and start is not None and e.first_outside.t_ns < start
    )
    censoring = story.censoring
    if ordered is not None and ordered.last_inside is None:
        censoring = Censoring.LEFT
    return replace(story, censoring=censoring, ordered=ordered, early=early)


def _near(events: Sequence[Event], reference_ns: int, episode: Episode | None) -> tuple[Event, ...]:
    if episode is None:
        return ()
    return tuple(e for e in events if abs(e.t_ns - reference_ns) <= NEAR_EVENTS_NS)


def _headline(unit: str | None, ranking: Order, reference_ns: int, failed: bool) -> Headline:
    """Return the short answer."""
    when = datetime.fromtimestamp(reference_ns / 1e9, tz=UTC).isoformat(timespec="milliseconds")
    if not failed:
        nothing = "no channel left its limits"
        return Headline(what=nothing, when="", first="nothing", sure="", look_at="nothing")
    first = ranking.tiers[0]
    if len(first) == 1:
        sure = "certain: every other channel's interval begins after this one's has ended"
    else:
        sure = f"cannot be told apart at this polling: {', '.join(first)}"
    return Headline(
        what=f"unit {unit} left its limits on {len(ranking.channels)} channels",
        when=when,
        first=" or ".join(first),
        sure=sure,
        look_at=f"{first[0]} and what it follows",
    )
