"""What the inputs of a derived channel were near a moment, and how fast they changed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rig.domain.uncertainty import ReadingBounds
from rig.forensics.channel_readings import Floats
from rig.forensics.noise import of

if TYPE_CHECKING:
    from rig.forensics.track import ChannelTrack

SCALES = (1, 2, 4, 8, 16, 32, 64)
"""Over means of so many neighbouring readings a rate of change is looked for."""
PROVEN_SIGMAS = 5.0
"""By so many standard deviations two means must differ before noise does not explain it, among many looks."""
REACH_LAGS = 8.0
"""So many time constants either side of a moment the inputs are looked at: what was longer ago has faded."""
REACH_READINGS = 16.0
"""So many readings either side at least."""
UNSEEN_SIGMAS = 3.0
"""A change by so many standard deviations of two means' difference may hide in noise."""


def fastest(t_s: Floats, value: Floats, step: float, horizon_s: float) -> float:
    """Return how fast a quantity changed at most, by its readings, per second; infinity for too few.

    At least what some means prove, and at least the smallest upper bound over ``horizon_s`` or longer: how
    fast means moved, and what noise may hide beside it. step: the readings' display step.
    """
    if len(value) < 3:
        return float("inf")
    noise = of(value, step)
    sigma = max(noise.sigma, noise.step / np.sqrt(12.0))
    usual = float(np.median(np.diff(t_s)))
    proven, unseen = 0.0, np.inf
    totals = [np.concatenate([[0.0], np.cumsum(one)]) for one in (t_s, value)]
    for size in SCALES:
        if 2 * size > len(value):
            break
        middle, mean = ((one[size:] - one[:-size]) / size for one in totals)
        apart_s = np.maximum(middle[size:] - middle[:-size], 1e-9)
        moved = np.abs(mean[size:] - mean[:-size])
        doubt = sigma * np.sqrt(2.0 / size)
        proven = max(proven, float(np.max((moved - PROVEN_SIGMAS * doubt) / apart_s)))
        if size * usual >= horizon_s:
            unseen = min(unseen, float(np.max((moved + UNSEEN_SIGMAS * doubt) / apart_s)))
    if not np.isfinite(unseen):  # no mean is long enough: the whole range, as far as it can be seen
        unseen = float((np.ptp(value) + UNSEEN_SIGMAS * sigma) / max(min(t_s[-1] - t_s[0], horizon_s), 1e-9))
    return max(proven, unseen)


def bounds_near(track: ChannelTrack, position: int, value: float | None = None) -> ReadingBounds:
    """Return what bounds the readings of a channel near a position.

    value: at which a measured channel's errors are wanted (a limit); None: the reading's own.
    """
    model = track.model
    if not (model.needs_values or model.needs_rates):
        return model.bounds()
    reading = track.at(position)
    if track.channel.formula is None:
        return model.bounds({track.channel.name: float(reading.value[0]) if value is None else value})
    t_ns, h_ns = int(reading.t_ns[0]), int(reading.h_ns[0])
    values = {name: _newest(one, t_ns + h_ns) for name, one in track.inputs.items()}
    return model.bounds(values, _rates(track, t_ns) if model.needs_rates and track.inputs else None)


def _newest(track: ChannelTrack, until_ns: int) -> float:
    """Return the last usable value stamped up to a moment; NaN where there is none."""
    found = track.usable_before(track.place(until_ns + 1), 1)
    return float(found[-1]) if len(found) else float("nan")


def _rates(track: ChannelTrack, t_ns: int) -> dict[str, float]:
    """Return how fast each input changed at most, per second, in the time that a crossing is looked for."""
    lags = [one.model.lag() for one in track.inputs.values()]
    longest = max(lag.lag_s + lag.tolerance_s for lag in lags)
    reach_s = max(REACH_LAGS * longest, REACH_READINGS * track.period_s())
    reach_ns = round(reach_s * 1e9)
    rates = {}
    for name, one in track.inputs.items():
        found = one.between(t_ns - reach_ns, t_ns + reach_ns)
        t_s = (found.t_ns[found.usable] - t_ns) / 1e9
        rates[name] = fastest(t_s, found.value[found.usable], one.model.step(), longest)
    return rates
