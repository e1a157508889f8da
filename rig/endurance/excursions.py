"""Counted excursions from arrays of readings, as ``domain.limits`` counts them one by one.

Out is strictly beyond the limit; an excursion counts once every reading was out for the whole on-delay;
it ends with the first reading inside by the deadband. Only GOOD readings count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.domain.model import Limit, Side
from rig.endurance.stretches import Bools, Floats, Ints


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedExcursion:
    """A counted excursion. start_ns: first reading out; end_ns: first reading back, None if still out.

    last_ns: last reading out; worst, worst_ns: the reading farthest out.
    """

    channel: str
    side: Side
    limit: float
    start_ns: int
    last_ns: int
    end_ns: int | None
    worst: float
    worst_ns: int


def excursions(channel: str, t_ns: Ints, value: Floats, limit: Limit) -> list[CountedExcursion]:
    """Return the counted excursions of GOOD readings (finite, in order), oldest first."""
    if limit.side is Side.HIGH:
        out, back = value > limit.value, value <= limit.value - limit.deadband
    else:
        out, back = value < limit.value, value >= limit.value + limit.deadband
    found: list[CountedExcursion] = []
    returns = np.flatnonzero(back)
    free = -1
    for begin, last in zip(*_runs(out), strict=True):
        if begin <= free or (t_ns[last] - t_ns[begin]) / 1e9 < limit.on_delay_s:
            continue
        following = returns[np.searchsorted(returns, begin) :]
        stop = int(following[0]) if len(following) else len(value)
        free = stop
        spell = np.flatnonzero(out[begin:stop]) + begin
        worst = spell[np.argmax(value[spell]) if limit.side is Side.HIGH else np.argmin(value[spell])]
        found.append(
            CountedExcursion(
                channel=channel,
                side=limit.side,
                limit=limit.value,
                start_ns=int(t_ns[begin]),
                last_ns=int(t_ns[spell[-1]]),
                end_ns=int(t_ns[stop]) if stop < len(value) else None,
                worst=float(value[worst]),
                worst_ns=int(t_ns[worst]),
            )
        )
    return found


def _runs(mask: Bools) -> tuple[list[int], list[int]]:
    """Return the first and last positions of each run of marked readings."""
    edges = np.diff(mask.astype(np.int8), prepend=np.int8(0), append=np.int8(0))
    return np.flatnonzero(edges == 1).tolist(), (np.flatnonzero(edges == -1) - 1).tolist()
