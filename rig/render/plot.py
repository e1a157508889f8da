"""Plot of chosen channels of a run: SVG or PNG."""

from __future__ import annotations

import dataclasses
import difflib
import fnmatch
from collections.abc import Sequence
from pathlib import Path

from rig.domain.formatting import stamp
from rig.domain.model import Channel, Layout
from rig.domain.recording import Recording
from rig.errors import UsageError
from rig.render.charts import panels, png, svg
from rig.render.charts.drawing import Drawing
from rig.render.charts.envelope import envelope
from rig.render.charts.panel import Panel, Trace
from rig.render.charts.panels import WIDE, Figure, NamedSpan
from rig.render.charts.styles import SERIES
from rig.render.pages.death_charts import worst_words
from rig.render.pages.page_files import put
from rig.render.phase_spans import phase_spans
from rig.render.unrecorded import between_sessions

COLUMNS = 700
"""About one per pixel between the axes."""
_LISTED = 12
SUFFIXES = (".svg", ".png")


def plot(
    recording: Recording, wanted: Sequence[str], start_ns: int | None = None, end_ns: int | None = None
) -> Drawing:
    """Return the plot of channels (names, or patterns with ``*``) between two times (UTC; None: all).

    Channels of one unit of measure share a panel, six at most. Raises UsageError for unknown channels and
    for a stretch of time without length or outside of the recording.
    """
    names = chosen(recording.layout, wanted)
    span = recording.span
    start, end = start_ns if start_ns is not None else span[0], end_ns if end_ns is not None else span[1]
    if end <= start or end < span[0] or start > span[1]:
        raise UsageError(
            f"nothing to draw from {stamp(start)} to {stamp(end)}: the recording spans {stamp(span[0])} to "
            f"{stamp(span[1])}; give a start before the end, both within it"
        )
    groups = _groups([recording.layout.channels[name] for name in names])
    shown = tuple(_panel(recording, group, start, end) for group in groups)
    whole = Figure(
        title=", ".join(names),
        description=f"Readings of {', '.join(names)} from {stamp(start)} to {stamp(end)}.",
        start_ns=start, end_ns=end, panels=shown,
        phases=phase_spans(recording, names),
        unrecorded=tuple(
            NamedSpan(start_ns=one.start_ns, end_ns=one.end_ns or end)
            for one in between_sessions(recording.sessions)
        ),
        sessions=tuple(
            NamedSpan(start_ns=one.start_ns, end_ns=one.end_ns)
            for one in recording.sessions[1:]
            if not one.brief
        ),
    )  # fmt: skip
    return panels.draw(dataclasses.replace(whole, panel_px=max(92.0, 360.0 / len(shown))), WIDE)


def chosen(layout: Layout, wanted: Sequence[str]) -> list[str]:
    """Return the matching names, each once, in the order given. Raises UsageError for an unknown one."""
    found: dict[str, None] = {}
    for one in wanted:
        matching = [one] if one in layout.channels else fnmatch.filter(layout.channels, one)
        if not matching:
            near = difflib.get_close_matches(one, layout.channels, n=3, cutoff=0.4)
            hint = f" (did you mean {' or '.join(near)}?)" if near else ""
            others = len(layout.channels) - _LISTED
            listed = ", ".join(list(layout.channels)[:_LISTED]) + (f" and {others} more" * (others > 0))
            raise UsageError(f"no channel named {one!r} in this recording{hint}; there are {listed}")
        found.update(dict.fromkeys(matching))
    return list(found)


def _groups(channels: Sequence[Channel]) -> list[list[Channel]]:
    groups: dict[str, list[list[Channel]]] = {}
    for channel in channels:
        mine = groups.setdefault(channel.unit_of_measure, [[]])
        if len(mine[-1]) == SERIES:
            mine.append([])
        mine[-1].append(channel)
    return [group for listed in groups.values() for group in listed]


def _panel(recording: Recording, group: Sequence[Channel], start_ns: int, end_ns: int) -> Panel:
    traces = []
    for number, channel in enumerate(group, 1):
        source = channel.source
        facts = recording.layout.instruments.get(source.instrument) if source is not None else None
        drawn = envelope(
            recording.series(channel.name, start_ns, end_ns), start_ns, end_ns, COLUMNS,
            facts.poll_s if facts is not None else 0.0,
        )  # fmt: skip
        traces.append(Trace(label=channel.name, look=f"s{number}", envelope=drawn))
    limits = dict.fromkeys(limit for channel in group for limit in channel.limits)
    low = min(trace.envelope.low for trace in traces)
    high = max(trace.envelope.high for trace in traces)
    return Panel(
        title=group[0].name if len(group) == 1 else f"{len(group)} channels",
        unit_of_measure=group[0].unit_of_measure,
        traces=tuple(traces),
        limits=tuple(limits),
        note=worst_words(low, high),
    )


def save(drawing: Drawing, path: Path) -> None:
    """Write a drawing as the file's ending says.

    Raises UsageError for other endings and for .png where the extra png is not installed, StoreError.
    """
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise UsageError(
            f"a picture cannot be written as {path.name!r}; name a file that ends in .svg or .png"
        )
    try:
        data = png.picture(drawing) if suffix == ".png" else svg.alone(drawing).encode()
    except ImportError as error:
        raise UsageError(
            f"{path.name}: .png needs the extra png: pip install 'soakrig[png]' ({error}); or name a file "
            "that ends in .svg"
        ) from error
    put(path, data)
