"""Excursions of whole arrays are those that the limit table makes of the same readings one by one."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.domain.channel_digest import digest
from rig.domain.limit_arrays import BoundInForce, Excursion, ExcursionWalk, WalkRows, excursions
from rig.domain.limits import NORMAL, Bound, BoundState, LimitChangeKind, LimitState, bounds_of, step
from rig.domain.model import Limit, Series, Side, Status

S = 1_000_000_000


@dataclass(frozen=True)
class Reading:
    t_ns: int
    value: float
    status: int = 0
    session: int = 1


@dataclass
class Seen:
    """One stay beyond a bound as a person with the table and a printout of the readings finds it."""

    limit: float
    first: int
    start_ns: int
    counted: int = -1
    counted_ns: int | None = None
    last: int = -1
    returned: int = -1
    end_ns: int | None = None
    worst: float = math.nan
    worst_at: int = -1


def in_force(forces: Sequence[BoundInForce], t_ns: int) -> int:
    """Return which force holds at a moment: the last that has begun."""
    return max(k for k, one in enumerate(forces) if one.start_ns is None or one.start_ns <= t_ns)


def one_by_one(readings: Sequence[Reading], forces: Sequence[BoundInForce]) -> list[Seen]:
    """Fold ``step`` over the readings; a session begins anew but for what is out; no bound, no excursion."""
    watch, session, before = NORMAL, None, None
    found: list[Seen] = []
    for at, one in enumerate(readings):
        if one.status != Status.GOOD or not math.isfinite(one.value):
            continue
        now = in_force(forces, one.t_ns)
        was = now if before is None else before
        bare = [k for k in range(min(was, now), max(was, now) + 1) if forces[k].bound is None]
        if bare:
            if watch.state is not LimitState.NORMAL:
                found[-1].end_ns = forces[bare[0]].start_ns
                if found[-1].end_ns is None:
                    found[-1].end_ns = one.t_ns
            watch = NORMAL
        if one.session != session and watch.state is LimitState.PENDING:
            watch = NORMAL
        session, before = one.session, now
        bound = forces[now].bound
        if bound is not None:
            watch = _step(found, watch, bound, (at, one))
    _ceased(found, watch, forces, before)
    return found


def _step(found: list[Seen], watch: BoundState, bound: Bound, at_one: tuple[int, Reading]) -> BoundState:
    at, one = at_one
    watch, changes = step(watch, bound, one.t_ns, one.value, one.status)
    for change in changes:
        if change is LimitChangeKind.BEGAN:
            found.append(Seen(limit=bound.value, first=at, start_ns=one.t_ns))
        elif change is LimitChangeKind.COUNTED:
            found[-1].counted, found[-1].counted_ns = at, one.t_ns
        else:
            found[-1].returned, found[-1].end_ns = at, one.t_ns
    if watch.state is not LimitState.NORMAL:
        seen, high = found[-1], bound.side is Side.HIGH
        if one.value > bound.value if high else one.value < bound.value:
            seen.last = at
        if math.isnan(seen.worst) or (one.value > seen.worst if high else one.value < seen.worst):
            seen.worst, seen.worst_at = one.value, at
    return watch


def _ceased(found: list[Seen], watch: BoundState, forces: Sequence[BoundInForce], before: int | None) -> None:
    later = [one for one in forces[(before or 0) :] if one.bound is None]
    if watch.state is not LimitState.NORMAL and later:
        found[-1].end_ns = later[0].start_ns


def rows_of(readings: Sequence[Reading]) -> WalkRows:
    value = np.array([one.value for one in readings], float)
    status = np.array([one.status for one in readings], np.uint8)
    return WalkRows(
        np.array([one.t_ns for one in readings], np.int64),
        value,
        (status == Status.GOOD) & np.isfinite(value),
        np.array([one.session for one in readings], np.int32),
    )


def in_pieces(
    readings: Sequence[Reading], cuts: Iterable[int], forces: Sequence[BoundInForce]
) -> list[Excursion]:
    """ExcursionWalk pieces, passing by each of which its digest says so, as a stored recording is walked."""
    edges = sorted({0, len(readings), *(cut for cut in cuts if cut < len(readings))})
    pieces = [readings[a:b] for a, b in pairwise(edges)]
    walk = ExcursionWalk("x", forces, lambda k: rows_of(pieces[k]), passed=True)
    for k, piece in enumerate(pieces):
        rows = rows_of(piece)
        series = Series(
            channel="x", t_ns=rows.t_ns, h_ns=np.zeros(len(piece), np.int64), value=rows.value,
            status=np.array([one.status for one in piece], np.uint8), session=rows.session,
        )  # fmt: skip
        known = digest(series)
        if walk.passes(known):
            walk.skip(known, k, edges[k])
        else:
            walk.through(rows, k, edges[k])
    return walk.end()


def as_seen(one: Excursion) -> Seen:
    return Seen(
        limit=one.limit, first=one.first_outside, start_ns=one.start_ns, counted=one.counted,
        counted_ns=one.counted_ns, last=one.last_outside, returned=one.returned, end_ns=one.end_ns,
        worst=one.worst, worst_at=one.worst_at,
    )  # fmt: skip


def checked(
    readings: Sequence[Reading], forces: Sequence[BoundInForce], cuts: Iterable[int] = ()
) -> list[Excursion]:
    """Compare arrays, whole and in pieces, with the fold; return what counted."""
    expected = one_by_one(readings, forces)
    whole = excursions("x", rows_of(readings), forces, passed=True)
    assert [as_seen(one) for one in whole] == expected
    if readings:
        assert in_pieces(readings, cuts, forces) == whole
    counted = excursions("x", rows_of(readings), forces)
    assert counted == [one for one in whole if one.counted >= 0]
    for one in counted:
        assert (one.last_ns, one.worst_ns) == (readings[one.last_outside].t_ns, readings[one.worst_at].t_ns)
    return counted


LIMIT = 10.0
NEAR = st.sampled_from([7.9, 8.0, 8.1, 9.0, 9.5, 9.9, 10.0, 10.0 + 2**-40, 10.1, 11.0, 12.0, 12.1, 20.0])
ODD = st.sampled_from([math.nan, math.inf, -math.inf, -10.0, 0.1 + 0.2])
STEPS = st.sampled_from([0, 0, 1, S, S, S, S, 2 * S, 5 * S, 600 * S, -S, -7 * S])
STATUSES = st.sampled_from([0] * 9 + [1, 2, 4, 5, 6, 9])


@st.composite
def recordings(draw: st.DrawFn) -> list[Reading]:
    t_ns, session, made = 1_000 * S, 1, []
    for _ in range(draw(st.integers(0, 40))):
        t_ns += draw(STEPS)
        session += draw(st.sampled_from([0] * 9 + [1]))
        value = draw(NEAR if draw(st.integers(0, 9)) else ODD | st.floats(5, 15))
        made.append(Reading(t_ns, value, draw(STATUSES), session))
    return made


BOUNDS = st.builds(
    lambda value, deadband, delay: (value, deadband, delay),
    st.sampled_from([LIMIT, LIMIT, 9.0, 12.0]),
    st.sampled_from([0.0, 0.5, 2.0, 2.1]),
    st.sampled_from([0.0, 1e-9, 1.0, 2.0, 5.0, 600.0]),
)


@st.composite
def courses(draw: st.DrawFn, side: Side) -> list[BoundInForce]:
    """Return what was in force: mostly one bound, now and then others, or none for a while."""
    forces, start_ns = [], None
    for _ in range(draw(st.sampled_from([1, 1, 2, 3, 4]))):
        value, deadband, delay_s = draw(BOUNDS)
        limit = Limit(side=side, value=value if side is Side.HIGH else 20.0 - value, deadband=deadband,
                      on_delay_s=delay_s)  # fmt: skip
        bare = bool(forces) and draw(st.booleans())
        forces.append(BoundInForce(start_ns=start_ns, bound=None if bare else bounds_of(limit)[0]))
        start_ns = (start_ns or 1_000 * S) + draw(st.sampled_from([0, 1, S, 3 * S, 10 * S, 600 * S]))
    return forces


@settings(max_examples=400)
@given(st.data(), recordings(), st.sampled_from(list(Side)), st.lists(st.integers(1, 39), max_size=6))
def test_arrays_whole_or_in_pieces_say_what_the_table_says_reading_by_reading(
    data: st.DataObject, readings: list[Reading], side: Side, cuts: list[int]
) -> None:
    if side is Side.LOW:
        readings = [Reading(one.t_ns, 20.0 - one.value, one.status, one.session) for one in readings]
    checked(readings, data.draw(courses(side)), cuts)
