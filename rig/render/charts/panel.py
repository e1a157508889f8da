"""One panel: grid, limits, envelopes, bad readings, marked moments."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.domain.formatting import figure
from rig.domain.model import Limit, Side, Status
from rig.render.charts.drawing import (
    Anchor,
    Area,
    Label,
    Part,
    PolyLine,
    Shape,
    Sign,
    across,
    box,
    shortened,
    upright,
)
from rig.render.charts.envelope import Envelope
from rig.render.charts.scales import Scale, value_ticks

_LEAST_SHARE = 0.2
"""A limit is drawn to scale if the readings still fill this share of the panel's height."""
_LABEL_PX = 12.0
STATUS_WORDS = {status: status.words for status in Status if status is not Status.GOOD}


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A moment known to lie between two times (UTC ns; None: open) with its most likely place."""

    earliest_ns: int | None
    latest_ns: int | None
    best_ns: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One channel in a panel. look: ``s1`` to ``s6``, or ``other`` for comparison only."""

    label: str
    look: str
    envelope: Envelope


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """A strip of the picture with its own scale of values.

    title, note: left and right above it; crossing, onset: marked moments.
    """

    title: str
    unit_of_measure: str
    traces: tuple[Trace, ...]
    limits: tuple[Limit, ...] = ()
    note: str = ""
    crossing: Moment | None = None
    onset: Moment | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelPlace:
    """Position of a panel, in pixels; head: base line of its title."""

    left: float
    right: float
    top: float
    bottom: float
    head: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelFrame:
    """A panel's place and scales."""

    place: PanelPlace
    times: Scale
    values: Scale
    ticks: tuple[tuple[int, str], ...]
    narrow: bool


def value_range(panel: Panel) -> tuple[float, float]:
    """Return the lowest and highest value the panel shows: all good readings, and limits that are near.

    A limit so far away that the readings would shrink to a fifth of the panel stays outside.
    """
    lows = [trace.envelope.low for trace in panel.traces]
    highs = [trace.envelope.high for trace in panel.traces]
    low = min((x for x in lows if math.isfinite(x)), default=math.inf)
    high = max((x for x in highs if math.isfinite(x)), default=-math.inf)
    if low > high:
        known = [limit.value for limit in panel.limits] or [0.0, 1.0]
        low, high = min(known), max(known)
    room = (high - low) or max(abs(high) * 0.02, 1e-9)
    for limit in sorted(panel.limits, key=lambda one: min(abs(one.value - low), abs(one.value - high))):
        new_low, new_high = min(low, limit.value), max(high, limit.value)
        if new_high - new_low <= room / _LEAST_SHARE:
            low, high = new_low, new_high
    margin = ((high - low) or room) * 0.08
    return low - margin, high + margin


def draw_panel(
    panel: Panel, frame: PanelFrame, legend: Sequence[Sequence[tuple[float, Trace]]], zero_ns: int | None
) -> list[Part]:
    """Return the parts of one panel and its title."""
    place = frame.place
    parts: list[Part] = _head(panel, frame, legend)
    parts += _grid(frame)
    for limit in panel.limits:
        parts += _band(limit, frame)
    if panel.crossing is not None:
        parts += _crossing(panel.crossing, frame)
    for trace in sorted(panel.traces, key=lambda one: one.look != "other"):
        parts += _trace(trace, frame)
    parts += _limit_lines(panel.limits, frame, panel.unit_of_measure)
    if panel.onset is not None:
        parts += _onset(panel.onset, frame)
    if zero_ns is not None and frame.times.holds(zero_ns):
        parts.append(upright(frame.times.at(zero_ns), place.top, place.bottom, "reference"))
    for trace in panel.traces:
        if trace.look != "other":
            parts += _bad(trace.envelope, frame)
    return parts


