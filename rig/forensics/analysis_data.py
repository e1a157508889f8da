"""Cache of an analysis: readings per channel, means on a common grid, events."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

import numpy as np

from rig.domain.channel_digest import whole
from rig.domain.limit_history import LIMIT_CHANGING
from rig.domain.model import Channel, ChannelKind, Event, EventKind, Layout
from rig.domain.recording import InPieces, Recording
from rig.domain.uncertainty import MeasurementModel
from rig.forensics.channel_readings import ChannelReadings, Floats
from rig.forensics.track import ChannelTrack, Shelf

TEMPERATURES = frozenset({"degC", "degF", "K"})


@dataclass(frozen=True, slots=True, eq=False)
class AnalysisData:
    """Recording under analysis. Each channel's readings are read once and cached."""

    recording: Recording
    layout: Layout
    span_ns: tuple[int, int]
    tracks: dict[str, ChannelTrack] = field(default_factory=dict)
    shelf: Shelf = field(default_factory=Shelf)
    all_events: list[Event] = field(default_factory=list)
    limit_changes_read: list[tuple[list[Event], Mapping[int, Layout]]] = field(default_factory=list)

    def track(self, name: str) -> ChannelTrack:
        """Return all readings of one channel."""
        if name not in self.tracks:
            channel = self.layout.channels[name]
            model = MeasurementModel(channel, self.layout.channels)
            wanted = channel.formula is not None and (model.needs_values or model.needs_rates)
            known = [one for one in model.inputs if wanted and one in self.layout.channels]
            if isinstance(self.recording, InPieces):
                pieces = self.recording.pieces(name)
            else:
                series = self.recording.series(name)
                pieces = [whole(series)] if len(series) else []
            inputs = {one: self.track(one) for one in known}
            self.tracks[name] = ChannelTrack(channel, pieces, self.shelf, model=model, inputs=inputs)
        return self.tracks[name]

    def readings(self, name: str) -> ChannelReadings:
        """Return all readings of one channel at once."""
        track = self.track(name)
        return track.cut(0, len(track))

    def events(
        self,
        kinds: Collection[EventKind] | None = None,
        start_ns: int | None = None,
        end_ns: int | None = None,
    ) -> list[Event]:
        """Return the events of some kinds stamped from ``start_ns`` to ``end_ns`` (None: all, no bound)."""
        if isinstance(self.recording, InPieces):
            return list(self.recording.events_of(kinds, start_ns, end_ns))
        if not self.all_events:
            self.all_events.extend(self.recording.events())
        return [
            event
            for event in self.all_events
            if (kinds is None or event.kind in kinds)
            and (start_ns is None or event.t_ns >= start_ns)
            and (end_ns is None or event.t_ns <= end_ns)
        ]

    def limit_changes(self) -> tuple[list[Event], Mapping[int, Layout]]:
        """Return the events that may have changed limits, and the layout of each session."""
        if not self.limit_changes_read:
            self.limit_changes_read.append((self.events(LIMIT_CHANGING), self.recording.layouts))
        return self.limit_changes_read[0]

    def means(self, name: str, start_ns: int, width_ns: int, count: int) -> Floats:
        """Return the means of usable readings in ``count`` bins of a grid; NaN where a bin has none."""
        return self.track(name).means(start_ns, width_ns, count)[0]


def middle_of(rows: Floats) -> Floats:
    """Return the median of several rows, bin by bin; NaN where none has a value."""
    ranked = np.sort(rows, axis=0)  # NaN last
    known = np.count_nonzero(np.isfinite(rows), axis=0)
    last = np.maximum(known - 1, 0)
    low, high = (np.take_along_axis(ranked, k[None, :], axis=0)[0] for k in (last // 2, (last + 1) // 2))
    return np.asarray(0.5 * (low + high))


def level_of(row: Floats) -> float:
    """Return the median of a row's finite values; NaN where there is none."""
    known = row[np.isfinite(row)]
    return float(np.median(known)) if len(known) else float("nan")


def quantity(channel: Channel) -> str:
    """Return the channel's name without its unit's: the quantity measured."""
    prefix = f"{channel.unit}."
    return channel.name.removeprefix(prefix) if channel.unit else channel.name


def alike(layout: Layout, channel: Channel) -> list[str]:
    """Return the channels of other units that measure the same quantity."""
    if channel.unit is None:
        return []
    return [
        other.name
        for other in layout.channels.values()
        if other.unit not in {None, channel.unit}
        and quantity(other) == quantity(channel)
        and other.unit_of_measure == channel.unit_of_measure
    ]


def stimuli(layout: Layout, unit: str | None) -> list[str]:
    """Return the stimulus channels of a unit: the room's and its own."""
    return [
        c.name for c in layout.channels.values() if c.kind is ChannelKind.STIMULUS and c.unit in {None, unit}
    ]


def is_temperature(channel: Channel) -> bool:
    """Return whether the channel measures a temperature."""
    return channel.unit_of_measure in TEMPERATURES


def instrument_of(channel: Channel) -> str | None:
    """Return the name of the instrument that reads a measured channel."""
    return channel.source.instrument if channel.source else None
