"""One pass over every channel of a run: what a report shows of it. Each series is read once and let go."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rig.account.excursions import Excursion, excursions
from rig.core.model import Channel, Limit, Series, Session, Side, Status
from rig.errors import StoreError
from rig.report.pictures.envelope import Envelope, envelope
from rig.report.recorded import Recording


@dataclass(frozen=True, slots=True, kw_only=True)
class Extreme:
    """The good reading closest to a limit, or farthest beyond it. margin: negative beyond the limit."""

    limit: Limit
    value: float
    t_ns: int
    margin: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Surveyed:
    """One channel over the whole run.

    envelope: for pictures; counts: readings by status; excursions: those that count, by the limits that
    stood in each session; extremes: one per limit of the newest session, where it was read at all.
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
    regimes = _regimes(recording)
    found = {}
    for name, channel in layout.channels.items():
        instrument = layout.instruments.get(channel.source.instrument) if channel.source else None
        series = recording.series(name)
        poll_s = instrument.poll_s if instrument is not None else 0.0
        drawn = envelope(series, span[0], span[1], columns, poll_s)
        found[name] = Surveyed(
            channel=channel,
            envelope=drawn,
            counts=drawn.counts,
            excursions=tuple(_excursions(name, series, regimes)),
            extremes=tuple(_extremes(channel, series)),
        )
    return found


Regime = tuple[frozenset[int], Mapping[str, Channel]]
"""Sessions in a row, and the channels as they were configured in them."""


def _regimes(recording: Recording) -> list[Regime]:
    """Return the channels' configurations with the sessions in which they stood; alike ones are joined."""
    found: list[tuple[set[int], Mapping[str, Channel]]] = []
    for session in recording.sessions:
        channels = _channels(recording, session)
        if found and _same_limits(found[-1][1], channels):
            found[-1][0].add(session.number)
        else:
            found.append(({session.number}, channels))
    return [(frozenset(numbers), channels) for numbers, channels in found]


def _channels(recording: Recording, session: Session) -> Mapping[str, Channel]:
    try:
        return recording.layout_of(session.number).channels
    except StoreError:
        return recording.layout.channels  # its own could not be read; the run's list of faults says so


def _same_limits(before: Mapping[str, Channel], after: Mapping[str, Channel]) -> bool:
    if before.keys() != after.keys():
        return False
    return all(before[name].limits == after[name].limits for name in before)


def _excursions(name: str, series: Series, regimes: Sequence[Regime]) -> list[Excursion]:
    found: list[Excursion] = []
    good = (series.status == Status.GOOD) & np.isfinite(series.value)
    for numbers, channels in regimes:
        limits = channels[name].limits if name in channels else ()
        if not limits:
            continue
        mine = good if len(regimes) == 1 else good & np.isin(series.session, list(numbers))
        t_ns, value = series.t_ns[mine], series.value[mine]
        for limit in limits:
            found += excursions(name, t_ns, value, limit)
    return sorted(found, key=lambda one: one.start_ns)


def _extremes(channel: Channel, series: Series) -> list[Extreme]:
    good = np.flatnonzero((series.status == Status.GOOD) & np.isfinite(series.value))
    if not len(good):
        return []
    value = series.value[good]
    found = []
    for limit in channel.limits:
        at = int(np.argmax(value) if limit.side is Side.HIGH else np.argmin(value))
        worst = float(value[at])
        margin = limit.value - worst if limit.side is Side.HIGH else worst - limit.value
        if math.isfinite(margin):
            found.append(Extreme(limit=limit, value=worst, t_ns=int(series.t_ns[good[at]]), margin=margin))
    return found
