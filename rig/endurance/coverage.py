"""Time covered by readings, and sums over it.

The gap rule. Between two readings of a session that are at most ``REACH`` usual intervals apart, each covers
half the interval to its neighbour. Where they are farther apart each covers half a usual interval and the
rest is a gap. The usual interval is the median distance of the session's records of that channel. So n polls
without any record make a gap of n usual intervals, and a reading covers ``REACH`` usual intervals at most. A
record without a GOOD number (no reply, sensor open, implausible) covers nothing: its time is unobserved too.

A change of the true value between two readings is placed midway, off by at most half their distance and
by the half-width of their stamps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.domain.model import Series, Session, Status
from rig.endurance.stretches import Bools, Floats, Ints, Stretches, stretches

REACH = 1.5
"""A single poll without any record is a gap already (distance 2); jitter of half a period is not."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Held:
    """Records of a channel, each with the time it covers; sorted, disjoint, gaps between them.

    start_ns, end_ns: the time of each; t_ns: its stamp on the time line; value: NaN where not GOOD;
    good: whether it is; status: its status code.
    usual_s: the longest of the sessions' usual intervals. edge_s: how far a change may be misplaced.
    """

    channel: str
    start_ns: Ints
    end_ns: Ints
    t_ns: Ints
    value: Floats
    good: Bools
    status: NDArray[np.uint8]
    usual_s: float
    edge_s: float

    @property
    def middle_ns(self) -> Ints:
        """The middle of each record's time."""
        return np.asarray((self.start_ns + self.end_ns) // 2, np.int64)

    @property
    def known(self) -> Stretches:
        """The time covered by GOOD readings."""
        return stretches(self.start_ns[self.good], self.end_ns[self.good])

    @property
    def recorded(self) -> Stretches:
        """The time covered by records of any status."""
        return stretches(self.start_ns, self.end_ns)

    def between(self, low: float, high: float) -> Stretches:
        """Return the time in which low <= value <= high."""
        return self.where((self.value >= low) & (self.value <= high))

    def where(self, mask: Bools) -> Stretches:
        """Return the time of those GOOD readings that are marked."""
        keep = mask & self.good
        return stretches(self.start_ns[keep], self.end_ns[keep])

    def inside(self, time: Stretches) -> Bools:
        """Return which GOOD readings have the middle of their time in a set of time."""
        return time.holds(self.middle_ns) & self.good

    def count(self, status: Status, time: Stretches) -> int:
        """Return how many records of a status lie in a set of time."""
        return int(np.count_nonzero(time.holds(self.middle_ns) & (self.status == status)))

    def integral(self, time: Stretches) -> float:
        """Return the integral of the value over the known part of a set of time: value x seconds."""
        if not len(time):
            return 0.0
        return float(self.integral_to(time.end_ns[-1:], time)[0])

    def integral_to(self, t_ns: Ints, time: Stretches) -> Floats:
        """Return for each moment the integral up to it, over the known part of a set of time."""
        if not len(self.start_ns) or not len(time):
            return np.zeros(len(t_ns))
        value = np.where(self.good, self.value, 0.0)
        sums = np.concatenate([[0.0], np.cumsum(value * ((self.end_ns - self.start_ns) / 1e9))])
        begun = self._sum_to(time.start_ns, value, sums)
        base = np.concatenate([[0.0], np.cumsum(self._sum_to(time.end_ns, value, sums) - begun)])
        at = np.searchsorted(time.start_ns, t_ns, side="right") - 1
        near = np.maximum(at, 0)
        part = self._sum_to(np.minimum(t_ns, time.end_ns[near]), value, sums) - begun[near]
        return np.asarray(np.where(at < 0, 0.0, base[near] + part), np.float64)

    def _sum_to(self, t_ns: Ints, value: Floats, sums: Floats) -> Floats:
        at = np.searchsorted(self.start_ns, t_ns, side="right") - 1
        near = np.maximum(at, 0)
        part = np.minimum(t_ns, self.end_ns[near]) - self.start_ns[near]
        return np.asarray(np.where(at < 0, 0.0, sums[near] + value[near] * (part / 1e9)), np.float64)

    def means(self, edges_ns: Ints, time: Stretches) -> Floats:
        """Return the time-weighted mean between each two edges, within a set of time; NaN where unknown."""
        known = self.known.both(time)
        lengths = np.diff(known.before_s(edges_ns))
        with np.errstate(divide="ignore", invalid="ignore"):
            whole = np.diff(self.integral_to(edges_ns, known))
            return np.asarray(np.where(lengths > 0, whole / lengths, np.nan), np.float64)

    def at(self, t_ns: Ints) -> Floats:
        """Return the value at each moment, NaN where it is not covered."""
        if not len(self.start_ns):
            return np.full(len(t_ns), np.nan)
        at = np.searchsorted(self.start_ns, t_ns, side="right") - 1
        near = np.maximum(at, 0)
        there = (at >= 0) & (t_ns < self.end_ns[near])
        return np.asarray(np.where(there, self.value[near], np.nan), np.float64)


def time_line(sessions: Sequence[Session]) -> dict[int, int]:
    """Return for each session how many ns to add so that sessions follow each other without overlap.

    All zero unless the wall clock was put back between two boots; then the later session is moved to
    the end of the earlier one, since no time can have been spent twice.
    """
    shifts: dict[int, int] = {}
    free_ns: int | None = None
    for session in sorted(sessions, key=lambda one: one.number):
        shift = 0 if free_ns is None else max(0, free_ns - session.start_ns)
        shifts[session.number] = shift
        end_ns = session.end_ns + shift
        free_ns = end_ns if free_ns is None else max(free_ns, end_ns)
    return shifts


def hold(
    series: Series,
    span_ns: tuple[int, int],
    shifts: Mapping[int, int] | None = None,
    *,
    poll_s: float = 0.0,
) -> Held:
    """Return the readings with the time each covers, cut to ``span_ns``.

    shifts: result of ``time_line``, where sessions overlap. poll_s: interval of the rig file (0: unknown).
    """
    t_ns = series.t_ns
    if shifts and any(shifts.values()):
        moves = np.array([shifts.get(int(one), 0) for one in range(int(series.session.max(initial=0)) + 1)])
        t_ns = t_ns + moves[series.session]
    order = np.lexsort((t_ns, series.session))
    t_ns, session = t_ns[order], series.session[order]
    good = (series.status[order] == Status.GOOD) & np.isfinite(series.value[order])
    if not len(t_ns):
        return _nothing(series.channel)
    left, right, usual_s = _reach(t_ns, session, poll_s * 1e9)
    start = np.maximum(t_ns - left, span_ns[0])
    end = np.minimum(t_ns + right, span_ns[1])
    keep = end > start
    return Held(
        channel=series.channel,
        start_ns=start[keep],
        end_ns=end[keep],
        t_ns=t_ns[keep],
        value=np.where(good, series.value[order], np.nan)[keep],
        good=good[keep],
        status=series.status[order][keep],
        usual_s=usual_s,
        edge_s=usual_s * REACH / 2 + float(np.median(series.h_ns)) / 1e9,
    )


def _reach(t_ns: Ints, session: NDArray[np.int32], poll_ns: float) -> tuple[Ints, Ints, float]:
    """Return each record's time back and forward, in ns, and the longest usual interval in s."""
    step = np.diff(t_ns)
    usual = _usual(t_ns, session)
    before, after = usual[:-1].copy(), usual[1:].copy()
    between = np.minimum(before, after)
    odd = np.flatnonzero((step > REACH * between) & (between < poll_ns) & (np.diff(session) == 0))
    if len(odd):
        between[odd] = np.clip(_nearby(step, odd), between[odd], poll_ns)
        before[odd] = after[odd] = between[odd]
    room = np.maximum(step, 0) // 2
    near = step <= REACH * between
    forward = np.where(near, step - step // 2, np.minimum(np.round(before / 2).astype(np.int64), room))
    back = np.where(near, step // 2, np.minimum(np.round(after / 2).astype(np.int64), room))
    ends = np.round(usual[[0, -1]] / 2).astype(np.int64)
    longest = max(float(usual.max()), float(between.max(initial=0)))
    return np.concatenate([ends[:1], back]), np.concatenate([forward, ends[1:]]), longest / 1e9


def _usual(t_ns: Ints, session: NDArray[np.int32]) -> Floats:
    """Return the usual interval of each record's session, in ns."""
    step = np.diff(t_ns)
    same = np.diff(session) == 0
    typical = float(np.median(step[same])) if same.any() else 0.0
    usual = np.zeros(len(t_ns))
    for number in np.unique(session):
        mine = session == number
        steps = np.diff(t_ns[mine])
        usual[mine] = np.median(steps) if len(steps) >= 2 else typical
    return usual


def _nearby(step: Ints, where: Ints) -> Floats:
    """Return the longer of the medians of the five steps before and of the five after each of some steps."""
    reach = np.arange(1, 6)
    before = np.clip(where[:, None] - reach, 0, len(step) - 1)
    after = np.clip(where[:, None] + reach, 0, len(step) - 1)
    medians = (np.median(step[before], axis=1), np.median(step[after], axis=1))
    return np.asarray(np.maximum(*medians), np.float64)


def _nothing(channel: str) -> Held:
    none = np.zeros(0, np.int64)
    return Held(
        channel=channel,
        start_ns=none,
        end_ns=none,
        t_ns=none,
        value=np.zeros(0),
        good=np.zeros(0, bool),
        status=np.zeros(0, np.uint8),
        usual_s=0.0,
        edge_s=0.0,
    )
