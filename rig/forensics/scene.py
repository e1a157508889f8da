"""What the analyser has read so far: readings kept per channel, and means on a common grid."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from rig.core.model import Channel, Event, Kind, Layout
from rig.forensics.evidence import Floats, Readings, Recording, readings

TEMPERATURES = frozenset({"degC", "degF", "K"})


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """One recording under analysis. Readings of a channel are read once and kept."""

    recording: Recording
    layout: Layout
    span_ns: tuple[int, int]
    kept: dict[str, Readings] = field(default_factory=dict)

    def readings(self, name: str) -> Readings:
        """Return all readings of one channel."""
        if name not in self.kept:
            channel = self.layout.channels[name]
            self.kept[name] = readings(channel, self.recording.series(name))
        return self.kept[name]

    def events(self) -> Sequence[Event]:
        """Return the recorded events."""
        return self.recording.events()

    def means(self, name: str, start_ns: int, width_ns: int, count: int) -> Floats:
        """Return the means of usable readings in ``count`` bins of a grid; NaN where a bin has none."""
        found = self.readings(name)
        place = (found.t_ns - start_ns) // width_ns
        inside = found.usable & (place >= 0) & (place < count)
        index = place[inside]
        total = np.bincount(index, weights=found.value[inside], minlength=count)
        number = np.bincount(index, minlength=count)
        with np.errstate(invalid="ignore"):
            return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def middle_of(rows: Floats) -> Floats:
    """Return the median of several rows, bin by bin; NaN where none has a value."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a bin in which nothing was read is NaN, as wanted
        return np.asarray(np.nanmedian(rows, axis=0))


def level_of(row: Floats) -> float:
    """Return the median of a row's known values; NaN where none is known."""
    known = row[np.isfinite(row)]
    return float(np.median(known)) if len(known) else float("nan")


def quantity(channel: Channel) -> str:
    """Return the channel's name without its unit: what like channels of other units share."""
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
    """Return the stimulus channels that act on a unit: the room's and its own."""
    return [c.name for c in layout.channels.values() if c.kind is Kind.STIMULUS and c.unit in {None, unit}]


def is_temperature(channel: Channel) -> bool:
    """Return whether the channel measures a temperature."""
    return channel.unit_of_measure in TEMPERATURES


def instrument_of(channel: Channel) -> str | None:
    """Return the instrument a measured channel is read by."""
    return channel.source.instrument if channel.source else None
