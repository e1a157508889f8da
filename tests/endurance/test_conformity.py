"""Uncertainty and decisions against JCGM 100, JCGM 106 and ILAC-G8."""

from __future__ import annotations

import pytest

from rig.endurance.conformity import (
    LimitDecision,
    combined,
    conformity,
    decide,
    of_channel,
    rectangular,
    resolution,
)
from rig.errors import UsageError
from tests.endurance.rooms import channel, limit


def test_standard_uncertainties_of_known_shapes() -> None:
    """JCGM 100:2008 4.3.7 and 4.4.5 (96..104 degC: 2.3), 4.3.9, F.2.2.1; a laboratory guide (7..10: 0.87)."""
    assert rectangular(4) == pytest.approx(2.3094, abs=5e-5)
    assert rectangular(1.5) == pytest.approx(0.87, abs=5e-3)
    assert resolution(0.1) == pytest.approx(0.0289, abs=5e-5)


def test_independent_parts_combine_as_the_root_of_squares() -> None:
    """JCGM 100:2008 H.1.3.2: 5.8, 3.9 and 6.7 nm give 9.7 nm."""
    assert combined([5.8, 3.9, 6.7]) == pytest.approx(9.682, abs=5e-4)


def test_a_channel_is_as_uncertain_as_the_rig_file_says() -> None:
    assert of_channel(channel("t", accuracy=4.0, resolution=0.1)) == pytest.approx(
        combined([2.3094, 0.0289]), abs=5e-5
    )
    assert of_channel(channel("t")) == 0.0


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
