"""Excursions by the limits that were in force when they began: phases, reloads and swaps change limits."""

from __future__ import annotations

from collections.abc import Sequence

from rig.domain.limit_history import LimitSpan, courses, limit_spans
from rig.domain.model import Channel, Side
from rig.forensics.analysis_data import AnalysisData
from rig.forensics.answer import CrossingExcursion
from rig.forensics.crossings import by_force
from rig.forensics.short_answer import moment


def in_force(
    scene: AnalysisData, channel: Channel, confidence: float
) -> tuple[list[CrossingExcursion], bool]:
    """Return the excursions of a channel, oldest first, and whether it had any limit at all.

    They are those that the logger counted: one ends at the latest when its limit ceases to be in force. One
    that began because a limit was moved past the readings is marked so: nothing was crossed then.
    """
    spans = _spans(scene, channel)
    track = scene.track(channel.name)
    found = [one for course in courses(spans) for one in by_force(track, course, confidence)]
    found.sort(key=lambda one: one.first_outside.index)
    return found, any(span.limits for span in spans)


def _spans(data: AnalysisData, channel: Channel) -> list[LimitSpan]:
    return limit_spans(channel.name, data.layout, *data.limit_changes())


def moved_past(channel: Channel, found: Sequence[CrossingExcursion]) -> list[str]:
    """Return in words where a limit of a channel was moved past its readings, and they stayed beyond it."""
    return [
        f"{channel.name} lies {'above' if one.side is Side.HIGH else 'below'} its limit of {one.limit:g} "
        f"{channel.unit_of_measure}, which was moved past it at {moment(one.first_outside.t_ns)}: nothing "
        "was crossed, so it takes no part"
        for one in found
        if one.moved and one.returned is None
    ]
