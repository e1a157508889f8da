"""The order from intervals: published facts about interval orders, and rank statistics."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.forensics.answer import Interval, Method, WideningReason
from rig.forensics.channel_readings import readings
from rig.forensics.crossings import excursions
from rig.forensics.order import certainly_before, order, probability_before
from tests.forensics.rooms import START_NS, channel, high, series


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


def from_the_start(end: float) -> Interval:
    """The crossing of a channel that was out already at its first reading."""
    return Interval(earliest_ns=None, latest_ns=round(end * 1e9), best_ns=None, method=Method.CENSORED)


@pytest.mark.parametrize(("end", "share"), [(2.5, 0.25), (5.0, 0.5), (10.0, 1.0)])
def test_a_moment_before_the_recording_is_anywhere_up_to_its_end(end: float, share: float) -> None:
    # A lies evenly in 0 to 10 s, B anywhere before ``end``: after that A is later for certain, before it
    # nobody knows, so P(A first) is half the share of A that lies before the end.
    a, b = interval(0, 10), from_the_start(end)
    assert probability_before(a, b) == pytest.approx(share / 2, abs=0.015)
    assert probability_before(b, a) == pytest.approx(1 - share / 2, abs=0.015)


def test_two_moments_before_the_recording_are_even() -> None:
    assert probability_before(from_the_start(3), from_the_start(5)) == 0.5
    assert probability_before(from_the_start(3), interval(4, 5)) == 1.0
    assert probability_before(interval(4, 5), from_the_start(3)) == 0.0


def test_moments_that_coincide_are_even() -> None:
    assert probability_before(interval(3, 3), interval(3, 3)) == 0.5
    assert probability_before(interval(3, 4), interval(3, 4)) == pytest.approx(0.5)


def test_a_moment_known_exactly_is_placed_in_the_other_ones_distribution() -> None:
    for at in (1.0, 2.5, 9.0):
        assert probability_before(interval(at, at), interval(0, 10)) == pytest.approx(1 - at / 10, abs=0.005)


def skewed(cuts_s: list[float]) -> Interval:
    cuts = tuple(
        round(c * 1e9) for c in np.interp(np.linspace(0, 1, 41), np.linspace(0, 1, len(cuts_s)), cuts_s)
    )
    return Interval(
        earliest_ns=cuts[0], latest_ns=cuts[-1], best_ns=cuts[20], method=Method.TREND, quantiles_ns=cuts
    )


def test_probability_of_skewed_moments_agrees_with_drawing_them() -> None:
    a, b = [0.0, 0.5, 1.0, 8.0], [0.0, 4.0, 4.5, 5.0]
    rng = np.random.default_rng(8)
    drawn = [np.interp(rng.uniform(0, 1, 400_000), np.linspace(0, 1, 4), one) for one in (a, b)]
    expected = float(np.mean(drawn[0] < drawn[1]))
    assert probability_before(skewed(a), skewed(b)) == pytest.approx(expected, abs=0.004)
    assert probability_before(skewed(b), skewed(a)) == pytest.approx(1 - expected, abs=0.004)


def because(low: float, high: float, **widened_s: float) -> Interval:
    made = interval(low, high)
    reasons = tuple(
        WideningReason(code=code, text=f"for {code}", widened_s=s) for code, s in widened_s.items()
    )
    return replace(made, reasons=reasons)


@pytest.mark.parametrize(("apart", "told"), [(0.21, True), (0.19, False)])
def test_moments_closer_than_a_fifth_of_their_bracket_would_not_be_told_by_faster_polling(
    apart: float, told: bool
) -> None:
    # polling at half the distance; below a tenth of the interval no number is worth stating
    [pair] = order({"a": interval(0, 1), "b": interval(apart, 1 + apart)}).open_pairs
    assert pair.resolvable_at_s == (pytest.approx(apart / 2) if told else None)
    if not told:
        assert pair.obstacle.endswith(f"at most {1 + apart:.3g} s apart")


def test_faster_polling_does_not_shrink_what_noise_and_lag_widen() -> None:
    a = because(0, 10, sampling=6.0, lag=1.0)
    b = because(6, 16, lost=9.0, noise=2.0)
    [pair] = order({"a": a, "b": b}).open_pairs
    assert pair.resolvable_at_s == pytest.approx((6 - 3) / 2)
    assert pair.obstacle == "for lost"


def test_what_a_curve_took_off_does_not_lengthen_the_advice() -> None:
    [pair] = order({"a": because(0, 2, trend=-5.0), "b": because(1, 3, sampling=1.0)}).open_pairs
    assert pair.resolvable_at_s == pytest.approx(0.5)
    assert pair.obstacle == "for sampling"


def test_without_reasons_the_overlap_itself_is_the_obstacle() -> None:
    [pair] = order({"a": interval(0, 2), "b": interval(1, 3)}).open_pairs
    assert pair.obstacle == "intervals overlap"


def test_a_channel_out_from_the_start_is_said_to_be_the_obstacle() -> None:
    found = order({"a": from_the_start(5), "b": interval(1, 3)})
    [pair] = found.open_pairs
    assert pair.resolvable_at_s is None
    assert "before the recording" in pair.obstacle
    assert found.channels == ("b", "a")  # by the end where there is no best moment


def test_the_likelier_first_of_an_open_pair_is_named_first() -> None:
    [pair] = order({"a": skewed([0, 5, 6]), "b": skewed([0, 1, 7])}).open_pairs
    assert (pair.first, pair.second) == ("b", "a")
    assert pair.probability == pytest.approx(probability_before(skewed([0, 1, 7]), skewed([0, 5, 6])))
    assert pair.probability > 0.5


def test_a_certain_pair_needs_no_advice() -> None:
    found = order({"late": interval(5, 6), "early": interval(0, 1)})
    [pair] = found.pairs
    assert (pair.first, pair.second, pair.certain, pair.probability) == ("early", "late", True, 1.0)
    assert (pair.resolvable_at_s, pair.obstacle, found.open_pairs) == (None, "", ())
    assert found.certainly_before("early", "late")
    assert not found.certainly_before("late", "early")


def rectangle(low_ns: int, high_ns: int, best_ns: int | None = None) -> Interval:
    """A moment equally likely anywhere between two, told by its ends alone."""
    best = (low_ns + high_ns) // 2 if best_ns is None else best_ns
    return Interval(
        earliest_ns=low_ns,
        latest_ns=high_ns,
        best_ns=best,
        method=Method.BRACKET,
        quantiles_ns=(low_ns, high_ns),
    )


@pytest.mark.parametrize(
    ("a", "b", "chance"),
    [
        ((0, 10), (4, 10), 0.4 + 0.6 / 2),
        ((0, 10), (9, 10), 0.9 + 0.1 / 2),
        ((0, 10), (9, 19), 1 - 0.1 * 0.1 / 2),
        ((0, 10), (2, 6), 0.2 + 0.4 / 2),
        ((2, 6), (0, 10), 0.4 + 0.4 / 2),
        ((5, 15), (0, 10), 0.5 * 0.5 / 2),
        ((0, 100), (99, 100), 0.99 + 0.01 / 2),
    ],
)
def test_of_two_rectangles_the_chance_is_an_area(
    a: tuple[int, int], b: tuple[int, int], chance: float
) -> None:
    # the share of the rectangle a x b that lies above its diagonal
    nine = 1_000_000_000
    x, y = (rectangle(low * nine, high * nine) for low, high in (a, b))
    assert probability_before(x, y) == pytest.approx(chance, abs=1e-9)
    assert probability_before(y, x) == pytest.approx(1 - chance, abs=1e-9)


def test_nanoseconds_are_told_apart_in_this_century() -> None:
    # a double holds stamps of 1.7e18 ns in steps of 256 ns only
    now = 1_700_000_000_000_000_000
    assert probability_before(rectangle(now, now + 400), rectangle(now + 200, now + 600)) == pytest.approx(
        0.875
    )


def test_moments_are_listed_by_the_most_likely_one_and_pairs_by_who_was_likelier_first() -> None:
    s = 1_000_000_000
    a, b = rectangle(100 * s, 110 * s, best_ns=101 * s), rectangle(100 * s, 104 * s, best_ns=102 * s)
    found = order({"b": b, "a": a})
    assert found.channels == ("a", "b")
    [pair] = found.pairs
    assert (pair.first, pair.second) == ("b", "a")
    assert pair.probability == pytest.approx(1 - 0.4 / 2)
    assert pair.resolvable_at_s == pytest.approx(0.5)


def test_a_pair_that_is_nearly_even_is_told_the_way_it_leans() -> None:
    # evenly in 0 to 10 and 0 to 9: the second is first with 1 - 4.5 / 10
    s = 1_000_000_000
    a, b = rectangle(0, 10 * s, best_ns=s), rectangle(0, 9 * s, best_ns=2 * s)
    [pair] = order({"a": a, "b": b}).pairs
    assert pair.first == "b"
    assert pair.probability == pytest.approx(0.55)


@pytest.mark.parametrize(("best", "told_by"), [(0.9, 0.45), (0.6, None)])
def test_the_narrower_of_two_intervals_decides_what_distance_is_worth_stating(
    best: float, told_by: float | None
) -> None:
    s = 1_000_000_000
    a = rectangle(100 * s, 110 * s, best_ns=101 * s)
    b = rectangle(100 * s, 104 * s, best_ns=101 * s + round(best * s))
    [pair] = order({"a": a, "b": b}).pairs
    assert pair.resolvable_at_s == (pytest.approx(told_by) if told_by else None)
    assert told_by or pair.obstacle.endswith("crossings at most 10 s apart")


def test_of_two_like_moments_the_first_by_name_stands_first() -> None:
    [pair] = order({"b": interval(0, 1), "a": interval(0, 1)}).pairs
    assert (pair.first, pair.probability) == ("a", 0.5)


def test_what_widens_nothing_hides_nothing() -> None:
    [pair] = order({"a": because(0, 2, trend=-5.0), "b": because(1, 3, stamp=0.0)}).open_pairs
    assert pair.obstacle == "intervals overlap"


def test_a_moment_without_a_known_end_is_before_nothing() -> None:
    open_end = Interval(earliest_ns=0, latest_ns=None, best_ns=None, method=Method.BRACKET)
    late = interval(5, 6)
    assert not certainly_before(open_end, late)
    assert not certainly_before(open_end, open_end)
    found = order({"a": open_end, "b": late})
    [pair] = found.pairs
    assert (pair.certain, pair.probability, pair.resolvable_at_s) == (False, 0.5, None)
    assert pair.obstacle == "one has no known end"
    assert found.channels == ("a", "b")
    [pair] = order({"a": replace(late, best_ns=None), "b": interval(5, 7)}).pairs
    assert pair.obstacle == "one has no known end"
    [pair] = order({"a": interval(5, 7), "b": replace(late, best_ns=None)}).pairs
    assert pair.obstacle == "one has no known end"


@pytest.mark.parametrize("end", [1.5, 3.0])
def test_which_of_the_two_was_out_from_the_start_does_not_matter(end: float) -> None:
    [pair] = order({"a": from_the_start(end), "b": interval(1, 3)}).pairs
    assert "before the recording" in pair.obstacle


def test_a_bracket_is_told_by_forty_one_cuts_a_fortieth_apart() -> None:
    t = np.arange(0, 800, 40.0)
    c, s = channel("A1.x"), series("A1.x", t, np.where(t < 390, 20.0, 90.0))
    [e] = excursions(readings(c, s), high(50), 0.95)
    assert [(q - START_NS) / 1e9 for q in e.interval.quantiles_ns] == [360.0 + k for k in range(41)]
    assert e.interval.best_ns == START_NS + 380_000_000_000
