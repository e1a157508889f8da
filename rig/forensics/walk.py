"""The plain walk: reading after reading in recorded order, in or out, with deadband and on-delay.

Only usable readings take part. Out is strictly beyond the limit; back in needs the deadband (the terms
of ISA-18.2); between the two the state stays as it was. A channel whose first usable reading is not
out counts as in. Stamps play no part in it, so repeated or backward stamps cannot break it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.core.model import Limit, Side
from rig.forensics.evidence import Bools, Floats, Ints


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """One stretch out of a limit, as positions in the channel's readings.

    last_inside is -1 when the very first usable reading is out; returned is -1 when it never came back;
    worst: position of the reading farthest out.
    """

    last_inside: int
    first_outside: int
    last_outside: int
    returned: int
    worst: int


def out_states(value: Floats, limit: Limit) -> Bools:
    """Return for each of the (finite) values, in order, whether the channel was out after it."""
    if limit.side is Side.HIGH:
        out, back = value > limit.value, value <= limit.value - limit.deadband
    else:
        out, back = value < limit.value, value >= limit.value + limit.deadband
    decided = np.where(out, 1, np.where(back, -1, 0)).astype(np.int8)
    if len(decided) and decided[0] == 0:
        decided[0] = -1
    positions = np.where(decided != 0, np.arange(len(decided)), 0)
    np.maximum.accumulate(positions, out=positions)
    return np.asarray(decided[positions] > 0)


def stretches(value: Floats, usable: Bools, limit: Limit) -> list[Stretch]:
    """Return all stretches out of one limit, oldest first; positions count all readings, usable or not."""
    where = np.flatnonzero(usable)
    if not len(where):
        return []
    values = value[where]
    state = out_states(values, limit)
    edges = np.diff(state.astype(np.int8), prepend=np.int8(0))
    begins = np.flatnonzero(edges == 1)
    ends = np.flatnonzero(edges == -1)
    return [
        _stretch(where, values, int(b), int(ends[k]) if k < len(ends) else -1, limit)
        for k, b in enumerate(begins)
    ]


def _stretch(where: Ints, values: Floats, begin: int, end: int, limit: Limit) -> Stretch:
    """Return one stretch from its begin and end (-1: none) among the usable readings."""
    stop = len(where) if end < 0 else end
    out = values[begin:stop]
    worst = begin + int(np.argmax(out) if limit.side is Side.HIGH else np.argmin(out))
    return Stretch(
        last_inside=int(where[begin - 1]) if begin else -1,
        first_outside=int(where[begin]),
        last_outside=int(where[stop - 1]),
        returned=-1 if end < 0 else int(where[end]),
        worst=int(where[worst]),
    )


def lasted_s(t_ns: Ints, stretch: Stretch) -> float:
    """Return how long a stretch lasted for sure, seconds: from its first to its last reading out."""
    return float(t_ns[stretch.last_outside] - t_ns[stretch.first_outside]) / 1e9