def _head(panel: Panel, frame: PanelFrame, legend: Sequence[Sequence[tuple[float, Trace]]]) -> list[Part]:
    place = frame.place
    room = place.right - place.left + 40.0
    title = f"{panel.title}, {panel.unit_of_measure}" if panel.unit_of_measure else panel.title
    bad = [bad_words(trace.envelope) for trace in panel.traces if trace.look != "other"]
    note = shortened("; ".join(words for words in (panel.note, *bad) if words), room * 0.6, 11.0)
    title = shortened(title, room - 6.6 * len(note) - 10.0)
    start = place.left - 40.0
    parts: list[Part] = [Label(x=start, y=place.head, text=title, look="strong")]
    if note:
        parts.append(Label(x=place.right, y=place.head, text=note, look="quiet", anchor=Anchor.END))
    for row, entries in enumerate(legend, 1):
        y = place.head + 17.0 * row
        for at, trace in entries:
            x = place.left + at
            parts.append(across(x, x + 24.0, y - 4.0, trace.look))
            words = shortened(trace.label, place.right - x - 30.0, 11.0)
            parts.append(Label(x=x + 28.0, y=y, text=words, look="quiet"))
    return parts


def _grid(frame: PanelFrame) -> list[Part]:
    place = frame.place
    parts: list[Part] = [upright(frame.times.at(t), place.top, place.bottom, "grid") for t, _ in frame.ticks]
    for value, words in value_ticks(frame.values.low, frame.values.high, 4):
        y = frame.values.at(value)
        parts.append(across(place.left, place.right, y, "grid"))
        parts.append(Label(x=place.left - 5.0, y=y + 4.0, text=words, look="quiet", anchor=Anchor.END))
    parts.append(upright(place.left, place.top, place.bottom, "frame"))
    parts.append(across(place.left, place.right, place.bottom, "frame"))
    return parts


def _band(limit: Limit, frame: PanelFrame) -> list[Part]:
    """Return the tinted bands: beyond the limit, and between warning limit and limit."""
    place, values = frame.place, frame.values
    edge = place.top if limit.side is Side.HIGH else place.bottom
    parts: list[Part] = []
    if values.holds(limit.value):
        parts.append(box(place.left, values.at(limit.value), place.right, edge, "beyond"))
    if limit.early is not None and values.holds(limit.early):
        parts.append(box(place.left, values.at(limit.early), place.right, values.at(limit.value), "nearly"))
    return parts


def _limit_lines(limits: Sequence[Limit], frame: PanelFrame, unit_of_measure: str) -> list[Part]:
    place, values = frame.place, frame.values
    lines: list[Part] = []
    words = _Words(place)
    for limit in limits:
        word = f"{limit.side.value} {figure(limit.value)} {unit_of_measure}".rstrip()
        if values.holds(limit.value):
            y = values.at(limit.value)
            lines.append(across(place.left, place.right, y, "limit"))
            words.put(y - 3.0, y + 11.0, word, "limitword")
        else:
            above = limit.value > values.high
            y = place.top + 10.0 if above else place.bottom - 4.0
            words.put(y, y, f"{'↑' if above else '↓'} {word}", "limitword")
    for limit in limits:
        if limit.early is None or not values.holds(limit.early):
            continue
        y = values.at(limit.early)
        lines.append(across(place.left, place.right, y, "early"))
        inner, outer = (y + 11.0, y - 3.0) if limit.side is Side.HIGH else (y - 3.0, y + 11.0)
        words.put(inner, outer, f"warning {figure(limit.early)}", "earlyword")
    return lines + words.labels


