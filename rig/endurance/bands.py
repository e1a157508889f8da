"""Time of a channel in bands: of mains, ambient, a heatsink."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.endurance.coverage import Held
from rig.endurance.stretches import Stretches


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """The edges of bands, ascending, in the channel's unit of measure. ``channel`` may hold ``{unit}``.

    Raises ValueError if the edges do not ascend.
    """

    channel: str
    edges: tuple[float, ...]

    def __post_init__(self) -> None:
        if not self.edges or any(b <= a for a, b in zip(self.edges[:-1], self.edges[1:], strict=True)):
            raise ValueError(f"bands of {self.channel}: edges {self.edges!r}, expected numbers that ascend")


@dataclass(frozen=True, slots=True, kw_only=True)
class BandHours:
    """Time in each band, in s.

    Band i is edges[i-1] <= value < edges[i]; the first is all below edges[0], the last all from edges[-1]:
    one more band than edges. mean: time-weighted mean of each band, NaN where no time was spent.
    """

    channel: str
    edges: tuple[float, ...]
    time_s: tuple[float, ...]
    mean: tuple[float, ...]
    unobserved_s: float


def band_hours(held: Held, bands: Bands, time: Stretches) -> BandHours:
    """Return the time in each band within a set of time."""
    edges = np.asarray(bands.edges, float)
    where = np.searchsorted(edges, held.value, side="right")
    times, means = [], []
    for band in range(len(edges) + 1):
        spent = held.where(where == band).both(time)
        times.append(spent.total_s)
        means.append(held.integral(spent) / spent.total_s if spent.total_s else float("nan"))
    return BandHours(
        channel=held.channel,
        edges=bands.edges,
        time_s=tuple(times),
        mean=tuple(means),
        unobserved_s=time.total_s - held.known.both(time).total_s,
    )
