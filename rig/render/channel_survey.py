"""Survey of every channel of a run for a report, each series read once."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.domain.limit_arrays import Excursion
from rig.domain.limit_history import LIMIT_CHANGING, LimitSpan, limit_spans
from rig.domain.model import Channel, Limit, Series, Side, Status
from rig.domain.recording import Recording
from rig.endurance.excursions import excursions
from rig.render.charts.envelope import Envelope, envelope


@dataclass(frozen=True, slots=True, kw_only=True)
class Extreme:
    """The good reading closest to a limit, or farthest beyond it. margin: negative beyond the limit."""

    limit: Limit
    value: float
    t_ns: int
    margin: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Surveyed:
    """Survey of one channel over the run.

    envelope: for pictures; counts: readings by status; excursions: counted ones, by the limits effective at
    the time; extremes: one for each side that had a limit while it was read.
    """

    channel: Channel
    envelope: Envelope
    counts: Mapping[Status, int]
    excursions: tuple[Excursion, ...]
    extremes: tuple[Extreme, ...]

    @property
    def readings(self) -> int:
        """Return how many readings were recorded."""
        return sum(self.counts.values())

    @property
    def open_at_end(self) -> bool:
        """Return whether the channel was out of a limit when the recording ended."""
        return any(one.end_ns is None for one in self.excursions)

    @property
    def narrowest(self) -> Extreme | None:
        """Return the extreme with the smallest margin, as a share of the limit's size."""
        return min(self.extremes, key=_share, default=None)


def _share(extreme: Extreme) -> float:
    return extreme.margin / (abs(extreme.limit.value) or 1.0)


def survey(recording: Recording, columns: int) -> dict[str, Surveyed]:
    """Return every channel of the newest layout, in its order; ``columns`` of each envelope."""
    layout = recording.layout
    span = recording.span
    limits_of = _limit_spans(recording)
    found = {}
    for name, channel in layout.channels.items():
        instrument = layout.instruments.get(channel.source.instrument) if channel.source else None
        series = recording.series(name)
        poll_s = instrument.poll_s if instrument is not None else 0.0
        drawn = envelope(series, span[0], span[1], columns, poll_s)
        readings, spans = _good(series), limits_of(name)
        found[name] = Surveyed(
            channel=channel,
            envelope=drawn,
            counts=drawn.counts,
            excursions=tuple(excursions(series, spans)),
            extremes=tuple(_extremes(readings, spans)),
        )
    return found


def _limit_spans(recording: Recording) -> Callable[[str], list[LimitSpan]]:
    """Return a function for a channel's limits over time: by rig files, phases, reloads and pre-flights."""
    changing = [event for event in recording.events() if event.kind in LIMIT_CHANGING]
    newest, layouts = recording.layout, recording.layouts
    return lambda name: limit_spans(name, newest, changing, layouts)


_Good = tuple[NDArray[np.int64], NDArray[np.float64]]


def _good(series: Series) -> _Good:
    """Return times and values of the readings that can be judged."""
    good = (series.status == Status.GOOD) & np.isfinite(series.value)
    return series.t_ns[good], series.value[good]


def _within(readings: _Good, span: LimitSpan) -> _Good:
    t_ns, value = readings
    mine = np.ones(len(t_ns), bool)
    if span.start_ns is not None:
        mine &= t_ns >= span.start_ns
    if span.end_ns is not None:
        mine &= t_ns < span.end_ns
    return t_ns[mine], value[mine]


def _extremes(readings: _Good, spans: Sequence[LimitSpan]) -> list[Extreme]:
    """Return for each side the reading closest to the effective limit, or farthest beyond it."""
    found: dict[Side, Extreme] = {}
    for span in spans:
        t_ns, value = _within(readings, span)
        for limit in span.limits if len(t_ns) else ():
            at = int(np.argmax(value) if limit.side is Side.HIGH else np.argmin(value))
            worst = float(value[at])
            margin = limit.value - worst if limit.side is Side.HIGH else worst - limit.value
            one = Extreme(limit=limit, value=worst, t_ns=int(t_ns[at]), margin=margin)
            if math.isfinite(margin) and (limit.side not in found or _share(one) < _share(found[limit.side])):
                found[limit.side] = one
    return [*found.values()]
