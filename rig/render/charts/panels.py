"""Panels above each other on one time axis: channels with limits, bands, bad readings, phases, gaps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.domain.formatting import stamp
from rig.render.charts.drawing import Anchor, Drawing, Label, Part, across, box, shortened, upright
from rig.render.charts.panel import Panel, PanelFrame, PanelPlace, Trace, draw_panel, value_range
from rig.render.charts.scales import Scale, time_ticks

WIDE, NARROW = 780.0, 380.0
"""Widths in pixels of the two versions of each picture: for screens and paper, and for telephones."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedSpan:
    """A named stretch of time (UTC ns)."""

    start_ns: int
    end_ns: int
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """Panels on one time axis from ``start_ns`` to ``end_ns`` (UTC).

    zero_ns: times count from there (None: UTC clock); phases: of the test program; unrecorded: nobody
    recorded; sessions: when each later session began; panel_px: height of a panel in the wide version.
    """

    title: str
    description: str
    start_ns: int
    end_ns: int
    panels: tuple[Panel, ...]
    zero_ns: int | None = None
    phases: tuple[NamedSpan, ...] = ()
    unrecorded: tuple[NamedSpan, ...] = ()
    sessions: tuple[NamedSpan, ...] = ()
    panel_px: float = 92.0


_TOP, _PHASE, _HEAD, _GAP, _FOOT = 4.0, 18.0, 18.0, 12.0, 36.0


def draw(figure: Figure, width: float = WIDE) -> Drawing:
    """Return the figure as a drawing of this width; its height follows from the number of panels."""
    narrow = width < 600
    left, right = (46.0, width - 8.0) if narrow else (58.0, width - 12.0)
    height = figure.panel_px * (0.83 if narrow else 1.0)
    times = Scale(low=figure.start_ns, high=max(figure.end_ns, figure.start_ns + 1), start=left, end=right)
    ticks = time_ticks(figure.start_ns, figure.end_ns, 4 if narrow else 8, figure.zero_ns)
    top = _TOP + (_PHASE if figure.phases else 0.0)
    frames: list[PanelFrame] = []
    below = top
    for panel in figure.panels:
        above = below + _HEAD * (1 + len(legend_rows(panel, right - left)))
        low, high = value_range(panel)
        values = Scale(low=low, high=high, start=above + height, end=above)
        place = PanelPlace(left=left, right=right, top=above, bottom=above + height, head=below + 12.0)
        frames.append(PanelFrame(place=place, times=times, values=values, ticks=tuple(ticks), narrow=narrow))
        below = above + height + _GAP
    parts: list[Part] = list(_background(figure, times, top, below - _GAP))
    for panel, frame in zip(figure.panels, frames, strict=True):
        parts += draw_panel(panel, frame, legend_rows(panel, right - left), figure.zero_ns)
    parts += _axis(figure, times, ticks, below - _GAP)
    return Drawing(
        width=width, height=below - _GAP + _FOOT, title=figure.title, description=figure.description,
        parts=tuple(parts),
    )  # fmt: skip


def legend_rows(panel: Panel, room_px: float) -> list[list[tuple[float, Trace]]]:
    """Return the rows of the legend, each entry with its place from the left; none for a single channel."""
    named = [trace for trace in panel.traces if trace.look != "other"]
    if len(named) < 2:
        return []
    rows: list[list[tuple[float, Trace]]] = [[]]
    at = 0.0
    for trace in named:
        need = min(room_px, 40.0 + 7.0 * len(trace.label))
        if rows[-1] and at + need > room_px:
            rows.append([])
            at = 0.0
        rows[-1].append((at, trace))
        at += need
    return rows


def _background(figure: Figure, times: Scale, top: float, bottom: float) -> Sequence[Part]:
    parts: list[Part] = []
    for number, phase in enumerate(figure.phases):
        left, right = times.at(phase.start_ns), times.at(phase.end_ns)
        if right - left < 0.5:
            continue
        parts.append(box(left, top - _PHASE + 1.0, right, top - 1.0, f"phase{number % 2}"))
        parts += [upright(x, top, bottom, "phaseline") for x in (left, right) if times.start < x < times.end]
        if right - left > 24.0:
            words = shortened(phase.name, right - left - 6.0, 11.0)
            parts.append(Label(x=left + 3.0, y=top - 5.0, text=words, look="quiet"))
    for stretch in figure.unrecorded:
        left, right = times.at(stretch.start_ns), times.at(stretch.end_ns)
        parts.append(box(left, top, max(right, left + 1.0), bottom, "gap"))
        parts += [
            upright(left, top, bottom, "gapline"),
            upright(max(right, left + 1.0), top, bottom, "gapline"),
        ]
    for session in figure.sessions:
        if times.holds(session.start_ns):
            parts.append(upright(times.at(session.start_ns), top, bottom, "session"))
    return parts


def _axis(figure: Figure, times: Scale, ticks: Sequence[tuple[int, str]], bottom: float) -> Sequence[Part]:
    parts: list[Part] = [across(times.start, times.end, bottom, "frame")]
    last_end = 0.0
    for t_ns, words in ticks:
        x = times.at(t_ns)
        half = 3.4 * len(words)
        anchor, begin = Anchor.MIDDLE, x - half
        if x + half > times.end + 8.0:
            anchor, begin = Anchor.END, x - 2 * half
        parts.append(upright(x, bottom, bottom + 4.0, "frame"))
        if begin < last_end:
            continue
        last_end = begin + 2 * half + 6.0
        parts.append(Label(x=x, y=bottom + 16.0, text=words, look="quiet", anchor=anchor))
    words = "UTC" if figure.zero_ns is None else f"0 = {stamp(figure.zero_ns, decimals=1)}"
    parts.append(Label(x=times.end, y=bottom + 31.0, text=words, look="quiet", anchor=Anchor.END))
    return parts
