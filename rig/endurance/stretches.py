"""Sets of time as sorted, disjoint, half-open stretches, and their algebra."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretches:
    """Set of time: start <= t < end, in ns; sorted, disjoint, not touching. Make it with ``stretches``."""

    start_ns: Ints
    end_ns: Ints

    def __len__(self) -> int:
        return len(self.start_ns)

    @property
    def total_s(self) -> float:
        """Length of all of it, in s."""
        return float(np.sum(self.end_ns - self.start_ns)) / 1e9

    def both(self, other: Stretches) -> Stretches:
        """Return the time that is in both sets."""
        edges = _edges(self, other)
        return marked(edges, self.holds(edges[:-1]) & other.holds(edges[:-1]))

    def either(self, other: Stretches) -> Stretches:
        """Return the time that is in at least one of the sets."""
        edges = _edges(self, other)
        return marked(edges, self.holds(edges[:-1]) | other.holds(edges[:-1]))

    def without(self, other: Stretches) -> Stretches:
        """Return the time that is in this set and not in the other."""
        edges = _edges(self, other)
        return marked(edges, self.holds(edges[:-1]) & ~other.holds(edges[:-1]))

    def holds(self, t_ns: Ints) -> Bools:
        """Return for each moment whether it is in the set."""
        if not len(self):
            return np.zeros(len(t_ns), bool)
        at = np.searchsorted(self.start_ns, t_ns, side="right") - 1
        return np.asarray((at >= 0) & (t_ns < self.end_ns[np.maximum(at, 0)]))

    def before_s(self, t_ns: Ints) -> Floats:
        """Return for each moment how much of the set lies before it, in s."""
        if not len(self):
            return np.zeros(len(t_ns))
        sums = np.concatenate([[0], np.cumsum(self.end_ns - self.start_ns)])
        at = np.searchsorted(self.start_ns, t_ns, side="right") - 1
        near = np.maximum(at, 0)
        part = np.minimum(t_ns, self.end_ns[near]) - self.start_ns[near]
        return np.asarray(np.where(at < 0, 0, sums[near] + part) / 1e9, np.float64)

    def at_s(self, spent_s: Floats) -> Ints:
        """Return the moments at which so much of the set lies before (0 <= spent_s <= total_s), in ns."""
        sums = np.concatenate([[0], np.cumsum(self.end_ns - self.start_ns)])
        spent = np.round(spent_s * 1e9).astype(np.int64)
        at = np.clip(np.searchsorted(sums, spent, side="right") - 1, 0, len(self) - 1)
        return np.asarray(np.minimum(self.start_ns[at] + spent - sums[at], self.end_ns[at]), np.int64)

    def edges_inside(self, start_ns: int, end_ns: int) -> int:
        """Return how many beginnings and ends lie strictly inside a stretch of time."""
        both = np.concatenate([self.start_ns, self.end_ns])
        return int(np.count_nonzero((both > start_ns) & (both < end_ns)))


def stretches(start_ns: Ints, end_ns: Ints) -> Stretches:
    """Return the union of stretches, in any order, overlapping or empty (end <= start)."""
    start, end = np.asarray(start_ns, np.int64), np.asarray(end_ns, np.int64)
    keep = end > start
    start, end = start[keep], end[keep]
    if not len(start):
        return NOWHERE
    order = np.argsort(start, kind="stable")
    start, end = start[order], np.maximum.accumulate(end[order])
    fresh = np.concatenate([[True], start[1:] > end[:-1]])
    last = np.concatenate([fresh[1:], [True]])
    return Stretches(start_ns=start[fresh], end_ns=end[last])


def stretch(start_ns: int, end_ns: int) -> Stretches:
    """Return the set of one stretch."""
    return stretches(np.array([start_ns], np.int64), np.array([end_ns], np.int64))


def marked(edges_ns: Ints, mask: Bools) -> Stretches:
    """Return the set of those of the intervals between ``edges_ns`` that are marked."""
    return stretches(edges_ns[:-1][mask], edges_ns[1:][mask])


def _edges(one: Stretches, other: Stretches) -> Ints:
    parts = [one.start_ns, one.end_ns, other.start_ns, other.end_ns]
    edges: Ints = np.unique(np.concatenate(parts))
    return edges if len(edges) else np.zeros(1, np.int64)


NOWHERE = Stretches(start_ns=np.zeros(0, np.int64), end_ns=np.zeros(0, np.int64))
