"""Hours of use by the temperature that was really there."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rig.domain.model import Status
from rig.endurance.ageing import InUseAt
from rig.endurance.run_account import account
from rig.errors import UsageError
from tests.endurance.test_run_account import room

AT_55 = InUseAt(activation_ev=0.7, use_c=55, quantity="heat", half_width_ev=0.1)


def arrhenius_of(activation_ev: float, use_c: float, test_c: float) -> float:
    """NIST/SEMATECH e-Handbook 8.1.5.1, with Boltzmann's constant of CODATA 2018."""
    return math.exp(activation_ev / 8.617333262e-5 * (1 / (use_c + 273.15) - 1 / (test_c + 273.15)))


def test_an_hour_at_a_constant_temperature_is_worth_the_factor() -> None:
    (got,) = account(room(A1_heat=125.0), use=AT_55).use
    # operating life practice for semiconductors: 0.7 eV, 55 to 125 degC: 77.6 (often printed as 78)
    assert got.use_h / got.hours == pytest.approx(77.6, abs=0.1)
    assert got.hours == pytest.approx(1.0, rel=1e-3)
    assert got.least_h / got.hours == pytest.approx(arrhenius_of(0.6, 55, 125))
    assert got.most_h / got.hours == pytest.approx(arrhenius_of(0.8, 55, 125))


def test_hours_at_many_temperatures_add_up_reading_by_reading() -> None:
    heat = 70 + 30 * np.sin(np.arange(3600) / 200)
    (got,) = account(room(A1_heat=heat), use=InUseAt(activation_ev=1.0, use_c=40, quantity="heat")).use
    exact = sum(arrhenius_of(1.0, 40, one) for one in heat) / 3600
    assert got.use_h == pytest.approx(exact, rel=0.006)
    assert (got.low_c, got.high_c) == (heat.min(), heat.max())
    assert got.least_h == got.use_h == got.most_h


def test_below_the_temperature_of_use_an_hour_is_worth_less() -> None:
    (got,) = account(room(A1_heat=40.0), use=AT_55).use
    assert got.least_h < got.use_h < got.most_h < got.hours


def test_only_good_readings_count_and_a_full_name_may_be_given() -> None:
    status = np.where(np.arange(3600) < 1800, Status.GOOD, Status.NO_REPLY)
    (got,) = account(room(statuses={"A1.heat": status}), use=AT_55).use
    assert got.hours == pytest.approx(0.5, rel=1e-3)
    (got,) = account(room(), use=InUseAt(activation_ev=0.7, use_c=40, quantity="air")).use
    assert got.channel == "air"
    assert got.use_h == pytest.approx(got.hours)
    assert account(room(statuses={"A1.heat": np.full(3600, Status.NO_REPLY)}), use=AT_55).use == ()


def test_what_is_no_temperature_is_refused() -> None:
    with pytest.raises(UsageError, match=r"A1\.p is in W; hours of use need a channel in degC"):
        account(room(), use=InUseAt(activation_ev=0.7, use_c=55, quantity="p"))
    with pytest.raises(UsageError, match="no channel named fan"):
        account(room(), use=InUseAt(activation_ev=0.7, use_c=55, quantity="fan"))
    with pytest.raises(UsageError, match=r"above -273\.15 degC"):
        account(room(), use=InUseAt(activation_ev=0.7, use_c=-300, quantity="heat"))


def test_it_is_said_what_the_hours_rest_on() -> None:
    (got,) = account(room(), use=AT_55).use
    assert any("0.7 eV +- 0.1 eV" in one for one in got.assumptions)
    assert any("in this run at what A1.heat shows" in one for one in got.assumptions)
    assert "does not drive" in got.does_not_cover
