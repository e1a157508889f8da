"""Acceleration factors against published examples."""

from __future__ import annotations

import pytest

from rig.endurance.acceleration import arrhenius, equivalent_h, power_law
from rig.errors import UsageError


@pytest.mark.parametrize(("energy", "factor"), [(0.5, 133), (1.0, 17_597)])
def test_the_handbook_s_arrhenius(energy: float, factor: float) -> None:
    """NIST/SEMATECH e-Handbook 8.1.5.1: 25 to 125 degC with its 1/k = 11605 and 273.16."""
    got = arrhenius(energy, 25, 125, boltzmann=1 / 11605, zero_k=273.16).factor
    assert got == pytest.approx(factor, rel=3e-3 if energy < 1 else 3e-4)


@pytest.mark.parametrize(
    ("energy", "use", "test", "factor", "tolerance"),
    [
        # textbook example on a public validation page
        (0.323, 35, 70, 3.46, 0.005),
        # operating life practice for semiconductors, often printed as 78
        (0.7, 55, 125, 77.6, 0.1),
    ],
)
def test_published_factors(energy: float, use: float, test: float, factor: float, tolerance: float) -> None:
    assert arrhenius(energy, use, test).factor == pytest.approx(factor, abs=tolerance)


def test_the_factor_and_what_it_rests_on_stand_together() -> None:
    got = arrhenius(0.7, 55, 125, half_width_ev=0.1)
    assert got.low == pytest.approx(arrhenius(0.6, 55, 125).factor)
    assert got.high == pytest.approx(arrhenius(0.8, 55, 125).factor)
    assert any("0.7 eV +- 0.1 eV" in one for one in got.assumptions)
    assert any("no range stated" in one for one in arrhenius(0.7, 55, 125).assumptions)


def test_no_stress_more_than_in_use_accelerates_nothing() -> None:
    assert arrhenius(0.7, 40, 40).factor == 1
    assert power_law(230, 230, 7).factor == 1
    assert arrhenius(0.7, 60, 40, half_width_ev=0.1).low < arrhenius(0.7, 60, 40).factor < 1


def test_factors_multiply_and_so_do_their_assumptions() -> None:
    both = arrhenius(0.5, 25, 60).times(power_law(230, 253, 7, what="mains voltage"))
    assert both.factor == pytest.approx(arrhenius(0.5, 25, 60).factor * 1.1**7)
    assert "the stresses act independently of each other" in both.assumptions


def test_hours_at_bands_add_up_to_hours_of_use() -> None:
    got = equivalent_h([(10, 40), (5, 60), (0, 99)], lambda c: arrhenius(0.5, 40, c).factor)
    assert got == pytest.approx(10 + 5 * arrhenius(0.5, 40, 60).factor)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(UsageError, match=r"above -273\.15 degC"):
        arrhenius(0.5, -300, 25)
    with pytest.raises(UsageError, match="larger than 0"):
        power_law(0, 10, 2)
