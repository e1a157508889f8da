"""Noise of a channel's readings: scatter, display step, and the margin that is significant."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.forensics.channel_readings import Floats

MAD_TO_SIGMA = 1.482602218505602
"""Normal standard deviation from the median absolute deviation (1 / the normal quartile 0.6745)."""
FEW = 6
DOUBT_SIGMAS = 4.0
"""Significant: a chance of 3 in 100,000 for one reading with normal scatter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Scatter of a channel's readings about their trend.

    sigma: standard deviation of one reading, rounding included, in the channel's unit of measure;
    step: display step (0: none seen); degrees: how many independent differences it rests on;
    smooth: whether the scatter without rounding is too small to blur the display's steps, so that
    rounding errors of neighbouring readings are alike.
    """

    sigma: float
    step: float
    degrees: int
    smooth: bool

    @property
    def margin(self) -> float:
        """Return the distance beyond a limit from which one reading is significantly out (or in)."""
        return DOUBT_SIGMAS * self.sigma + self.step / 2


def of(values: Floats, resolution: float, after: Floats | None = None) -> Noise:
    """Return the noise of neighbouring readings, the trend removed by second differences.

    resolution: the configured display step; 0 looks for one in the values and in those that came
    ``after`` them (an even ramp shows steps of its own, which what follows it does not keep). A rectangular
    distribution of full width d has standard deviation d/sqrt(12) (GUM, JCGM 100:2008, 4.3.7).
    """
    seen = values if after is None else np.concatenate([values[-1000:], after[:1000]])
    step = resolution if resolution > 0 else display_step(seen)
    rounding = step / np.sqrt(12.0)
    bends = np.diff(values, 2)
    if len(bends) < FEW:
        spread = float(np.median(np.abs(bends))) if len(bends) else 0.0
        return Noise(sigma=max(spread, rounding), step=step, degrees=len(bends), smooth=spread < step / 2)
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(bends))) / np.sqrt(6.0)
    if scatter < step:  # the median of coarse steps says little: take the mean of squares, outliers cut
        most = np.quantile(np.abs(bends), 0.98) + 1e-6 * step  # equal multiples of a step differ by rounding
        small = np.abs(bends) <= most
        scatter = float(np.sqrt(np.mean(bends[small] ** 2) / 6.0))
    own = float(np.sqrt(max(scatter**2 - rounding**2, 0.0)))
    smooth = own < 0.4 * step
    return Noise(sigma=max(scatter, rounding), step=step, degrees=len(bends) // 3 + 1, smooth=smooth)


def display_step(values: Floats) -> float:
    """Return the step of which all differences are multiples; 0 when none is visible."""
    some = np.unique(values[-2000:])
    if len(some) < 3 or len(some) > 0.7 * min(len(values), 2000):
        return 0.0
    gaps = np.diff(some)
    least = float(gaps.min())
    if least <= np.ptp(some) * np.finfo(np.float64).eps:  # no display resolves that
        return 0.0
    ratios = gaps / least
    return 0.0 if np.max(np.abs(ratios - np.round(ratios))) > 0.05 else least
