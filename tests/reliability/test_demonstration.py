"""Bounds and plans against the NIST/SEMATECH e-Handbook and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rig.errors import UsageError
from rig.reliability.demonstration import Life, ServiceHours, lives, mtbf, needed_hours, risks, success_run


@pytest.mark.parametrize(
    ("confidence", "factor"),
    [(0.6, 1.0914), (0.8, 0.6213), (0.9, 0.4343), (0.95, 0.3338), (0.99, 0.2171)],
)
def test_without_failures_the_bound_is_the_hours_by_minus_log_of_the_risk(
    confidence: float, factor: float
) -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.1: T / (-ln a)."""
    bounds = mtbf(1.0, 0, confidence)
    assert bounds.lower_h == pytest.approx(factor, abs=5e-5)
    assert bounds.estimate_h is None
    assert bounds.two_sided_h[1] is None


@pytest.mark.parametrize(
    ("failures", "low", "high"),
    [
        (1, 0.2108, 19.4957),
        (2, 0.3177, 5.6281),
        (3, 0.3869, 3.6689),
        (5, 0.4756, 2.5379),
        (10, 0.5895, 1.8432),
    ],
)
def test_two_sided_factors_at_90_percent(failures: int, low: float, high: float) -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.1: bounds in units of the estimate (formula; values computed)."""
    bounds = mtbf(float(failures), failures, 0.9)
    assert bounds.two_sided_h == pytest.approx((low, high), abs=5e-5)


def test_the_handbook_s_example() -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.1, script apr451.r: 800 h, 2 failures, 90 %: 127.0690 to 2251.229 h."""
    bounds = mtbf(800, 2, 0.9)
    assert bounds.estimate_h == 400
    assert bounds.two_sided_h == pytest.approx((127.0690, 2251.229), abs=1e-3)
    assert bounds.lower_h == pytest.approx(150.31, abs=5e-3)


def test_a_thousand_hours_without_failure_at_90_percent() -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.1 (formula): 434.294 h."""
    assert mtbf(1000, 0, 0.9).lower_h == pytest.approx(434.294, abs=1e-3)


@pytest.mark.parametrize(
    ("confidence", "row"),
    [
        (0.5, (0.693, 1.678, 2.674, 3.672, 4.671, 5.670)),
        (0.6, (0.916, 2.022, 3.105, 4.175, 5.237, 6.292)),
        (0.8, (1.609, 2.994, 4.279, 5.515, 6.721, 7.906)),
        (0.9, (2.303, 3.890, 5.322, 6.681, 7.994, 9.275)),
        (0.95, (2.996, 4.744, 6.296, 7.754, 9.154, 10.513)),
    ],
)
def test_length_of_a_test_in_units_of_the_mtbf(confidence: float, row: tuple[float, ...]) -> None:
    """NIST/SEMATECH e-Handbook 8.3.1.1; IEC 60605-4:2001 5.1 uses the same fractiles of chi-square."""
    got = [needed_hours(1.0, confidence, failures).unit_h for failures in range(6)]
    assert got == pytest.approx(row, abs=6e-4)


def test_hours_that_are_done_count_towards_those_that_are_needed() -> None:
    plan = needed_hours(1000, 0.9, 0, done_h=1302.585, units=10)
    assert plan.more_h == pytest.approx(1000, abs=1e-3)
    assert plan.each_h == pytest.approx(100, abs=1e-3)
    assert needed_hours(1000, 0.9, 0, done_h=9999).more_h == 0
    assert mtbf(plan.unit_h, 0, 0.9).lower_h == pytest.approx(1000)


@pytest.mark.parametrize(
    ("length", "accept", "ratio", "producer", "consumer"),
    [(18.8, 13, 2, 9.6, 10.6), (9.3, 5, 3, 9.4, 9.9), (4.3, 2, 3, 17.5, 19.7), (1.1, 0, 3, 30.7, 33.3)],
)
def test_risks_of_fixed_length_plans(
    length: float, accept: int, ratio: float, producer: float, consumer: float
) -> None:
    """MIL-HDBK-781A plans XII-D, XV-D, XVII-D, XXI-D: plan numbers from memory, risks by Poisson."""
    got = risks(length, accept, ratio, 1.0)
    assert (100 * got.producer, 100 * got.consumer) == pytest.approx((producer, consumer), abs=0.05)


def test_a_good_design_no_better_than_the_poor_one_is_refused() -> None:
    with pytest.raises(UsageError, match="expected the good one to be longer"):
        risks(1000, 0, 500, 500)
    with pytest.raises(UsageError, match="unit h 0: expected a number larger than 0"):
        risks(0, 0, 500, 100)


@pytest.mark.parametrize(
    ("reliability", "confidence", "units"), [(0.9, 0.9, 22), (0.95, 0.95, 59), (0.99, 0.9, 230)]
)
def test_success_run_numbers(reliability: float, confidence: float, units: int) -> None:
    """Success-run rule n = ln(1-C)/ln R, rounded up (common practice, no source; checked by 1 - R^n >= C)."""
    assert success_run(reliability, confidence).units == units
    assert 1 - reliability**units >= confidence > 1 - reliability ** (units - 1)


def test_twice_the_time_with_shape_two_needs_a_quarter_of_the_units() -> None:
    assert success_run(0.99, 0.9, mission_h=100, test_h=200, shape=2.0).units == math.ceil(229.105 / 4)


def test_the_lower_bound_holds_as_often_as_it_says() -> None:
    """Simulation, fixed seed: tests of 1000 h, true MTBF 300 h; coverage is conservative, never below."""
    counts = np.random.default_rng(11).poisson(1000 / 300, 4000)
    bound = {int(r): mtbf(1000, int(r), 0.9).lower_h for r in np.unique(counts)}
    covered = float(np.mean([bound[int(r)] <= 300 for r in counts]))
    assert 0.89 < covered < 0.97


def test_hours_of_a_serial_number_add_up_over_runs() -> None:
    services = [
        ServiceHours(serial="b", run="r1", hours=100, failed=False),
        ServiceHours(serial="a", run="r1", hours=50, failed=True),
        ServiceHours(serial="b", run="r2", hours=30, failed=False),
    ]
    assert lives(services) == [
        Life(serial="a", hours=50, failed=True),
        Life(serial="b", hours=130, failed=False),
    ]


def test_a_unit_that_failed_and_serves_on_is_another_life() -> None:
    services = [
        ServiceHours(serial="a", run="r1", hours=50, failed=True),
        ServiceHours(serial="a", run="r2", hours=10, failed=False),
    ]
    with pytest.raises(UsageError, match=r"unit a failed in run r1 and has hours in run r2 after that.*a/2"):
        lives(services)


@pytest.mark.parametrize(
    ("unit_h", "failures", "confidence"), [(0, 0, 0.9), (float("nan"), 0, 0.9), (10, -1, 0.9), (10, 0, 1.0)]
)
def test_impossible_numbers_are_refused(unit_h: float, failures: int, confidence: float) -> None:
    with pytest.raises(UsageError, match="expected"):
        mtbf(unit_h, failures, confidence)


def test_every_number_says_what_it_does_not_say() -> None:
    for words in (
        mtbf(1000, 0).does_not_cover,
        needed_hours(1000).does_not_cover,
        success_run(0.9).does_not_cover,
        risks(1000, 1, 2000, 1000).does_not_cover,
    ):
        assert len(words) > 40
    assert "63 %" in mtbf(1000, 0).does_not_cover
    assert "no failure" in mtbf(1000, 0).statement
