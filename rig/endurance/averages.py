"""Means of autocorrelated readings with their uncertainty.

Neighbouring readings are correlated, so the scatter of single readings divided by the root of their number is
far too small. Here the time is cut into batches so long that their means are no longer correlated (lag-1
correlation of the batch means below 1/sqrt n), and the scatter of the batch means is used (method of batch
means, common in simulation). Remaining correlation widens the uncertainty as for a first-order process; where
even eight batches are correlated, ``correlated`` is set.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rig.endurance.coverage import Held
from rig.endurance.stretches import Floats, Ints, Stretches

BATCHES = (64, 32, 16, 8)
_MOST_CORRELATION = 0.9
"""Correlation beyond which no widening helps; the widening stops there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mean:
    """Time-weighted mean over the known part of a time.

    standard_uncertainty: from scatter alone; freedom: its degrees of freedom; batches, batch_s: number and
    length; correlated: batches still correlated, uncertainty approximate; known_s: time covered.
    """

    value: float
    standard_uncertainty: float
    freedom: int
    batches: int
    batch_s: float
    correlated: bool
    known_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Batches:
    """Means of batches of equal known time.

    middle_ns: a moment in the middle of each; correlation: lag-1 correlation; correlated: too high.
    """

    middle_ns: Ints
    value: Floats
    batch_s: float
    correlation: float
    correlated: bool

    @property
    def widening(self) -> float:
        """Factor by which correlation widens an uncertainty: sqrt((1+r)/(1-r)), of a first-order process."""
        correlation = min(max(self.correlation, 0.0), _MOST_CORRELATION)
        return math.sqrt((1 + correlation) / (1 - correlation))


def mean(held: Held, time: Stretches) -> Mean | None:
    """Return the mean over a set of time, or None with too few readings for eight batches of three."""
    found = batches(held, time, trend=False)
    if found is None:
        return None
    count = len(found.value)
    known = held.known.both(time)
    uncertainty = float(np.std(found.value, ddof=1)) / math.sqrt(count)
    uncertainty *= found.widening
    return Mean(
        value=held.integral(known) / known.total_s,
        standard_uncertainty=uncertainty,
        freedom=count - 1,
        batches=count,
        batch_s=found.batch_s,
        correlated=found.correlated,
        known_s=known.total_s,
    )


def batches(held: Held, time: Stretches, *, trend: bool) -> Batches | None:
    """Return as many batch means as are uncorrelated, eight at least; None with too few readings.

    trend: correlation is judged after subtracting a straight line, for a search for drift.
    """
    known = held.known.both(time)
    readings = int(np.count_nonzero(held.inside(time)))
    found: Batches | None = None
    for count in BATCHES:
        if readings < 3 * count:
            continue
        spent = np.linspace(0.0, known.total_s, 2 * count + 1)
        moments = known.at_s(spent)
        value = held.means(moments[::2], known)
        correlation = _correlation(_without_line(value) if trend else value)
        correlated = correlation > 1 / math.sqrt(count)
        found = Batches(
            middle_ns=moments[1::2],
            value=value,
            batch_s=known.total_s / count,
            correlation=correlation,
            correlated=correlated,
        )
        if not correlated:
            break
    return found


def _correlation(value: Floats) -> float:
    """Return the lag-1 correlation, corrected for its bias; 0 for a constant."""
    rest = value - value.mean()
    power = float(np.dot(rest, rest))
    # the mean is taken from the same values, which pulls the estimate down by about 1/n
    return float(np.dot(rest[1:], rest[:-1])) / power + 1 / len(value) if power > 0 else 0.0


def _without_line(value: Floats) -> Floats:
    at = np.arange(len(value)) - (len(value) - 1) / 2
    slope = float(np.dot(at, value) / np.dot(at, at))
    return np.asarray(value - slope * at)
