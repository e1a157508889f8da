"""Rainflow counting of the swings of a temperature or another quantity.

Method: ASTM E1049-85 (reapproved), 5.4.4: three points at a time; a range that the next one covers is a
cycle, or half a cycle if it contains the starting point; what is left at the end is half cycles.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.endurance.stretches import Floats

_BLOCK = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CycleTable:
    """Counted swings, in the order in which they closed.

    range: size of the swing; mean: its middle; count: 1.0 or 0.5. All in the values' own unit.
    dropped: how many (full and half) swings smaller than ``least_range`` were left out.
    """

    range: Floats
    mean: Floats
    count: Floats
    least_range: float = 0.0
    dropped: float = 0.0

    @property
    def total(self) -> float:
        """Number of cycles, half cycles counting one half."""
        return float(np.sum(self.count))

    def histogram(self, edges: Sequence[float]) -> Floats:
        """Return the counts of edges[i] <= range < edges[i+1]; the last bin includes its end."""
        counts, _ = np.histogram(self.range, bins=np.asarray(edges, float), weights=self.count)
        return np.asarray(counts, np.float64)


class Rainflow:
    """Counts swings of values that arrive in pieces; the result does not depend on the pieces."""

    def __init__(self, least_range: float = 0.0) -> None:
        self._least = least_range
        self._stack: list[float] = []
        self._ranges: list[float] = []
        self._means: list[float] = []
        self._counts: list[float] = []
        self._dropped = 0.0
        self._last: float | None = None
        self._rising = 0

    def feed(self, values: NDArray[np.float64]) -> None:
        """Take more values, oldest first; values that are not finite are skipped."""
        every = np.asarray(values, np.float64)
        for at in range(0, len(every), _BLOCK):
            block = every[at : at + _BLOCK]
            self._take(block[np.isfinite(block)])

    def table(self) -> CycleTable:
        """Return the count as it stands if the history ended here; feeding may go on after it."""
        ranges, means, counts = list(self._ranges), list(self._means), list(self._counts)
        rest = list(self._stack)
        if self._last is not None and (not rest or rest[-1] != self._last):
            ranges, means, counts, rest, lost = self._with_end(self._last)
        else:
            lost = self._dropped
        for one, two in itertools.pairwise(rest):
            if abs(two - one) < self._least:
                lost += 0.5
                continue
            ranges.append(abs(two - one))
            means.append((one + two) / 2)
            counts.append(0.5)
        return CycleTable(
            range=np.array(ranges, np.float64),
            mean=np.array(means, np.float64),
            count=np.array(counts, np.float64),
            least_range=self._least,
            dropped=lost,
        )

    def _with_end(self, value: float) -> tuple[list[float], list[float], list[float], list[float], float]:
        """Return what would be counted if ``value`` were the last reversal."""
        copy = Rainflow(self._least)
        copy._stack, copy._dropped = list(self._stack), self._dropped
        copy._reverse([value])
        return (
            self._ranges + copy._ranges,
            self._means + copy._means,
            self._counts + copy._counts,
            copy._stack,
            copy._dropped,
        )

    def _take(self, values: Floats) -> None:
        """Find the reversals in a block; the last value waits, since it may not be one."""
        if not len(values):
            return
        if self._last is None:
            self._stack.append(float(values[0]))
            self._last = float(values[0])
        chain = np.concatenate([[self._last], values])
        chain = chain[np.concatenate([[True], np.diff(chain) != 0])]
        if len(chain) == 1:
            return
        sign = np.sign(np.diff(chain)).astype(np.int8)
        turned = np.flatnonzero(sign[1:] != sign[:-1]) + 1
        reversals = chain[turned].tolist()
        if self._rising and sign[0] != self._rising:
            reversals.insert(0, float(chain[0]))
        self._rising = int(sign[-1])
        self._last = float(chain[-1])
        self._reverse(reversals)

    def _reverse(self, reversals: list[float]) -> None:
        stack = self._stack
        for value in reversals:
            stack.append(value)
            while len(stack) >= 3:
                newest, before = abs(stack[-1] - stack[-2]), abs(stack[-2] - stack[-3])
                if newest < before:
                    break
                if len(stack) == 3:
                    # the range holds the starting point: half a cycle, and the start moves on
                    self._count(stack[0], stack[1], 0.5)
                    del stack[0]
                else:
                    self._count(stack[-3], stack[-2], 1.0)
                    del stack[-3:-1]

    def _count(self, one: float, two: float, count: float) -> None:
        size = abs(two - one)
        if size < self._least:
            self._dropped += count
            return
        self._ranges.append(size)
        self._means.append((one + two) / 2)
        self._counts.append(count)


def rainflow(values: NDArray[np.float64] | Sequence[float], least_range: float = 0.0) -> CycleTable:
    """Return the swings in a history of values, counted after ASTM E1049-85, 5.4.4.

    Only what was read is counted: a swing inside a gap is not in it. ``least_range``: smaller swings are
    counted and left out (noise makes millions of them); it does not change the count of the others.
    """
    counter = Rainflow(least_range)
    counter.feed(np.asarray(values, np.float64))
    return counter.table()