class _Words:
    """The labels of a panel's limits: at the left end, where a recording that ends in a death is quiet.

    Where two would cover each other, the later one goes to the other side of its line, or to the right.
    """

    def __init__(self, place: PanelPlace) -> None:
        self.labels: list[Part] = []
        self._place = place
        self._taken: dict[Anchor, list[float]] = {Anchor.START: [], Anchor.END: []}

    def put(self, y: float, else_y: float, words: str, look: str) -> None:
        """Put a label at ``y`` or ``else_y``; leave it out where there is no space."""
        for anchor, at in itertools.product((Anchor.START, Anchor.END), (y, else_y)):
            inside = self._place.top + 7.0 <= at <= self._place.bottom - 1.0
            if inside and all(abs(at - other) >= _LABEL_PX for other in self._taken[anchor]):
                self._taken[anchor].append(at)
                x = self._place.left + 4.0 if anchor is Anchor.START else self._place.right - 3.0
                self.labels.append(Label(x=x, y=at, text=words, look=look, anchor=anchor))
                return


def _trace(trace: Trace, frame: PanelFrame) -> list[Part]:
    parts: list[Part] = []
    for run in trace.envelope.runs:
        x = frame.times.all(run.t_ns)
        low, high = frame.values.all(run.low), frame.values.all(run.high)
        if len(x) == 1 and abs(float(low[0] - high[0])) < 0.5:
            parts.append(Sign(x=float(x[0]), y=float(high[0]), shape=Shape.DOT, look=trace.look))
        elif (low == high).all():
            parts.append(PolyLine(points=np.column_stack([x, low]), look=trace.look))
        else:
            around = np.column_stack([np.concatenate([x, x[::-1]]), np.concatenate([high, low[::-1]])])
            parts.append(Area(points=around, look=trace.look))
    for t_ns, value in trace.envelope.suspect:
        if trace.look != "other":
            x_, y_ = frame.times.at(t_ns), frame.values.at(value)
            parts.append(Sign(x=x_, y=y_, shape=Shape.CROSS, look="bad"))
    return parts


def bad_words(envelope: Envelope) -> str:
    """Return the number of readings without a good value, and why; '' if none."""
    bad = [(one, count) for one, count in envelope.counts.items() if one in STATUS_WORDS]
    return ", ".join(f"{STATUS_WORDS[one]} {count:,}" for one, count in bad)


def _bad(envelope: Envelope, frame: PanelFrame) -> list[Part]:
    """Return a strip along the foot where readings without a good value lie."""
    place = frame.place
    parts: list[Part] = []
    for stretch in envelope.bad:
        left, right = frame.times.at(stretch.start_ns), frame.times.at(stretch.end_ns)
        middle = (left + right) / 2
        half = max(0.8, (right - left) / 2)
        parts.append(box(middle - half, place.bottom - 5.0, middle + half, place.bottom, "bad"))
    return parts


def _crossing(moment: Moment, frame: PanelFrame) -> list[Part]:
    place = frame.place
    left = place.left if moment.earliest_ns is None else frame.times.at(moment.earliest_ns)
    right = place.right if moment.latest_ns is None else frame.times.at(moment.latest_ns)
    parts: list[Part] = [box(left, place.top, max(right, left + 1.0), place.bottom, "crossing")]
    if moment.best_ns is not None and frame.times.holds(moment.best_ns):
        parts.append(upright(frame.times.at(moment.best_ns), place.top, place.bottom, "best"))
    return parts


def _onset(moment: Moment, frame: PanelFrame) -> list[Part]:
    """Return a diamond with its interval along the foot of the panel."""
    if moment.best_ns is None or not frame.times.holds(moment.best_ns):
        return []
    place = frame.place
    y = place.bottom - 10.0
    x = frame.times.at(moment.best_ns)
    left = x if moment.earliest_ns is None else frame.times.at(moment.earliest_ns)
    right = x if moment.latest_ns is None else frame.times.at(moment.latest_ns)
    side = x > (place.left + place.right) / 2
    anchor, at = (Anchor.END, min(left, x) - 7.0) if side else (Anchor.START, max(right, x) + 7.0)
    return [
        across(left, right, y, "onset"),
        Sign(x=x, y=y, shape=Shape.DIAMOND, look="onset"),
        Label(x=at, y=y + 4.0, text="onset", look="quiet", anchor=anchor),
    ]
