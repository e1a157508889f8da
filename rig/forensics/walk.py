"""The plain walk: reading after reading in recorded order, in or out, with deadband and on-delay.

Only usable readings take part. Out is strictly beyond the limit; back in needs the deadband (the terms
of ISA-18.2); between the two the state stays as it was. A channel whose first usable reading is not
out counts as in. Stamps play no part in it, so repeated or backward stamps cannot break it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rig.domain.channel_digest import ChannelDigest
from rig.domain.model import Limit, Side
from rig.forensics.channel_readings import Bools, Floats, Ints


@dataclass(frozen=True, slots=True, kw_only=True)
class OutStretch:
    """One stretch out of a limit, as positions in the channel's readings.

    last_inside is -1 when the very first usable reading is out; returned is -1 when it was still out at the
    end; worst: position of the reading farthest out.
    """

    last_inside: int
    first_outside: int
    last_outside: int
    returned: int
    worst: int


def out_states(value: Floats, limit: Limit, was_out: bool = False) -> Bools:
    """Return for each of the (finite) values, in order, whether the channel was out after it."""
    if limit.side is Side.HIGH:
        out, back = value > limit.value, value <= limit.value - limit.deadband
    else:
        out, back = value < limit.value, value >= limit.value + limit.deadband
    decided = np.where(out, 1, np.where(back, -1, 0)).astype(np.int8)
    if len(decided) and decided[0] == 0:
        decided[0] = 1 if was_out else -1
    positions = np.where(decided != 0, np.arange(len(decided)), 0)
    np.maximum.accumulate(positions, out=positions)
    return np.asarray(decided[positions] > 0)


def stretches(value: Floats, usable: Bools, limit: Limit) -> list[OutStretch]:
    """Return all stretches out of one limit, oldest first; positions count all readings, usable or not."""
    walk = LimitWalk(limit, lambda _k, _value: -1)
    walk.through(value, usable, 0)
    return walk.end()


@dataclass(slots=True)
class _Worst:
    """The reading farthest out so far: its value, and its position or the piece it is in."""

    value: float
    position: int = -1
    piece: int = -1


class LimitWalk:
    """Walk over pieces of readings that skips those in which the state cannot change.

    first_of: returns the position at which a value is first read in a piece that was passed by.
    """

    def __init__(self, limit: Limit, first_of: Callable[[int, float], int]) -> None:
        self._limit = limit
        self._first_of = first_of
        self._high = limit.side is Side.HIGH
        self._out = False
        self._last = -1  # position of the last usable reading
        self._entered = (-1, -1)  # last inside and first outside of the stretch that goes on
        self._worst = _Worst(0.0)
        self._found: list[OutStretch] = []

    def passes(self, digest: ChannelDigest) -> bool:
        """Return whether the state cannot change within a piece."""
        limit = self._limit
        if not digest.usable:
            return True
        if self._out:
            away = digest.low > limit.value - limit.deadband
            return away if self._high else digest.high < limit.value + limit.deadband
        return digest.high <= limit.value if self._high else digest.low >= limit.value

    def skip(self, digest: ChannelDigest, k: int, offset: int) -> None:
        """Go past piece ``k``, whose first reading has the position ``offset``."""
        if not digest.usable:
            return
        if self._out:
            self._note(_Worst(digest.high if self._high else digest.low, piece=k))
        self._last = offset + digest.last

    def through(self, value: Floats, usable: Bools, offset: int) -> None:
        """Go through readings, the first of which has the position ``offset``."""
        where = np.flatnonzero(usable)
        if not len(where):
            return
        values = value[where]
        where += offset
        state = out_states(values, self._limit, self._out)
        edges = np.flatnonzero(np.diff(state, prepend=self._out))
        at = 0
        for edge in edges.tolist():
            if self._out:
                self._look(values, where, at, edge)
                self._last = int(where[edge - 1]) if edge else self._last
                self._close(int(where[edge]))
            else:
                self._entered = (int(where[edge - 1]) if edge else self._last, int(where[edge]))
                self._worst = _Worst(float("-inf") if self._high else float("inf"))
            self._out, at = not self._out, edge
        if self._out:
            self._look(values, where, at, len(values))
        self._last = int(where[-1])

    def end(self) -> list[OutStretch]:
        """Return the stretches found, the last one open if the channel did not return."""
        if self._out:
            self._close(-1)
            self._out = False
        return self._found

    def _look(self, values: Floats, where: Ints, begin: int, stop: int) -> None:
        """Take note of the farthest of the values from ``begin`` to ``stop``."""
        if begin < stop:
            part = values[begin:stop]
            k = begin + int(np.argmax(part) if self._high else np.argmin(part))
            self._note(_Worst(float(values[k]), position=int(where[k])))

    def _note(self, one: _Worst) -> None:
        if one.value > self._worst.value if self._high else one.value < self._worst.value:
            self._worst = one

    def _close(self, returned: int) -> None:
        worst = self._worst
        place = worst.position if worst.position >= 0 else self._first_of(worst.piece, worst.value)
        self._found.append(OutStretch(
            last_inside=self._entered[0], first_outside=self._entered[1], last_outside=self._last,
            returned=returned, worst=place,
        ))  # fmt: skip


def lasted_s(t_ns: Ints, stretch: OutStretch) -> float:
    """Return the certain length of a stretch in seconds: from its first to its last reading out."""
    return float(t_ns[stretch.last_outside] - t_ns[stretch.first_outside]) / 1e9
