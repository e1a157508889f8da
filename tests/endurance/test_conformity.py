"""Decisions under uncertainty against JCGM 106 and ILAC-G8."""

from __future__ import annotations

import pytest

from rig.endurance.conformity import LimitDecision, conformity, decide
from rig.errors import UsageError
from tests.endurance.rooms import limit


def test_probability_of_conformity_between_two_limits() -> None:
    """JCGM 106:2012 7.4: measured 13.6, u 1.8, limits 12.5 to 16.3 (result computed)."""
    got = conformity(13.6, 1.8, low=12.5, high=16.3)
    assert (got.inside, got.below, got.above) == pytest.approx((0.6626, 0.2706, 0.0668), abs=5e-5)


@pytest.mark.parametrize(
    ("value", "above"), [(78, 0.02275), (79, 0.15866), (80, 0.5), (81, 0.84134), (82, 0.97725)]
)
def test_specific_risk_at_an_upper_limit(value: float, above: float) -> None:
    """Normal model of JCGM 106:2012 7.3: limit 80, U = 2 with k = 2 (computed)."""
    assert conformity(value, 1.0, high=80).above == pytest.approx(above, abs=1e-5)


def test_coverage_of_the_normal_distribution() -> None:
    """JCGM 100:2008 annex G: k = 1, 1.96, 2, 3."""
    got = [conformity(0, 1, low=-k, high=k).inside for k in (1, 1.96, 2, 3)]
    assert got == pytest.approx([0.6827, 0.9500, 0.9545, 0.9973], abs=5e-5)


def test_a_guard_band_of_the_expanded_uncertainty_accepts_2_3_percent_falsely_at_worst() -> None:
    """ILAC-G8:09/2019 4.2, JCGM 106: w = 2u gives 2.275 %; w = 1.645u gives 5 %."""
    assert conformity(85 - 2, 1.0, high=85).above == pytest.approx(0.02275, abs=1e-5)
    assert conformity(85 - 1.645, 1.0, high=85).above == pytest.approx(0.05, abs=1e-4)


@pytest.mark.parametrize(
    ("value", "answer"),
    [
        (82.9, LimitDecision.PASS),
        (83.0, LimitDecision.PASS),
        (84, LimitDecision.CONDITIONAL_PASS),
        (85, LimitDecision.CONDITIONAL_PASS),
        (86, LimitDecision.CONDITIONAL_FAIL),
        (87.1, LimitDecision.FAIL),
    ],
)
def test_the_four_answers(value: float, answer: LimitDecision) -> None:
    """ILAC-G8:09/2019 4.2.3 (rule): limit 85, w = 2; mirrored for a low limit."""
    assert decide(value, limit("high", 85), 2) is answer
    assert decide(-value, limit("low", -85), 2) is answer


def test_without_a_guard_band_there_are_two_answers() -> None:
    assert decide(85.0, limit("high", 85)) is LimitDecision.PASS
    assert decide(85.01, limit("high", 85)) is LimitDecision.FAIL


def test_without_uncertainty_the_probability_is_all_or_nothing() -> None:
    assert conformity(85, 0, high=85).inside == 1
    assert conformity(85.1, 0, high=85).inside == 0
    with pytest.raises(UsageError, match="expected a number from 0"):
        conformity(1, -1)
