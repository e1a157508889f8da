"""Guaranteed bracket: two readings between which a true quantity crossed, whatever it did between them.

The only assumption is that near its crossing the quantity was inside first and outside after. A reading
(or a mean of neighbours) shows a side only if it lies there by more than noise, display step and stated
accuracy can explain. A sensor's lag is removed first: any two readings give the (weighted) average of the
quantity between them, y2 - y1 exp(-d/tau) over 1 - exp(-d/tau).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.forensics.channel_readings import Floats
from rig.forensics.local import Local
from rig.forensics.noise import DOUBT_SIGMAS

SCALES = (1, 4, 16, 64, 256)
GAPS = (1, 2, 4, 8, 16, 32, 64)
LAG_SIGMAS = 5.0
"""Significance threshold behind a lagging sensor: many more looks are taken, and each is noisier."""
LAG_REACH = 8.0
"""Time constants by which the quantity may have crossed before the first reading outside."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GuaranteedBracket:
    """Guaranteed bracket: seconds from the base, and the positions it rests on.

    sure is False where no reading is significantly out: then the end is that of the plain walk.
    """

    earliest_s: float
    latest_s: float
    inside: int
    outside: int
    sure: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Shown:
    """Looks of one kind: side shown by each (+1 out, -1 in, 0 neither) and the time it spans.

    level: how far out the look lies at most by noise; past the first reading out, only a look that lies the
    deadband inside shows that the quantity had not left yet (or had come back).
    """

    side: Floats
    level: Floats
    start: Floats
    stop: Floats
    first: int


def guaranteed_bracket(local: Local) -> GuaranteedBracket:
    """Return the bracket that holds the crossing beyond doubt."""
    looks = _lagged_looks(local) if local.bounds.lag_s > 0 else _plain_looks(local)
    latest, outside = np.inf, -1
    for look in looks:
        hits = np.flatnonzero(look.side > 0)
        if len(hits):
            end = float(look.stop[hits[0]])
            if end < latest:
                latest, outside = end, int(hits[0]) + look.first
    sure = outside >= 0
    if not sure:
        outside = local.first_outside
        latest = float(local.t[outside] + local.h[outside])
    earliest, inside = -np.inf, -1
    for look in looks:
        hits = np.flatnonzero((look.side < 0) & (look.stop <= latest))
        hits = hits[(hits < local.first_outside) | (look.level[hits] < -local.deadband)]
        if len(hits):
            begin = float(look.start[hits[-1]])
            if begin > earliest:
                earliest, inside = begin, int(hits[-1])
    if inside < 0:
        inside = 0
        earliest = float(local.t[0] - local.h[0])
    return GuaranteedBracket(
        earliest_s=earliest, latest_s=latest, inside=inside, outside=max(outside, inside), sure=sure
    )


def _plain_looks(local: Local) -> list[_Shown]:
    """Return means over 1, 4, 16... neighbours and the side each shows."""
    looks = []
    noise, accuracy = local.noise, local.bounds.margin
    total = np.concatenate([[0.0], np.cumsum(local.z)])
    for size in SCALES:
        if size > len(local.z):
            break
        mean = (total[size:] - total[:-size]) / size
        margin = DOUBT_SIGMAS * noise.sigma / np.sqrt(size) + noise.step / 2 + accuracy
        side = np.where(mean > margin, 1.0, np.where(mean < -margin, -1.0, 0.0))
        last = size - 1
        start = (local.t - local.h)[: len(mean)]
        stop = (local.t + local.h)[last:]
        looks.append(_Shown(side, mean + margin, start, stop, last))
    return looks


def _lagged_looks(local: Local) -> list[_Shown]:
    """Return the quantity behind a lagging sensor between readings 1, 2, 4... apart."""
    looks = []
    noise, bounds = local.noise, local.bounds
    reach_s = LAG_REACH * (bounds.lag_s + bounds.lag_tolerance_s)
    for gap in GAPS:
        if gap >= len(local.z):
            break
        apart = local.t[gap:] - local.t[:-gap]
        sides, levels = [], []
        for tau in (bounds.lag_s - bounds.lag_tolerance_s, bounds.lag_s + bounds.lag_tolerance_s):
            kept = np.exp(-np.maximum(apart, 1e-9) / max(tau, 1e-9))
            behind = (local.z[gap:] - kept * local.z[:-gap]) / (1 - kept)
            margin = LAG_SIGMAS * noise.sigma * np.sqrt(1 + kept**2) / (1 - kept) + bounds.margin
            levels.append(behind + margin)
            sides.append(np.where(behind > margin, 1.0, np.where(behind < -margin, -1.0, 0.0)))
        agreed = np.where(sides[0] == sides[1], sides[0], 0.0)
        long_before = local.t[gap:] < local.t[local.first_outside] - reach_s
        agreed = np.where(long_before & (agreed > 0), 0.0, agreed)
        level = np.maximum(levels[0], levels[1])
        looks.append(_Shown(agreed, level, (local.t - local.h)[:-gap], (local.t + local.h)[gap:], gap))
    plain = np.where(local.z > noise.margin + bounds.margin, 1.0, 0.0)
    looks.append(_Shown(plain, local.z, local.t - local.h, local.t + local.h, 0))
    return looks
