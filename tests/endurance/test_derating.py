"""Derating lines, the rule of the trade, and V*V/R."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from rig.domain.formula import Formula
from rig.endurance.derating import TRADE_FACTOR, Part, PartLoad, part_load
from rig.endurance.held_readings import HeldReadings
from rig.errors import UsageError
from tests.endurance.rooms import Room, at, channel, series


def part(
    rating_w: float = 1.0, rated_c: float = 70.0, zero_c: float = 155.0, factor: float = TRADE_FACTOR
) -> Part:
    return Part(
        name="R14",
        rating_w=rating_w,
        rated_c=rated_c,
        zero_c=zero_c,
        power="{unit}.p",
        temperature="{unit}.t",
        factor=factor,
    )


def looked_at(
    power: Sequence[float], temp: Sequence[float], one: Part, first_s: float = 0.0
) -> PartLoad | None:
    room = Room(
        channels=[channel("A1.p", uom="W"), channel("A1.t", uom="degC")],
        data={
            "A1.p": series("A1.p", np.arange(len(power)) + first_s, power),
            "A1.t": series("A1.t", np.arange(len(temp)), temp),
        },
    )
    readings = HeldReadings(room)
    return part_load(readings, one, readings.installations()[0])


def loaded(power: Sequence[float], temp: Sequence[float], one: Part | None = None) -> PartLoad:
    got = looked_at(power, temp, one or part())
    assert got is not None
    return got


def test_the_derating_line_is_flat_then_falls_to_zero() -> None:
    """A film resistor of 1 W at 70 degC, zero at 155 degC (common data-sheet corner): half at 112.5 degC."""
    got = [part().allowed_w(t) for t in (-20, 25, 70, 112.5, 155, 200)]
    assert got == pytest.approx([1, 1, 1, 0.5, 0, 0])


def test_a_transistor_s_line_goes_through_its_two_points() -> None:
    """150 W at a case of 25 degC, zero at 150 degC: 0.833 K/W, so 50 K / 0.833 K/W at 100 degC."""
    power_device = part(rating_w=150.0, rated_c=25.0, zero_c=150.0)
    assert power_device.allowed_w(100) == pytest.approx(60.0)


def test_a_part_that_dissipates_half_a_watt_is_specified_for_one() -> None:
    """Common practice, no source."""
    half = loaded([0.5] * 10, [60.0] * 10)
    assert half.rule_kept
    more = loaded([0.51] * 10, [60.0] * 10)
    assert not more.rule_kept
    assert more.within_rating
    assert loaded([0.51] * 10, [60.0] * 10, part(factor=1.5)).rule_kept


def test_the_worst_moment_is_that_of_power_against_the_heat_of_that_moment() -> None:
    """The most power comes while cold; the worst share comes later with less power and more heat."""
    got = loaded([0.9, 0.9, 0.6, 0.6, 0.6], [60.0, 60.0, 70.0, 112.5, 80.0])
    assert (got.t_ns, got.power_w) == (at(3), 0.6)
    assert got.allowed_w == pytest.approx(0.5)
    assert got.share == pytest.approx(1.2)
    assert not got.within_rating
    assert got.over_s == pytest.approx(1.0)
    assert got.peak_w == 0.9


def test_beyond_the_end_of_the_line_nothing_is_allowed() -> None:
    got = loaded([0.1, 0.1], [160.0, 160.0])
    assert got.share == float("inf")
    assert loaded([0.0, 0.0], [160.0, 160.0]).share == 0


def test_without_a_common_reading_there_is_no_answer() -> None:
    assert looked_at([0.5] * 5, [60.0] * 5, part(), first_s=100.0) is None


def test_an_impossible_corner_is_refused_by_its_name() -> None:
    with pytest.raises(UsageError, match=r"part R14.*zero at a higher temperature"):
        part(zero_c=60.0)


@pytest.mark.parametrize(
    ("volts", "ohm", "watts"), [(28.2843, 8, 100), (40.0, 16, 100), (2.8284, 8, 1), (10, 8, 12.5)]
)
def test_v_squared_by_r(volts: float, ohm: float, watts: float) -> None:
    """P = V^2/R through the rig file's own formulas; 12.5 W is the eighth of 100 W of IEC 62368-1 annex E."""
    watt = Formula("volts**2 / ohm").evaluate({"volts": volts, "ohm": ohm})
    assert watt is not None
    assert loaded([watt] * 3, [25.0] * 3).peak_w == pytest.approx(watts, rel=1e-4)
