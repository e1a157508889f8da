"""Interval order of moments that lie within intervals.

"Certainly before" is the interval order (Fishburn): x before y only if x's interval ends strictly before
y's begins. Overlapping or touching intervals are not ordered, and "not ordered" is not transitive, so
channels are never grouped into ties by chaining.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from rig.forensics.answer import ChannelPair, ExcursionOrder, Interval

CUTS = 41
"""How many equally probable cuts describe a distribution (0, 2.5, ... 100 %)."""
RESOLVABLE_LEAST = 0.1
"""Moments closer than this share of an interval: no sampling interval is stated that would resolve them."""


def certainly_before(a: Interval, b: Interval) -> bool:
    """Return whether the true moment of ``a`` lies certainly before that of ``b``."""
    return a.latest_ns is not None and b.earliest_ns is not None and a.latest_ns < b.earliest_ns


def probability_before(a: Interval, b: Interval) -> float:
    """Return P(a before b) for independent moments; 0.5 for moments that coincide or are unknown.

    A distribution with an open end counts as lying anywhere up to its known end.
    """
    if certainly_before(a, b):
        return 1.0
    if certainly_before(b, a):
        return 0.0
    if not a.quantiles_ns or not b.quantiles_ns:
        return _open_ended(a, b)
    base = min(a.quantiles_ns[0], b.quantiles_ns[0])
    return _compare(_offsets(a, base), _offsets(b, base))


def _open_ended(a: Interval, b: Interval) -> float:
    """Return P(a before b) where at least one lies before the recording."""
    if a.quantiles_ns and b.latest_ns is not None:
        inside = float(np.mean(np.asarray(a.quantiles_ns) <= b.latest_ns))
        return 0.5 * inside
    if b.quantiles_ns and a.latest_ns is not None:
        inside = float(np.mean(np.asarray(b.quantiles_ns) <= a.latest_ns))
        return 1.0 - 0.5 * inside
    return 0.5


def _offsets(interval: Interval, base_ns: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.asarray([q - base_ns for q in interval.quantiles_ns], dtype=np.float64)


def _compare(
    a: np.ndarray[tuple[int], np.dtype[np.float64]], b: np.ndarray[tuple[int], np.dtype[np.float64]]
) -> float:
    """Return P(A < B) + P(A = B)/2 of two distributions given by equally probable cuts."""
    low_a, high_a = a[:-1, None], a[1:, None]
    low_b, high_b = b[None, :-1], b[None, 1:]
    left, right = np.maximum(low_a, low_b), np.minimum(high_a, high_b)
    overlap = np.maximum(right - left, 0.0)
    width_a, width_b = np.maximum(high_a - low_a, 1e-9), np.maximum(high_b - low_b, 1e-9)
    # For two uniform pieces: A below the overlap, B above it, or both inside it (then a half).
    a_below = np.clip((left - low_a) / width_a, 0.0, 1.0)
    b_above = np.clip((high_b - right) / width_b, 0.0, 1.0)
    a_in, b_in = overlap / width_a, overlap / width_b
    both = a_below + a_in * b_above + 0.5 * a_in * b_in
    disjoint = 0.5 * (
        1.0 + (high_a <= low_b) - (high_b <= low_a)
    )  # both: moments known exactly that coincide
    return float(np.mean(np.where(overlap > 0, np.minimum(both, 1.0), disjoint)))


def order(intervals: Mapping[str, Interval]) -> ExcursionOrder:
    """Return the order of named moments: tiers, ranks, and every pair with its probability."""
    names = sorted(intervals, key=lambda name: (_best(intervals[name]), name))
    before = {n: {m for m in names if certainly_before(intervals[m], intervals[n])} for n in names}
    after = {n: sum(n in before[m] for m in names) for n in names}
    return ExcursionOrder(
        channels=tuple(names),
        tiers=_tiers(names, before),
        ranks={n: (1 + len(before[n]), len(names) - after[n]) for n in names},
        pairs=tuple(_pair(a, b, intervals) for k, a in enumerate(names) for b in names[k + 1 :]),
    )


def _best(interval: Interval) -> int:
    if interval.best_ns is not None:
        return interval.best_ns
    return interval.latest_ns if interval.latest_ns is not None else 0


def _tiers(names: Sequence[str], before: Mapping[str, set[str]]) -> tuple[tuple[str, ...], ...]:
    """Return the tiers: repeatedly, the names with nothing certainly before them among those left."""
    left = list(names)
    levels: list[tuple[str, ...]] = []
    while left:
        level = tuple(n for n in left if not before[n] & set(left))
        levels.append(level)
        left = [n for n in left if n not in level]
    return tuple(levels)


def _pair(a: str, b: str, intervals: Mapping[str, Interval]) -> ChannelPair:
    """Return the order of two moments, the certainly (or probably) earlier one first."""
    x, y = intervals[a], intervals[b]
    chance = probability_before(x, y)
    if chance < 0.5:
        a, b, x, y, chance = b, a, y, x, 1.0 - chance
    if certainly_before(x, y):
        return ChannelPair(first=a, second=b, certain=True, probability=1.0)
    resolvable_at_s, obstacle = _resolution(x, y)
    return ChannelPair(
        first=a,
        second=b,
        certain=False,
        probability=chance,
        resolvable_at_s=resolvable_at_s,
        obstacle=obstacle,
    )


def _resolution(x: Interval, y: Interval) -> tuple[float | None, str]:
    """Return the sampling interval that would settle the order of two moments, and its obstacle.

    A bracket is as wide as the sampling interval, so the order of two moments a distance d apart is settled
    at a sampling interval of d/2. Noise, lag and accuracy do not shrink with it.
    """
    if x.earliest_ns is None or y.earliest_ns is None:
        return None, "one was out before the recording began"
    if x.best_ns is None or y.best_ns is None or x.latest_ns is None or y.latest_ns is None:
        return None, "one has no known end"
    causes = sorted(
        ((r.widened_s, r.text) for i in (x, y) for r in i.reasons if r.widened_s > 0), reverse=True
    )
    obstacle = causes[0][1] if causes else "intervals overlap"
    apart_s = abs(y.best_ns - x.best_ns) / 1e9
    firm_s = sum(r.widened_s for i in (x, y) for r in i.reasons if r.code not in {"sampling", "lost"})
    resolvable_at_s = (apart_s - max(firm_s, 0.0)) / 2
    if resolvable_at_s <= RESOLVABLE_LEAST * min(x.width_s, y.width_s):
        reach_s = (max(x.latest_ns, y.latest_ns) - min(x.earliest_ns, y.earliest_ns)) / 1e9
        return None, f"{obstacle}; crossings at most {reach_s:.3g} s apart"
    return resolvable_at_s, obstacle
