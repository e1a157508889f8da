"""Means of readings that are alike in time: the stated uncertainty must hold."""

from __future__ import annotations

import numpy as np
import pytest

from rig.endurance.averages import batches, mean
from rig.endurance.coverage import Held, hold
from rig.endurance.stretches import Stretches, stretch
from tests.endurance.rooms import at, series


def held(value: np.ndarray, step: float = 1.0) -> tuple[Held, Stretches]:
    span = (at(-step / 2), at((len(value) - 0.5) * step))
    return hold(series("x", np.arange(len(value)) * step, value), span), stretch(*span)


def alike(rng: np.random.Generator, count: int, tau: float) -> np.ndarray:
    """Return a first-order process of variance 1 with a correlation time of ``tau`` readings."""
    keep = float(np.exp(-1 / tau))
    push = (rng.standard_normal(count) * np.sqrt(1 - keep**2)).tolist()
    value = [float(rng.standard_normal())]
    for one in push[1:]:
        value.append(keep * value[-1] + one)
    return np.array(value)


@pytest.mark.slow
@pytest.mark.parametrize(("tau", "least"), [(1.0, 0.88), (30.0, 0.88), (300.0, 0.85)])
def test_the_true_mean_lies_within_the_interval_as_often_as_stated(tau: float, least: float) -> None:
    """Seeded simulation; Student's factor for 95 % from scipy. At 300 a run is ten memories long only."""
    from scipy.special import stdtrit

    rng = np.random.default_rng(1)
    hits = []
    for _ in range(200):
        got = mean(*held(alike(rng, 3000, tau)))
        assert got is not None
        hits.append(abs(got.value) <= got.standard_uncertainty * float(stdtrit(got.freedom, 0.975)))
    assert np.mean(hits) >= least


def test_readings_that_never_forget_are_called_alike() -> None:
    got = mean(*held(np.linspace(0, 100, 3000)))
    assert got is not None
    assert got.correlated
    assert got.value == pytest.approx(50)
    assert got.standard_uncertainty > 10


def test_a_constant_has_no_scatter() -> None:
    got = mean(*held(np.full(1000, 7.25)))
    assert got is not None
    assert (got.value, got.standard_uncertainty, got.correlated) == (7.25, 0.0, False)


def test_too_few_readings_have_no_mean() -> None:
    assert mean(*held(np.zeros(23))) is None
    assert mean(*held(np.zeros(24))) is not None


def test_lost_time_is_not_averaged_over() -> None:
    t = np.array([*range(100), *range(5000, 5100)])
    one = hold(series("x", t, [1.0] * 100 + [3.0] * 100), (at(-0.5), at(5099.5)))
    got = mean(one, stretch(at(-0.5), at(5099.5)))
    assert got is not None
    assert got.value == pytest.approx(2.0)
    assert got.known_s == pytest.approx(200)


def test_batches_share_the_known_time_equally_and_in_order() -> None:
    found = batches(*held(np.repeat(np.arange(8.0), 3)), trend=False)
    assert found is not None
    assert found.value.tolist() == pytest.approx(list(range(8)))
    assert found.middle_ns.tolist() == [at(1 + 3 * k) for k in range(8)]
