"""Excursions by the effective limits at their beginning: phases and reloads change limits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from rig.domain.limit_history import LimitSpan, limit_spans
from rig.domain.model import Channel, Limit, Side
from rig.forensics.analysis_data import AnalysisData
from rig.forensics.answer import CrossingExcursion
from rig.forensics.crossings import excursions
from rig.forensics.short_answer import moment


def in_force(
    scene: AnalysisData, channel: Channel, confidence: float
) -> tuple[list[CrossingExcursion], bool]:
    """Return the excursions of a channel, oldest first, and whether it had any limit at all.

    An excursion belongs to the limits effective when it began, and ends at the latest when they cease. A
    limit that was moved past the readings makes no excursion: nothing was crossed.
    """
    track = scene.track(channel.name)
    spans = limit_spans(channel.name, scene.layout, *scene.limit_changes())
    walked: dict[Limit, Sequence[CrossingExcursion]] = {}
    found: list[CrossingExcursion] = []
    for span in spans:
        for limit in span.limits:
            if limit not in walked:
                walked[limit] = excursions(track, limit, confidence)
            found += [_ended(one, span) for one in walked[limit] if _began_in(one, span)]
    found.sort(key=lambda one: one.first_outside.index)
    return found, any(span.limits for span in spans)


def moved_past(scene: AnalysisData) -> list[str]:
    """Return in words the channels outside a limit at the end because the limit was moved past them."""
    return [words for one in scene.layout.channels.values() for words in _moved_past(scene, one)]


def _moved_past(scene: AnalysisData, channel: Channel) -> Iterator[str]:
    last = limit_spans(channel.name, scene.layout, *scene.limit_changes())[-1]
    track = scene.track(channel.name)
    newest = track.last_usable()
    if last.start_ns is None or newest < 0 or track.at(newest).t_ns[0] < last.start_ns:
        return
    values = [*track.usable_before(track.place(last.start_ns), 1), float(track.at(newest).value[0])]
    for limit in last.limits:
        high = limit.side is Side.HIGH
        if len(values) == 2 and all(one > limit.value if high else one < limit.value for one in values):
            yield (
                f"{channel.name} lies {'above' if high else 'below'} its limit of {limit.value:g} "
                f"{channel.unit_of_measure} because the limit was moved at {moment(last.start_ns)}: no "
                "crossing, not ranked"
            )


def _began_in(one: CrossingExcursion, span: LimitSpan) -> bool:
    t_ns = one.first_outside.t_ns
    return (span.start_ns is None or t_ns >= span.start_ns) and (span.end_ns is None or t_ns < span.end_ns)


def _ended(one: CrossingExcursion, span: LimitSpan) -> CrossingExcursion:
    """Return the excursion, ended where its limit ceased to be in force; its worst reading stands."""
    end_ns = span.end_ns
    if end_ns is None or (one.returned is not None and one.returned.t_ns <= end_ns):
        return one
    last = one.last_outside if one.last_outside.t_ns <= end_ns else one.first_outside
    return replace(one, last_outside=last, returned=replace(last, t_ns=end_ns, h_ns=0))
