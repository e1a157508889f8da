"""Changes of the stimuli, and of the same channel on other units, at a moment.

A channel is compared with its own earlier range in the recording: stimuli that left it, channels of other
units that left it at the same time, and derived channels that left it on invalid inputs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.domain.limit_arrays import Excursion
from rig.domain.model import Channel, ChannelKind, Limit, Side
from rig.domain.units import difference_unit
from rig.forensics.analysis_data import AnalysisData, alike, is_temperature
from rig.forensics.answer import CrossingExcursion, Interval
from rig.forensics.crossings import bracket_of
from rig.forensics.track import ChannelTrack

SHARED = 0.4
"""Share of the change that the same channel of other units must show for a common cause."""
ZERO_SHARE = 0.05
EARLIER_SHARE = 0.3
"""Last part of the time before a moment that does not count as earlier."""


def moved_alike(data: AnalysisData, excursion: CrossingExcursion) -> tuple[float, tuple[str, ...]] | None:
    """Return the change of the same channel on other units, as a share of this one's, and which changed.

    Change: beyond the channel's own earlier range. None if no other unit was read at the time.
    """
    channel = data.layout.channels[excursion.channel]
    at_ns = excursion.first_outside.t_ns
    own = _beyond(data, channel, at_ns, excursion.side.value == "high")
    if own is None or own <= 0:
        return None
    shares = []
    for other in alike(data.layout, channel):
        theirs = _beyond(data, data.layout.channels[other], at_ns, excursion.side.value == "high")
        if theirs is not None:
            shares.append((theirs / own, other))
    if not shares:
        return None
    middle = float(np.median([s for s, _ in shares]))
    return middle, tuple(n for s, n in shares if s >= SHARED)


def _beyond(data: AnalysisData, channel: Channel, at_ns: int, high: bool) -> float | None:
    """Return how far a channel was beyond its own earlier range at a moment (mean of a few readings)."""
    track = data.track(channel.name)
    low_end, high_end, count = track.range_before(_earlier(data, at_ns))
    place = track.place(at_ns)
    now = track.cut(place, place + 4)
    if count < 10 or not now.usable.any():
        return None
    level = float(np.median(now.value[now.usable]))
    return level - high_end if high else low_end - level


def _earlier(data: AnalysisData, at_ns: int) -> int:
    """Return the moment up to which the time before another one counts as earlier."""
    return at_ns - int(EARLIER_SHARE * (at_ns - data.span_ns[0]))


def shifted_stimuli(data: AnalysisData, unit: str | None, at_ns: int) -> list[tuple[str, str]]:
    """Return the stimuli outside their own earlier range at a moment, and by how much."""
    made = []
    for channel in data.layout.channels.values():
        if channel.kind is not ChannelKind.STIMULUS or channel.unit not in {None, unit}:
            continue
        for high, word in ((True, "above"), (False, "below")):
            beyond = _beyond(data, channel, at_ns, high)
            low, upper, count = data.track(channel.name).range_before(at_ns)
            wide = upper - low if count else 0.0
            if beyond is not None and beyond > 0.5 * wide + 1e-9:
                step = difference_unit(channel.unit_of_measure)
                text = f"{beyond:.3g} {step} {word} its earlier range"
                made.append((beyond / (wide + 1e-9), channel.name, text))
    made.sort(reverse=True)
    return [(name, text) for _, name, text in made]


def left_its_range(data: AnalysisData, channel: Channel, at_ns: int) -> tuple[Interval, str] | None:
    """Return when a stimulus left its own earlier range by far, before or about a moment, and by how much."""
    track = data.track(channel.name)
    low_end, high_end, count = track.range_before(_earlier(data, at_ns))
    if count < 20:
        return None
    least = 6.0 if is_temperature(channel) else 0.05 * abs(high_end + low_end) / 2
    reach = max(2 * (high_end - low_end), least)
    period = 1e9 * track.period_s()
    for side, edge in ((Side.HIGH, high_end + reach), (Side.LOW, low_end - reach)):
        for stretch in track.stretches(Limit(side=side, value=edge)):
            lasting = stretch.last_outside > stretch.first_outside and not from_invalid_inputs(
                data, channel, track, stretch
            )
            if (
                stretch.last_inside < 0
                or not lasting
                or track.at(stretch.last_outside).t_ns[0] < at_ns - 5 * period
            ):
                continue
            if track.at(stretch.first_outside).t_ns[0] > at_ns + 2 * period:
                break
            text = (
                f"{track.at(stretch.first_outside).value[0]:.6g} {channel.unit_of_measure}; "
                f"earlier between {low_end:.6g} and {high_end:.6g}"
            )
            return bracket_of(track, stretch.last_inside, stretch.first_outside), text
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Out:
    """First and last reading of a stretch, as positions."""

    first_outside: int
    last_outside: int


def from_invalid_inputs(
    data: AnalysisData, channel: Channel, track: ChannelTrack, stretch: Excursion | Out
) -> bool:
    """Return whether a derived channel's stretch says nothing: one reading, or inputs that were near nothing.

    Inputs read one after the other disagree for one reading when they jump, and a ratio of two values near
    zero may be anything (an open load has a voltage, a shorted one a current: those are not near zero).
    """
    if channel.formula is None:
        return False
    after = stretch.last_outside + 1
    if stretch.last_outside == stretch.first_outside and (after >= len(track) or track.at(after).usable[0]):
        return True
    at_ns = int(track.at(stretch.first_outside).t_ns[0])
    inputs = names_in(channel.formula) & set(data.layout.channels)
    return bool(inputs) and all(_near_zero(data.track(name), at_ns) for name in inputs)


def _near_zero(track: ChannelTrack, at_ns: int) -> bool:
    """Return whether a channel was (or, unread, may have been) at a small share of its usual value."""
    place = min(track.place(at_ns), len(track) - 1)
    before = track.usable_before(place, 500)
    if len(before) < 10:
        return False
    usual = float(np.median(np.abs(before)))
    one = track.at(place)
    return not one.usable[0] or abs(float(one.value[0])) < ZERO_SHARE * usual


def names_in(formula: str) -> set[str]:
    """Return the words of a formula that may be channel names."""
    cut = "".join(c if c.isalnum() or c in "_." else " " for c in formula)
    return set(cut.split())
