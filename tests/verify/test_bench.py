"""A seeded share of the verification bench, judged with bounds that honest chance allows.

A figure fails only if so bad a one would come up less than once in 10,000 runs of an analyser that is
exactly as good as required.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from rig.domain.model import Series
from tests.verify.cases import make
from tests.verify.derived import computed
from tests.verify.judge import Judged, judge
from tests.verify.scenarios import KINDS
from tests.verify.signals import departures, lagged, smooth, switch
from tests.verify.tables import tables

RARE = 1e-4


def at_least(hits: int, tries: int, share: float) -> bool:
    """Return whether so few hits do not refute that each try hits with the given probability."""
    from scipy.stats import binom

    return tries == 0 or bool(binom.cdf(hits, tries, share) > RARE)


def at_most(hits: int, tries: int, share: float) -> bool:
    return at_least(tries - hits, tries, 1 - share)


def figures_hold(judged: Sequence[Judged]) -> None:
    crossings = [c for j in judged for c in j.crossings]
    assert at_least(sum(c.covered for c in crossings), len(crossings), 0.95)
    for name in judged[0].stratum:
        for value in {j.stratum[name] for j in judged}:
            part = [c for j in judged if j.stratum[name] == value for c in j.crossings]
            assert at_least(sum(c.covered for c in part), len(part), 0.93), (name, value)
    assert at_most(sum(j.wrong for j in judged), sum(j.certain for j in judged), 0.001)
    assert at_least(sum(j.ordered for j in judged), sum(j.orderable for j in judged), 0.90)
    ratios = [c.width_s / c.best_s for c in crossings if c.best_s > 0 and np.isfinite(c.best_s)]
    assert np.median(ratios) <= 1.5
    outside = [j for j in judged if j.expected[0] in {"rig", "sensor", "instrument"}]
    unit = [j for j in judged if j.expected == ["unit"]]
    assert at_most(sum(j.said == "unit" for j in outside), len(outside), 0.02)
    assert at_most(sum(j.said not in {"unit", "none"} for j in unit), len(unit), 0.02)
    days = sum(j.quiet_days for j in judged)
    assert sum(j.false_onsets for j in judged) <= 0.02 * days + 4 * np.sqrt(0.02 * days) + 1


@pytest.mark.parametrize("step", [4, pytest.param(1, marks=pytest.mark.slow)])
def test_some_simulated_deaths_are_explained_as_well_as_required(step: int) -> None:
    kinds = list(enumerate([*KINDS, "runaway", "fan", "output short"]))[::step]
    judged = [judge(7_000_000 + k, kind) for k, kind in kinds]
    figures_hold(judged)
    printed = tables(judged)
    assert "coverage" in printed
    assert all(kind in printed for _, kind in kinds)


@pytest.mark.timeout(600)
@pytest.mark.parametrize("count", [1, pytest.param(60, marks=pytest.mark.slow)])
def test_rises_derived_from_lagging_thermometers_are_never_put_in_a_wrong_order(count: int) -> None:
    judged = [judge(9_000_001 + k, derived=True) for k in range(count)]
    rises = [c for j in judged for c in j.crossings if c.derived]
    assert rises
    assert at_least(sum(c.covered for c in rises), len(rises), 0.95)
    assert sum(j.derived_wrong for j in judged) == 0
    assert "derived, lagged" in tables(judged)


def test_the_bench_derives_a_rise_when_both_inputs_are_new_over_the_hull_of_their_times() -> None:
    """A heatsink every second, the air every two: the second heatsink reading has no air of its own."""

    def read(name: str, every: float, count: int) -> Series:
        t = np.round(np.arange(count) * every * 1e9).astype(np.int64)
        return Series(
            channel=name,
            t_ns=t,
            h_ns=np.full(count, 10_000_000, np.int64),
            value=np.arange(count, dtype=float),
            status=np.zeros(count, np.uint8),
            session=np.zeros(count, np.int32),
        )

    found = computed("r", read("h", 1.0, 5), read("a", 2.0, 3))
    assert found.value.tolist() == [0.0, 1.0, 2.0]
    assert ((found.t_ns - found.h_ns) / 1e9).tolist() == pytest.approx([-0.01, 1.99, 3.99])
    assert ((found.t_ns + found.h_ns) / 1e9).tolist() == pytest.approx([0.01, 2.01, 4.01])


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_a_larger_share_of_simulated_deaths_is_explained_as_well_as_required() -> None:
    figures_hold([judge(21_000_000 + k) for k in range(120)])


def test_the_same_seed_gives_the_same_case() -> None:
    one, two = make(5, "fan"), make(5, "fan")
    assert one.layout == two.layout
    assert all(np.array_equal(one.data[n].value, two.data[n].value, equal_nan=True) for n in one.data)


def test_the_bench_filters_a_step_as_the_textbook_says() -> None:
    # First-order lag: 63.212 % after one time constant, 95.021 % after three.
    y = lagged(switch(2001, 0, 0.0, 1.0), 10.0, 0.05, 0.0)
    assert y[1, 200] == pytest.approx(0.63212, abs=1e-5)
    assert y[1, 600] == pytest.approx(0.95021, abs=1e-5)


def test_the_bench_lags_a_ramp_by_exactly_the_time_constant() -> None:
    t = np.arange(4001) * 0.05
    y = lagged(smooth(np.asarray(2.0 * t)), 5.0, 0.05, 0.0)
    assert 2.0 * t[-1] - y[1, -1] == pytest.approx(2.0 * 5.0, rel=1e-6)


def test_the_bench_finds_a_departure_between_grid_points() -> None:
    t = np.arange(101) * 0.1
    assert departures(smooth(np.asarray(t)), 0.1, 5.03, True, 0.0) == pytest.approx([5.03])
    assert departures(switch(101, 40, 0.0, 9.0), 0.1, 5.0, True, 0.0) == pytest.approx([4.0])
    assert departures(smooth(np.sin(t)), 0.1, 0.5, True, 0.2) == pytest.approx(
        [np.pi / 6, np.pi * 13 / 6], abs=2e-3
    )
