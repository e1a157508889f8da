"""Quantities that stay the same between moments: the truth of a simulated room, in seconds."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

BEFORE = -1e6
"""A moment before every record, s."""


@dataclass(frozen=True)
class Steps:
    """``value[i]`` holds from ``at[i]`` until ``at[i + 1]``; ``at[0]`` lies before everything."""

    at: NDArray[np.float64]
    value: NDArray[np.float64]

    def __call__(self, moments: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the value at each moment."""
        return self.value[np.searchsorted(self.at, moments, side="right") - 1]

    def mean(self, moments: NDArray[np.float64], window_s: float) -> NDArray[np.float64]:
        """Return the mean over the window that ends at each moment."""
        if window_s <= 0:
            return self(moments)
        area = np.concatenate([[0.0], np.cumsum(self.value[:-1] * np.diff(self.at))])

        def until(t: NDArray[np.float64]) -> NDArray[np.float64]:
            place = np.searchsorted(self.at, t, side="right") - 1
            return np.asarray(area[place] + self.value[place] * (t - self.at[place]))

        return np.asarray((until(moments) - until(moments - window_s)) / window_s)

    def stretches(self, end_s: float) -> list[tuple[float, float, float]]:
        """Return (from, to, value) of the stretches that lie between 0 and the end."""
        ends = [*self.at[1:].tolist(), end_s]
        found = zip(self.at.tolist(), ends, self.value.tolist(), strict=True)
        return [(max(a, 0.0), min(b, end_s), v) for a, b, v in found if b > 0 and a < end_s]


def steps(first: float, changes: Iterable[tuple[float, float]]) -> Steps:
    """Return a quantity from its first value and its (moment, new value) changes."""
    at, value = [BEFORE], [first]
    for moment, new in sorted(changes):
        if new != value[-1] and moment < np.inf:
            at.append(moment)
            value.append(new)
    return Steps(np.array(at), np.array(value, dtype=float))


def within(intervals: Iterable[tuple[float, float]]) -> Steps:
    """Return 1 inside any of the intervals, 0 outside."""
    known = [(a, b) for a, b in intervals if b > a]
    edges = sorted([(a, 1) for a, _ in known] + [(b, -1) for _, b in known])
    level, changes = 0, []
    for moment, by in edges:
        level += by
        changes.append((moment, float(level > 0)))
    return steps(0.0, _last_of_each(changes))


def _last_of_each(changes: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    return list(dict(changes).items())


def combined(of: Callable[..., Any], *parts: Steps) -> Steps:
    """Return a function of several quantities, worked out where any of them changes."""
    at = np.unique(np.concatenate([one.at for one in parts]))
    value = np.asarray(of(*(one(at) for one in parts)), dtype=float)
    keep = np.concatenate([[True], value[1:] != value[:-1]])
    return Steps(at[keep], value[keep])


def delayed_on(power: Steps, delay_s: float, end_s: float) -> Steps:
    """Return 1 where the power has been on for the delay; what is on from the beginning is ready."""
    on = []
    for k, (a, v) in enumerate(zip(power.at.tolist(), power.value.tolist(), strict=True)):
        b = power.at[k + 1] if k + 1 < len(power.at) else end_s + 1
        if v:
            on.append((a if a == BEFORE else a + delay_s, float(b)))
    return within(on)
