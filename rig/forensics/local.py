"""Readings around one crossing, as distance beyond the limit and seconds from a base."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.domain.model import Channel, Limit, Side
from rig.domain.uncertainty import ReadingBounds
from rig.forensics.channel_readings import ChannelReadings, Floats, Ints
from rig.forensics.noise import Noise, of

REACH = 4096
"""Usable readings examined before and after a crossing."""
CALM = 240
"""Readings before the crossing from which the noise is taken."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Local:
    """Usable readings around one crossing, in order of time.

    bounds: of the channel's readings here. t: seconds from base_ns, moved earlier by half the averaging
    window; h: half-width in seconds, that half window included; z: distance beyond the limit (positive:
    out). last_inside, first_outside: positions of the plain walk's two readings.
    """

    channel: Channel
    bounds: ReadingBounds
    base_ns: int
    t: Floats
    h: Floats
    z: Floats
    last_inside: int
    first_outside: int
    deadband: float
    noise: Noise

    @property
    def stamp_s(self) -> float:
        """Return the half-width of the stamps near the crossing, without a single averaging window."""
        near = self.h[max(self.first_outside - 4, 0) : self.first_outside + 5]
        window = _window_s(self.bounds) - self.bounds.shift_tolerance_s
        return float(np.max(near)) - window


def _window_s(bounds: ReadingBounds) -> float:
    """Return how far either side of its shifted stamp the averaging window of a reading may reach."""
    return bounds.averaging_s - bounds.shift_s


def around(
    readings: ChannelReadings, limit: Limit, last_inside: int, first_outside: int, bounds: ReadingBounds
) -> Local:
    """Return the readings around a crossing; only those given may be looked at. bounds: of them, there."""
    where = np.flatnonzero(readings.usable)
    middle = int(np.searchsorted(where, first_outside))
    where = where[max(middle - REACH, 0) : middle + REACH]
    base = int(readings.t_ns[first_outside])
    t = (readings.t_ns[where] - base) / 1e9 - bounds.shift_s
    rank = np.argsort(t, kind="stable")
    places = where[rank]
    value = readings.value[places]
    z = value - limit.value if limit.side is Side.HIGH else limit.value - value
    return Local(
        channel=readings.channel,
        bounds=bounds,
        base_ns=base,
        t=t[rank],
        h=readings.h_ns[places] / 1e9 + _window_s(bounds),
        z=z,
        last_inside=int(np.argmax(places == last_inside)),
        first_outside=int(np.argmax(places == first_outside)),
        deadband=limit.deadband,
        noise=_calm_noise(readings, where, first_outside, bounds.step),
    )


def _calm_noise(readings: ChannelReadings, where: Ints, first_outside: int, step: float) -> Noise:
    """Return the noise before the crossing; from after it only where there is too little before."""
    before = where[where < first_outside][-CALM:]
    if len(before) < 12:
        before = where[max(int(np.searchsorted(where, first_outside)) - CALM, 0) :][: CALM // 2]
    after = where[where >= first_outside][:CALM]
    return of(readings.value[before], step, readings.value[after])
