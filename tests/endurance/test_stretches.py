"""Sets of time against plain Python sets of whole seconds."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.endurance.stretches import NOWHERE, Stretches, stretch, stretches

S = 1_000_000_000
seconds = st.sets(st.integers(0, 30))


def made(numbers: set[int]) -> Stretches:
    start = np.array(sorted(numbers), np.int64) * S
    return stretches(start, start + S)


def spelled(time: Stretches) -> set[int]:
    return {
        t
        for a, b in zip(time.start_ns.tolist(), time.end_ns.tolist(), strict=True)
        for t in range(a // S, b // S)
    }


@given(seconds, seconds)
@settings(deadline=None)
def test_the_algebra_is_that_of_sets(one: set[int], two: set[int]) -> None:
    a, b = made(one), made(two)
    assert spelled(a.both(b)) == one & two
    assert spelled(a.either(b)) == one | two
    assert spelled(a.without(b)) == one - two
    assert a.total_s == len(one)


@given(seconds, st.integers(-1, 32))
@settings(deadline=None)
def test_what_lies_before_a_moment_is_what_a_set_holds_before_it(one: set[int], t: int) -> None:
    when = np.array([t], np.int64) * S
    assert made(one).before_s(when)[0] == sum(x < t for x in one)
    assert made(one).holds(when)[0] == (t in one)


@given(st.lists(st.tuples(st.integers(0, 20), st.integers(0, 20)), max_size=8))
@settings(deadline=None)
def test_stretches_come_out_sorted_disjoint_and_not_touching(pairs: list[tuple[int, int]]) -> None:
    start = np.array([a for a, _ in pairs], np.int64) * S
    end = np.array([b for _, b in pairs], np.int64) * S
    time = stretches(start, end)
    assert spelled(time) == {t for a, b in pairs for t in range(a, b)}
    assert (time.start_ns < time.end_ns).all()
    assert (time.start_ns[1:] > time.end_ns[:-1]).all()


def test_only_edges_strictly_inside_count_as_changes() -> None:
    time = made({1, 2, 5})
    assert time.edges_inside(0, 10 * S) == 4
    assert time.edges_inside(S, 6 * S) == 2
    assert NOWHERE.edges_inside(0, S) == 0
    assert len(stretch(5, 5)) == 0
