"""The order from intervals: published facts about interval orders, and rank statistics."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.forensics.answer import Interval, Method
from rig.forensics.order import certainly_before, order, probability_before


def interval(low: float, high: float) -> Interval:
    a, b = round(low * 1e9), round(high * 1e9)
    cuts = tuple(int(a + (b - a) * q) for q in np.linspace(0, 1, 41))
    return Interval(
        earliest_ns=a, latest_ns=b, best_ns=(a + b) // 2, method=Method.BRACKET, quantiles_ns=cuts
    )


def relation(spans: list[tuple[float, float]]) -> set[tuple[int, int]]:
    items = [interval(*s) for s in spans]
    return {(i, j) for i, a in enumerate(items) for j, b in enumerate(items) if certainly_before(a, b)}


def test_the_worked_example_orders_four_pairs_and_no_more() -> None:
    # Encyclopedia of Mathematics, "Interval order": x < y iff right(x) < left(y); input made here.
    assert relation([(0, 2), (1, 3), (2.5, 4), (5, 6)]) == {(0, 2), (0, 3), (1, 3), (2, 3)}


def test_touching_intervals_are_not_ordered() -> None:
    assert relation([(0, 2), (1, 3), (2, 4)]) == set()
    assert relation([(0, 1), (1, 2)]) == set()


@pytest.mark.parametrize(
    ("points", "count"), [(1, 1), (2, 3), (3, 19), pytest.param(4, 207, marks=pytest.mark.slow)]
)
def test_every_interval_order_and_nothing_else_comes_out(points: int, count: int) -> None:
    # Labelled interval orders on n points: OEIS A079144 (1, 3, 19, 207, ...).
    ends = [(i, j) for i in range(points) for j in range(i, points)]
    seen = {
        frozenset(relation([(float(a), float(b)) for a, b in c]))
        for c in itertools.product(ends, repeat=points)
    }
    assert len(seen) == count


def test_of_the_thirteen_interval_relations_only_precedes_is_before() -> None:
    # The interval relations (precedes, meets, overlaps, ...) are exactly 13; 15 proper intervals on 0..5.
    proper = [(i, j) for i in range(6) for j in range(i + 1, 6)]
    pairs = [(a, b) for a in proper for b in proper]
    kinds = {
        (np.sign(a[0] - b[0]), np.sign(a[0] - b[1]), np.sign(a[1] - b[0]), np.sign(a[1] - b[1]))
        for a, b in pairs
    }
    assert len(kinds) == 13
    ordered = [(a, b) for a, b in pairs if certainly_before(interval(*a), interval(*b))]
    assert len(ordered) == 15
    assert all(a[1] < b[0] for a, b in ordered)


SPANS = st.lists(
    st.tuples(st.integers(0, 30), st.integers(0, 6)).map(lambda p: (p[0], p[0] + p[1])), max_size=8
)


@given(spans=SPANS)
def test_no_two_disjoint_chains_without_a_cross_relation(spans: list[tuple[int, int]]) -> None:
    # Fishburn's theorem: an interval order holds no 2 + 2.
    certain = relation([(float(a), float(b)) for a, b in spans])
    for (a, b), (c, d) in itertools.combinations(certain, 2):
        if len({a, b, c, d}) == 4:
            assert (a, d) in certain or (c, b) in certain


@given(spans=SPANS)
def test_places_and_tiers_agree_with_every_order_the_intervals_allow(spans: list[tuple[int, int]]) -> None:
    items = {f"c{i}": interval(float(a), float(b)) for i, (a, b) in enumerate(spans)}
    found = order(items)
    for name, (best, worst) in found.ranks.items():
        assert best == 1 + sum(certainly_before(i, items[name]) for i in items.values())
        assert worst == len(items) - sum(certainly_before(items[name], i) for i in items.values())
    assert sorted(itertools.chain(*found.tiers)) == sorted(items)
    for tier in found.tiers:
        assert not any(certainly_before(items[a], items[b]) for a in tier for b in tier)
    for earlier, later in itertools.pairwise(found.tiers):
        assert all(any(certainly_before(items[a], items[b]) for a in earlier) for b in later)
    assert len(found.pairs) == len(items) * (len(items) - 1) // 2


@given(spans=st.lists(st.tuples(st.integers(0, 20), st.integers(1, 9)), min_size=2, max_size=2))
def test_probability_agrees_with_the_exact_one_of_two_rectangles(spans: list[tuple[int, int]]) -> None:
    (a, w), (b, v) = spans
    x, y = np.meshgrid(a + w * (np.arange(400) + 0.5) / 400, b + v * (np.arange(400) + 0.5) / 400)
    expected = float(np.mean(x < y) + 0.5 * np.mean(x == y))
    assert probability_before(interval(a, a + w), interval(b, b + v)) == pytest.approx(expected, abs=0.01)


def test_polling_that_would_have_told_is_half_the_distance() -> None:
    found = order({"a": interval(0, 1), "b": interval(0.6, 1.6)})
    [pair] = found.open_pairs
    assert (pair.first, pair.second) == ("a", "b")
    assert pair.resolvable_at_s == pytest.approx(0.3)
    assert 0.5 < pair.probability < 1


def test_most_likely_orders_are_judged_by_kendalls_distance() -> None:
    # Public worked example: ranks 1 2 3 4 5 against 3 4 1 2 5 have 4 of 10 pairs discordant, tau 0.2;
    # the scipy manual's example of tau-b: -0.47140452079103173.
    from scipy.stats import kendalltau

    truth = [1.0, 2.0, 3.0, 4.0, 5.0]
    stated = {f"c{k}": interval(r, r + 0.5) for k, r in enumerate([3.0, 4.0, 1.0, 2.0, 5.0])}
    found = order(stated)
    wrong = sum(truth[int(p.first[1])] > truth[int(p.second[1])] for p in found.pairs if p.certain)
    assert wrong == 4
    place = [found.ranks[f"c{k}"][0] for k in range(5)]
    assert kendalltau(truth, place).statistic == pytest.approx(0.2)
    assert 1 - 2 * wrong / 10 == pytest.approx(0.2)
    assert kendalltau([12, 2, 1, 12, 2], [1, 4, 7, 1, 0]).statistic == pytest.approx(
        -0.4714045207910317, abs=1e-12
    )
