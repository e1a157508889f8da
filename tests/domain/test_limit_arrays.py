"""Excursions of whole arrays are those that the limit table makes of the same readings one by one."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.domain.channel_digest import digest
from rig.domain.limit_arrays import BoundInForce, Excursion, ExcursionWalk, WalkRows, always, excursions
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
    forces: list[BoundInForce] = []
    start_ns: int | None = None
    for _ in range(draw(st.sampled_from([1, 1, 2, 3, 4]))):
        value, deadband, delay_s = draw(BOUNDS)
        limit = Limit(side=side, value=value if side is Side.HIGH else 20.0 - value, deadband=deadband,
                      on_delay_s=delay_s)  # fmt: skip
        bare = bool(forces) and draw(st.booleans())
        forces.append(BoundInForce(start_ns=start_ns, bound=None if bare else bounds_of(limit)[0]))
        start_ns = (start_ns or 1_000 * S) + draw(st.sampled_from([0, 1, S, 3 * S, 10 * S, 600 * S]))
    return forces


@settings(deadline=None)
@given(st.data(), recordings(), st.sampled_from(list(Side)), st.lists(st.integers(1, 39), max_size=6))
def test_arrays_whole_or_in_pieces_say_what_the_table_says_reading_by_reading(
    data: st.DataObject, readings: list[Reading], side: Side, cuts: list[int]
) -> None:
    if side is Side.LOW:
        readings = [Reading(one.t_ns, 20.0 - one.value, one.status, one.session) for one in readings]
    checked(readings, data.draw(courses(side)), cuts)


# ---- every short course: nothing that happens at a boundary is left to chance

VALUES = (9.9, 10.0, 10.1, 8.0, 7.9)
"""Within the deadband of 2, on the limit, beyond it, on the end of the deadband, inside."""
GAPS = ((S, S, S), (S, -S, S), (0, S, 2 * S), (3 * S, S, 1))
"""Times between readings, about an on-delay of 2 s; a clock may go back."""


def every_force(side: Side) -> list[list[BoundInForce]]:
    """One bound; one that moves; one that ceases and comes again; two that cease: all within the readings."""
    sound = Limit(side=side, value=10.0, deadband=2.0, on_delay_s=2.0)
    moved = replace(sound, value=9.95 if side is Side.HIGH else 10.05, on_delay_s=0.0)
    one, other = bounds_of(sound)[0], bounds_of(moved)[0]
    first, at = BoundInForce(start_ns=None, bound=one), 1_001 * S
    return [
        [first],
        [first, BoundInForce(start_ns=at, bound=other)],
        [first, BoundInForce(start_ns=at, bound=None), BoundInForce(start_ns=at + S, bound=other)],
        [first, BoundInForce(start_ns=at + 1, bound=None)],
        [
            BoundInForce(start_ns=None, bound=None),
            BoundInForce(start_ns=at, bound=one),
            BoundInForce(start_ns=at + 2 * S, bound=None),
            BoundInForce(start_ns=at + 3 * S, bound=None),
        ],
    ]


@pytest.mark.parametrize("gaps", GAPS)
@pytest.mark.parametrize("side", list(Side))
def test_every_course_of_four_readings_is_told_as_the_table_tells_it(
    side: Side, gaps: tuple[int, ...]
) -> None:
    forces = every_force(side)
    stamps = [1_000 * S + sum(gaps[:k]) for k in range(4)]
    for number, values in enumerate(product(VALUES, repeat=4)):
        given = values if side is Side.HIGH else [20.0 - one for one in values]
        sessions = (1, 1, 1 + number % 2, 1 + number % 3)
        readings = [
            Reading(t_ns, value, 0, session)
            for t_ns, value, session in zip(stamps, given, sorted(sessions), strict=True)
        ]
        checked(readings, forces[number % len(forces)], cuts=[1 + number % 3])


# ---- by hand: where a limit, a deadband and an on-delay begin to matter, from the words of ISA-18.2


def course(side: Side, *values: float, step_ns: int = S) -> list[Reading]:
    """Return readings a second apart; for a low limit of 10 they are mirrored about it."""
    given = values if side is Side.HIGH else [20.0 - value for value in values]
    return [Reading(1_000 * S + k * step_ns, value) for k, value in enumerate(given)]


def one_limit(side: Side, *, deadband: float = 0.0, on_delay_s: float = 0.0) -> tuple[BoundInForce, ...]:
    return always(Limit(side=side, value=10.0, deadband=deadband, on_delay_s=on_delay_s))


BOTH = pytest.mark.parametrize("side", list(Side))


@BOTH
def test_equal_to_the_limit_is_not_out_and_the_next_number_beyond_is(side: Side) -> None:
    assert checked(course(side, 9.0, 10.0, 10.0), one_limit(side)) == []
    beyond = math.nextafter(10.0, math.inf)
    (one,) = checked(course(side, 9.0, 10.0, beyond), one_limit(side))
    assert (one.first_outside, one.counted, one.last_inside) == (2, 2, 1)


@BOTH
def test_back_is_as_far_inside_as_the_deadband_and_no_nearer(side: Side) -> None:
    near = math.nextafter(8.0, 9.0)
    (still,) = checked(course(side, 11.0, near, 9.0, 10.0), one_limit(side, deadband=2.0))
    assert (still.returned, still.end_ns, still.last_outside) == (-1, None, 0)
    (back,) = checked(course(side, 11.0, near, 8.0, 7.0), one_limit(side, deadband=2.0))
    assert (back.returned, back.end_ns) == (2, 1_002 * S)
    (plain,) = checked(course(side, 11.0, 10.0), one_limit(side))
    assert plain.returned == 1


@BOTH
def test_an_on_delay_has_run_when_the_first_and_a_reading_out_lie_exactly_that_far_apart(side: Side) -> None:
    just = course(side, 9.0, 11.0, 11.0, 11.0)
    (one,) = checked(just, one_limit(side, on_delay_s=2.0))
    assert (one.first_outside, one.counted, one.counted_ns) == (1, 3, 1_003 * S)
    assert checked(just, one_limit(side, on_delay_s=2.000000001)) == []
    assert checked(just[:-1], one_limit(side, on_delay_s=2.0)) == []


@BOTH
def test_a_reading_that_is_not_out_starts_the_on_delay_anew_even_within_the_deadband(side: Side) -> None:
    forces = one_limit(side, deadband=2.0, on_delay_s=2.0)
    assert checked(course(side, 9.0, 11.0, 11.0, 9.5, 11.0, 11.0, 9.5), forces) == []
    (one,) = checked(course(side, 9.0, 11.0, 9.5, 11.0, 11.0, 11.0), forces)
    assert (one.first_outside, one.last_inside, one.counted) == (3, 2, 5)
    alternating = course(side, *[8.0] * 10, *[15.0, 9.0] * 600, *[8.0] * 10)
    assert checked(alternating, one_limit(side, deadband=2.0, on_delay_s=5.0), cuts=[100, 500]) == []


@BOTH
def test_the_worst_is_the_farthest_and_the_last_out_is_truly_out(side: Side) -> None:
    (one,) = checked(
        course(side, 9.0, 11.0, 14.0, 12.0, 9.5, 9.0, 7.0), one_limit(side, deadband=2.0), cuts=[3, 5]
    )
    assert (one.worst_at, one.last_outside, one.returned) == (2, 3, 6)
    assert one.worst == (14.0 if side is Side.HIGH else 6.0)


def test_bad_readings_move_nothing_wherever_they_lie() -> None:
    bad = [
        Reading(1_003 * S, 1.0, Status.NO_REPLY),
        Reading(1_004 * S, math.nan),
        Reading(1_005 * S, math.inf),
    ]
    readings = [*course(Side.HIGH, 9.0, 11.0, 11.0), *bad, Reading(1_006 * S, 11.0)]
    (one,) = checked(readings, one_limit(Side.HIGH, on_delay_s=5.0))
    assert (one.first_outside, one.counted, one.end_ns) == (1, 6, None)


def test_another_session_starts_an_on_delay_anew_and_leaves_what_counted_as_it_is() -> None:
    later = [Reading(1_100 * S + k * S, 11.0, session=2) for k in range(3)]
    (one,) = checked([*course(Side.HIGH, 9.0, 11.0), *later], one_limit(Side.HIGH, on_delay_s=2.0))
    assert (one.start_ns, one.last_inside, one.moved) == (1_100 * S, 0, False)
    (out,) = checked([*course(Side.HIGH, 9.0, 11.0), *later], one_limit(Side.HIGH), cuts=[2])
    assert (out.first_outside, out.last_outside) == (1, 4)


def test_a_bound_that_ceases_ends_its_excursion_and_one_that_comes_to_readings_beyond_it_was_moved() -> None:
    bound = one_limit(Side.HIGH)[0].bound
    readings = course(Side.HIGH, 9.0, 11.0, 11.0, 11.0, 11.0, 9.0)
    before = BoundInForce(start_ns=None, bound=bound)
    ceased, back_ns = BoundInForce(start_ns=1_002 * S, bound=None), 1_003 * S + S // 2
    first, moved = checked(readings, [before, ceased, BoundInForce(start_ns=back_ns, bound=bound)])
    assert (first.end_ns, first.returned, first.moved) == (1_002 * S, -1, False)
    assert (moved.first_outside, moved.moved, moved.returned) == (4, True, 5)
    nothing = BoundInForce(start_ns=None, bound=None)
    (fresh,) = checked(readings[:1] + readings[4:], [nothing, BoundInForce(start_ns=back_ns, bound=bound)])
    assert not fresh.moved


@pytest.mark.parametrize(("session", "end_ns"), [(None, 1_009 * S), (1, 1_009 * S), (2, None)])
def test_a_bound_that_ceases_after_the_last_reading_ends_what_its_own_session_read(
    session: int | None, end_ns: int | None
) -> None:
    """A unit that died stays out, whatever a later session limits that reads nothing of it."""
    forces = [*one_limit(Side.HIGH), BoundInForce(start_ns=1_009 * S, bound=None, session=session)]
    readings = course(Side.HIGH, 9.0, 11.0, 11.0)
    (one,) = excursions("x", rows_of(readings), forces)
    assert one.end_ns == end_ns
    assert [one.end_ns for one in in_pieces(readings, [2], forces)] == [end_ns]


def test_a_running_on_delay_goes_on_through_a_moved_bound() -> None:
    lower = Limit(side=Side.HIGH, value=9.5, on_delay_s=3.0)
    forces = [
        *one_limit(Side.HIGH, on_delay_s=3.0),
        BoundInForce(start_ns=1_002 * S, bound=bounds_of(lower)[0]),
    ]
    (one,) = checked(course(Side.HIGH, 9.0, 11.0, 9.8, 9.8, 9.8), forces)
    assert (one.limit, one.first_outside, one.counted) == (10.0, 1, 4)


def test_pieces_in_which_nothing_can_happen_are_not_read() -> None:
    readings = course(Side.HIGH, *[9.0] * 100, *[11.0] * 100, *[8.5] * 100)
    forces = one_limit(Side.HIGH, deadband=1.0)
    read: list[int] = []
    walk = ExcursionWalk("x", forces, lambda k: read.append(k) or rows_of(readings[k * 10 : k * 10 + 10]))  # type: ignore[func-returns-value]
    through = []
    for k in range(30):
        rows = rows_of(readings[k * 10 : k * 10 + 10])
        known = digest(Series(
            channel="x", t_ns=rows.t_ns, h_ns=np.zeros(10, np.int64), value=rows.value,
            status=np.zeros(10, np.uint8), session=rows.session,
        ))  # fmt: skip
        if walk.passes(known):
            walk.skip(known, k, k * 10)
        else:
            through.append(k)
            walk.through(rows, k, k * 10)
    (one,) = walk.end()
    assert (through, read) == ([10, 20], [19])
    assert (one.first_outside, one.last_outside, one.returned) == (100, 199, 200)


def test_a_clock_that_goes_back_past_a_time_without_a_bound_ends_the_excursion_in_pieces_too() -> None:
    bound = one_limit(Side.HIGH)[0].bound
    forces = [
        BoundInForce(start_ns=None, bound=bound),
        BoundInForce(start_ns=1_100 * S, bound=None),
        BoundInForce(start_ns=1_200 * S, bound=bound),
    ]
    readings = [Reading(at_s * S, 11.0) for at_s in (1_201, 1_202, 1_050, 1_051)]
    first, second = checked(readings, forces, cuts=[2])
    assert (first.first_outside, first.end_ns, first.returned) == (0, 1_100 * S, -1)
    assert second.first_outside == 2


def test_a_bound_that_was_moved_and_ceases_later_ends_its_excursion_when_it_ceases() -> None:
    bound = one_limit(Side.HIGH)[0].bound
    moved = BoundInForce(start_ns=1_001 * S, bound=bound)
    forces = [*one_limit(Side.HIGH), moved, BoundInForce(start_ns=1_009 * S, bound=None)]
    (one,) = checked(course(Side.HIGH, 9.0, 11.0, 11.0), forces, cuts=[2])
    assert one.end_ns == 1_009 * S
    later = replace(forces[-1], start_ns=1_010 * S)
    (one,) = checked(course(Side.HIGH, 9.0, 11.0, 11.0), [*forces, later], cuts=[2])
    assert one.end_ns == 1_009 * S  # the first time that nothing was in force


@pytest.mark.parametrize(("session", "end_ns"), [(1, None), (2, 1_109 * S)])
def test_the_last_session_of_a_piece_that_was_passed_by_is_that_of_its_last_reading(
    session: int, end_ns: int | None
) -> None:
    forces = [*one_limit(Side.HIGH), BoundInForce(start_ns=1_109 * S, bound=None, session=session)]
    later = [Reading(1_100 * S + k * S, 11.0, session=1 + (k > 0)) for k in range(3)]
    readings = [*course(Side.HIGH, 9.0, 11.0), *later]
    assert [one.end_ns for one in excursions("x", rows_of(readings), forces)] == [end_ns]
    assert [one.end_ns for one in in_pieces(readings, [2], forces)] == [end_ns]
