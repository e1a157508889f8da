"""Thermal resistance on a ladder with known values; winding temperature against published examples."""

from __future__ import annotations

import numpy as np
import pytest

from rig.endurance.heat import HeatStage, resistance, winding_c, winding_rise_k, winding_uncertainty_k
from rig.endurance.held_readings import HeldReadings
from rig.errors import UsageError
from tests.endurance.rooms import Room, channel, series

STAGE = HeatStage(name="heatsink to air", hot="{unit}.heat", cold="air", power="{unit}.p", window_s=300)


def room(t: np.ndarray, heat: np.ndarray, power: np.ndarray, **facts: float) -> HeldReadings:
    return HeldReadings(
        Room(
            channels=[
                channel("A1.heat", uom="degC", **facts),
                channel("air", uom="degC"),
                channel("A1.p", uom="W"),
            ],
            data={
                "A1.heat": series("A1.heat", t, heat),
                "air": series("air", t, 30.0),
                "A1.p": series("A1.p", t, power),
            },
        )
    )


def test_ten_watts_through_three_kelvin_per_watt_are_thirty_kelvin() -> None:
    """Heat rise = P x Rth in steady state (formula); the warm-up with tau 300 s must not count."""
    t = np.arange(0, 7200.0, 2)
    noise = np.random.default_rng(4).normal(0, 0.2, len(t))
    readings = room(t, 60 - 30 * np.exp(-t / 300) + noise, np.full(len(t), 10.0))
    got = resistance(readings, STAGE, readings.installations()[0])
    assert got is not None
    assert got.k_per_w == pytest.approx(3.0, abs=0.02)
    assert got.rise_k == pytest.approx(30, abs=0.2)
    assert got.windows < got.of_all
    assert abs(got.k_per_w - 3.0) < 4 * got.standard_uncertainty + 0.01


def test_a_pulsed_drive_counts_with_its_mean_power() -> None:
    """55 s on, 5 s off: 12 W for 11/12 of the time are 11 W."""
    t = np.arange(0, 3600.0)
    power = np.where(t % 60 < 55, 12.0, 0.0)
    readings = room(t, np.full(len(t), 30 + 11 * 3.0), power)
    got = resistance(readings, STAGE, readings.installations()[0])
    assert got is not None
    assert got.power_w == pytest.approx(11.0, rel=1e-6)
    assert got.k_per_w == pytest.approx(3.0, rel=1e-6)


def test_without_a_steady_window_there_is_no_resistance() -> None:
    t = np.arange(0, 3600.0)
    readings = room(t, 30 + t / 100, np.full(len(t), 10.0))
    assert resistance(readings, STAGE, readings.installations()[0]) is None


def test_without_power_there_is_no_resistance() -> None:
    t = np.arange(0, 3600.0)
    readings = room(t, np.full(len(t), 30.0), np.zeros(len(t)))
    assert resistance(readings, STAGE, readings.installations()[0]) is None


def test_sensor_accuracy_is_part_of_the_uncertainty() -> None:
    t = np.arange(0, 3600.0)
    readings = room(t, np.full(len(t), 60.0), np.full(len(t), 10.0), accuracy=1.0)
    got = resistance(readings, STAGE, readings.installations()[0])
    assert got is not None
    assert got.standard_uncertainty == pytest.approx(0.57735 / 10, abs=1e-5)


@pytest.mark.parametrize(
    ("cold", "t_cold", "hot", "zero", "expected"),
    [
        # public exercise: 80 ohm at 20 degC, 100 ohm hot, copper; the page rounds to 83.630
        (80, 20, 100, 234.5, 83.625),
        # T = (R/r)(k + t) - k as in a UL standard's text
        (10.0, 20, 12.0, 234.5, 70.90),
        (10.0, 20, 12.0, 225.0, 69.00),
    ],
)
def test_winding_temperature_by_resistance(
    cold: float, t_cold: float, hot: float, zero: float, expected: float
) -> None:
    assert winding_c(cold, t_cold, hot, zero) == pytest.approx(expected, abs=5e-3)


@pytest.mark.parametrize(
    ("cold", "hot", "ambient", "rise"),
    [(1.0, 1.3, 25, 71.35), (10.0, 12.0, 25, 45.90), (80, 100, 20, 63.625)],
)
def test_winding_rise_when_the_ambient_has_moved(
    cold: float, hot: float, ambient: float, rise: float
) -> None:
    """dt = (R2-R1)/R1 (k + t1) - (t2 - t1), t1 = 20 degC (IEC form, from memory; computed)."""
    assert winding_rise_k(cold, 20, hot, ambient) == pytest.approx(rise, abs=5e-3)


def test_uncertainty_of_the_winding_is_that_of_many_throws() -> None:
    """Against a Monte Carlo calculation (JCGM 101) with a fixed seed."""
    rng = np.random.default_rng(6)
    cold, hot = (
        10 * (1 + 0.002 * rng.standard_normal(200_000)),
        12 * (1 + 0.003 * rng.standard_normal(200_000)),
    )
    temps = hot / cold * (234.5 + 20 + 0.5 * rng.standard_normal(200_000)) - 234.5
    got = winding_uncertainty_k(10, 20, 12, share_cold=0.002, share_hot=0.003, uncertainty_cold_k=0.5)
    assert got == pytest.approx(float(temps.std()), rel=0.01)


def test_a_winding_without_resistance_is_refused() -> None:
    with pytest.raises(UsageError, match="expected more than 0 ohm"):
        winding_c(0, 20, 10)
