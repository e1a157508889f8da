"""Pictures of a post-mortem: crossing intervals by channel, the minutes around, the time before."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

from rig.domain.formatting import duration, figure, stamp
from rig.domain.model import Channel, ChannelKind
from rig.domain.recording import Recording
from rig.forensics.answer import ChannelStory, Interval, PostMortem
from rig.render.charts import interval_chart, panels
from rig.render.charts.envelope import envelope
from rig.render.charts.interval_chart import IntervalRow
from rig.render.charts.panel import Moment, Panel, Trace
from rig.render.charts.panels import NARROW, WIDE, Figure
from rig.render.pages.blocks import PagePicture
from rig.render.phase_spans import phase_spans
from rig.render.postmortem_text import anything_wrong, ordered_stories, rank
from rig.render.text_layout import relative
from rig.render.timeline import Bar

MOST_PANELS = 10
COLUMNS = 430
"""Columns of an envelope; every second one is left for the narrow version."""
_MOST_OTHERS = 11
_S = 1_000_000_000


def timeline(found: PostMortem) -> PagePicture | None:
    """Return the picture of the limit crossings and onsets; None if there are none."""
    rows = [
        IntervalRow(
            rank=rank(found, story.channel),
            channel=story.channel,
            crossing=_bar(story.channel, excursion.interval, found.reference_ns),
            onset=_onset_bar(story, found.reference_ns),
        )
        for story, excursion in ordered_stories(found)
    ]
    rows += [
        IntervalRow(rank="", channel=s.channel, crossing=None, onset=_onset_bar(s, found.reference_ns))
        for s in found.channels
        if s.ordered is None and s.onset is not None
    ]
    if not rows:
        return None
    caption = (
        f"Bars: {found.confidence:.0%} interval of the crossing; line: best estimate."
        + (" Arrow at the end of a bar: not bounded on that side." if _any_open(rows) else "")
        + (" Diamonds: onset, with its interval." if _any_onset(found) else "")
        + f" Before each name: possible ranks. Times relative to {stamp(found.reference_ns, decimals=1)}."
    )
    title = f"Limit crossings and onsets of {_who(found)}"
    words = "; ".join(f"{row.rank} {row.channel} {_bar_words(row)}".strip() for row in rows)
    return PagePicture(
        name="order",
        wide=interval_chart.draw(rows, title, words, WIDE),
        narrow=interval_chart.draw(rows, title, words, NARROW),
        caption=caption,
    )


def _any_open(rows: Sequence[IntervalRow]) -> bool:
    bars = [bar for row in rows for bar in (row.crossing, row.onset) if bar is not None]
    return any(bar.earliest_s is None or bar.latest_s is None for bar in bars)


def _any_onset(found: PostMortem) -> bool:
    return any(story.onset is not None for story in found.channels)


def _who(found: PostMortem) -> str:
    return f"unit {found.unit}" if found.unit else "the room"


def _bar(label: str, interval: Interval, reference_ns: int) -> Bar:
    first, last, best = (
        None if t is None else (t - reference_ns) / _S
        for t in (interval.earliest_ns, interval.latest_ns, interval.best_ns)
    )
    return Bar(label=label, earliest_s=first, latest_s=last, best_s=best)


def _onset_bar(story: ChannelStory, reference_ns: int) -> Bar | None:
    return _bar(story.channel, story.onset.interval, reference_ns) if story.onset is not None else None


def _bar_words(row: IntervalRow) -> str:
    words = []
    for name, bar in (("onset", row.onset), ("crossed", row.crossing)):
        if bar is not None:
            ends = [
                "open" if s is None else relative(round(s * _S), 0) for s in (bar.earliest_s, bar.latest_s)
            ]
            words.append(f"{name} between {ends[0]} and {ends[1]}")
    return ", ".join(words)


def _in_evidence(found: PostMortem) -> list[str]:
    """Return the channels that the main attribution is about or rests on."""
    main = found.main
    if main is None:
        return []
    named = [main.subject, *main.channels, *(one.subject for one in main.evidence)]
    known = {story.channel for story in found.channels}
    return [name for name in named if name in known]


def around(found: PostMortem, recording: Recording) -> PagePicture | None:
    """Return the picture of the minutes around the failure; None if nothing failed."""
    if not anything_wrong(found):
        return None
    start_ns, end_ns = around_window(found)
    names, left_out = _chosen(found)
    shown = [_panel(found, recording, name, (start_ns, end_ns), compare=True) for name in names]
    whole = Figure(
        title=f"{_who(found)} around the failure", start_ns=start_ns, end_ns=end_ns,
        description=_description(found, names, start_ns, end_ns), panels=tuple(shown),
        zero_ns=found.reference_ns, phases=phase_spans(recording, names),
    )  # fmt: skip
    caption = (
        f"From {relative(start_ns, found.reference_ns)} to {relative(end_ns, found.reference_ns)}, in the "
        "order of the limit crossings. Dashed: limits; dotted: warning limits; tinted vertical band: "
        "interval of the crossing; vertical dashes: first-out"
        + ("; diamond: onset" if _any_onset(found) else "")
        + ". Thin grey: same channel of the other units. Marks at the bottom: readings without a good value."
        f"{_rest(left_out)}"
    )
    return _both("around", whole, caption)


def before(found: PostMortem, recording: Recording) -> PagePicture | None:
    """Return the picture of all that was recorded before the failure; None if nothing failed."""
    if not anything_wrong(found):
        return None
    start_ns, end_ns = found.span_ns[0], max(around_window(found)[1], found.span_ns[0] + _S)
    inside = around_window(found)
    if end_ns - start_ns < 1.5 * (inside[1] - inside[0]):
        return None  # the minutes around are all there is
    names, left_out = _chosen(found)
    shown = [_panel(found, recording, name, (start_ns, end_ns), compare=False) for name in names]
    whole = Figure(
        title=f"{_who(found)} before the failure", start_ns=start_ns, end_ns=end_ns,
        description=_description(found, names, start_ns, end_ns), panels=tuple(shown),
        zero_ns=None, phases=phase_spans(recording, names),
    )  # fmt: skip
    caption = (
        f"The {duration((end_ns - start_ns) / _S)} before the failure. Each column shows the lowest and "
        f"highest reading in it: single-sample spikes stay visible.{_rest(left_out)}"
    )
    return _both("before", whole, caption)


def _both(name: str, whole: Figure, caption: str) -> PagePicture:
    return PagePicture(
        name=name, wide=panels.draw(whole, WIDE), narrow=panels.draw(coarser(whole), NARROW), caption=caption
    )


def coarser(whole: Figure) -> Figure:
    """Return the figure with half the columns, for the narrow version."""
    thinned = [
        dataclasses.replace(
            panel,
            traces=tuple(dataclasses.replace(t, envelope=t.envelope.coarser(2)) for t in panel.traces),
        )
        for panel in whole.panels
    ]
    return dataclasses.replace(whole, panels=tuple(thinned))


def _rest(left_out: Sequence[str]) -> str:
    return f" Not shown: {', '.join(left_out)}." if left_out else ""


def _description(found: PostMortem, names: Sequence[str], start_ns: int, end_ns: int) -> str:
    span = f"{relative(start_ns, found.reference_ns)} to {relative(end_ns, found.reference_ns)}"
    return f"Readings of {', '.join(names)} from {span}, with limits and crossings."


def around_window(found: PostMortem) -> tuple[int, int]:
    """Return the minutes to show (UTC ns): the sequence of excursions and as long before it.

    At least 40 polls of the slowest of its channels, at most half an hour on either side.
    """
    reference = found.reference_ns
    stories = [story for story, _ in ordered_stories(found)]
    latest = max((e.first_outside.t_ns for _, e in ordered_stories(found)), default=reference)
    slowest_s = max((story.period_s for story in stories), default=1.0)
    least = round(max(20 * slowest_s, 5.0) * _S)
    most = 1800 * _S
    spread = min(most, max(least, round(1.3 * (latest - reference))))
    begins = [
        story.onset.interval.earliest_ns
        for story in found.channels
        if story.onset is not None and story.onset.interval.earliest_ns is not None
    ]
    near = [t for t in begins if reference - t < most]
    lead = max(spread, round(1.2 * (reference - min(near, default=reference))))
    start = max(found.span_ns[0], reference - min(most, lead))
    end = min(found.span_ns[1], reference + spread)
    return start, max(end, start + _S)


def _chosen(found: PostMortem) -> tuple[list[str], list[str]]:
    """Return the channels to show, and those for which there is no space.

    Ranked ones first, then those in the evidence or with an onset, then stimuli, then the unit's others.
    """
    names = list(found.order.channels)
    names += _in_evidence(found)
    names += [s.channel for s in found.channels if s.onset is not None]
    names += [
        s.channel for s in found.channels if s.unit is None and s.kind is ChannelKind.STIMULUS and s.usable
    ]
    names += [s.channel for s in found.channels if s.unit is not None and s.usable]
    unique = list(dict.fromkeys(names))
    return unique[:MOST_PANELS], unique[MOST_PANELS:]


def _panel(
    found: PostMortem, recording: Recording, name: str, span_ns: tuple[int, int], *, compare: bool
) -> Panel:
    channel = recording.layout.channels[name]
    story = found.story(name)
    own = envelope(recording.series(name, *span_ns), *span_ns, COLUMNS, story.period_s)
    traces = [Trace(label=name, look="s1", envelope=own)]
    if compare and channel.unit is not None:
        traces += _others(recording, channel, span_ns)
    ordered = story.ordered
    number = f"{rank(found, name)}.  " if ordered is not None else ""
    return Panel(
        title=f"{number}{name}",
        unit_of_measure=channel.unit_of_measure,
        traces=tuple(traces),
        limits=channel.limits,
        note=worst_words(own.low, own.high),
        crossing=_moment(ordered.interval) if ordered is not None else None,
        onset=_moment(story.onset.interval) if story.onset is not None else None,
    )


def worst_words(low: float, high: float) -> str:
    """Return the lowest and highest reading: ``20.1 to 95.2``."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "no good reading"
    return f"{figure(low, 4)} to {figure(high, 4)}" if low != high else f"constant {figure(low, 4)}"


def _moment(interval: Interval) -> Moment:
    return Moment(earliest_ns=interval.earliest_ns, latest_ns=interval.latest_ns, best_ns=interval.best_ns)


def _others(recording: Recording, channel: Channel, span_ns: tuple[int, int]) -> list[Trace]:
    """Return the same channel of the other units: same name after the unit's, same unit of measure."""
    quantity = channel.name.removeprefix(f"{channel.unit}.")
    others = [
        one
        for one in recording.layout.channels.values()
        if one.unit not in (None, channel.unit)
        and one.name == f"{one.unit}.{quantity}"
        and one.unit_of_measure == channel.unit_of_measure
    ]
    return [
        Trace(
            label=one.name, look="other",
            envelope=envelope(recording.series(one.name, *span_ns), *span_ns, COLUMNS // 2),
        )
        for one in others[:_MOST_OTHERS]
    ]  # fmt: skip
