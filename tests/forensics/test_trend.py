"""Curves through a crossing, where least squares has a closed answer."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rig.domain.uncertainty import MeasurementModel
from rig.forensics.guaranteed_bracket import guaranteed_bracket
from rig.forensics.local import Local
from rig.forensics.noise import Noise
from rig.forensics.trend import Curve, fit
from tests.forensics.rooms import channel


def line(
    z: np.ndarray, t: np.ndarray, sigma: float = 0.1, *, degrees: int = 80, step: float = 0.0, smooth: bool
    = False, **more: Any,
) -> Curve | None:  # fmt: skip
    first = int(np.argmax(z > 0))
    one = channel("A1.x", **more)
    local = Local(
        channel=one,
        bounds=MeasurementModel(one, {}).bounds(),
        base_ns=0,
        t=t,
        h=np.full(len(t), 0.01),
        z=z,
        last_inside=first - 1,
        first_outside=first,
        deadband=0.0,
        noise=Noise(sigma=sigma, step=step, degrees=degrees, smooth=smooth),
    )
    return fit(local, guaranteed_bracket(local))


T = np.arange(-100, 100) + 0.5


def textbook(sigma: float, t: np.ndarray, count: int, at: float) -> list[float]:
    """Standard errors at a moment of lines through so many neighbouring readings, wherever these lie.

    sigma sqrt(1/n + (x - mean)^2 / sum (x - mean)^2), any textbook of regression; GUM (JCGM 100:2008) H.3.
    """
    windows = [t[first : first + count] for first in range(len(t) - count + 1)]
    return [
        float(sigma * np.sqrt(1 / count + (at - w.mean()) ** 2 / np.sum((w - w.mean()) ** 2)))
        for w in windows
    ]


def test_a_straight_line_is_found_where_it_crosses_and_as_well_as_least_squares_knows_it() -> None:
    # Half as much again for having chosen the fit among many (common practice, no source).
    found = line(0.2 * T, T)
    assert found is not None
    assert found.degree == 1
    assert found.crossing_s == pytest.approx(0.0, abs=1e-9)
    assert min(abs(found.error - 1.5 * one) for one in textbook(0.1, T, found.readings, 0.0)) < 1e-9
    assert np.allclose(found.slope, 0.2)
    assert np.allclose(found.value, 0.2 * found.grid)
    assert found.readings > 60


def test_where_few_readings_follow_the_error_is_that_of_a_lines_end() -> None:
    t = np.arange(-100, 13) + 0.5
    found = line(0.2 * t, t)
    assert found is not None
    assert min(abs(found.error - 1.5 * one) for one in textbook(0.1, t, found.readings, 0.0)) < 1e-9
    assert found.error > 1.5 * 0.1 / np.sqrt(found.readings) * 1.05


@pytest.mark.parametrize("bend", [0.004, -0.004])
def test_a_parabola_is_no_line(bend: float) -> None:
    z = (
        0.2 * T
        + bend * T**2 * np.where(bend > 0, T > -25, T < 25)
        - np.where(bend > 0, 0.2 * np.minimum(T + 25, 0), 0.2 * np.maximum(T - 25, 0))
    )
    found = line(z, T, 0.01)
    assert found is not None
    assert found.degree >= 2
    assert found.crossing_s == pytest.approx(0.0, abs=0.02)


def test_a_cubic_crosses_where_it_does() -> None:
    t = np.arange(-20, 20) + 0.5
    found = line(0.3 * t + 0.01 * t**2 + 0.002 * t**3 + 0.05, t, 0.02)
    assert found is not None
    roots = np.roots([0.002, 0.01, 0.3, 0.05])
    [true] = [float(r.real) for r in roots if abs(r.imag) < 1e-9]
    assert found.crossing_s == pytest.approx(true, abs=0.01)


def test_a_step_is_no_curve() -> None:
    assert line(np.where(T > 0, 5.0, -5.0), T) is None
    rng = np.random.default_rng(1)
    assert line(np.where(T > 0, 1.0, -1.0) + rng.normal(0, 0.1, len(T)), T) is None


def test_a_step_on_top_of_a_line_is_no_curve() -> None:
    rng = np.random.default_rng(2)
    z = 0.02 * T + np.where(T > 0, 0.5, -0.5) + rng.normal(0, 0.1, len(T))
    assert line(z, T) is None


def test_readings_that_scatter_more_than_the_noise_carry_no_curve() -> None:
    rng = np.random.default_rng(3)
    z = 0.2 * T + rng.normal(0, 1.0, len(T))
    assert line(z, T, 1.0) is not None
    assert line(z, T, 0.4) is None


def test_too_few_readings_carry_no_curve() -> None:
    t = np.arange(-1, 2) + 0.5
    assert line(0.2 * t, t) is None


def test_behind_a_lagging_sensor_the_line_crosses_one_time_constant_earlier() -> None:
    # first-order lag on a ramp: the reading follows the quantity by exactly the time constant
    found = line(0.2 * T, T, 0.01, lag_s=5.0)
    assert found is not None
    assert found.crossing_s == pytest.approx(-5.0, abs=1e-6)
    # what the quantity was then is what the line says one time constant later
    assert min(abs(found.error - 1.5 * one) for one in textbook(0.01, T, found.readings, 0.0)) < 1e-9


def test_rounding_errors_of_neighbours_that_are_alike_do_not_average_out() -> None:
    # a display of 0.1 that climbs 0.02 a reading shows each value five times: five readings count as one
    rough = line(0.02 * T, T, 0.03, step=0.1, smooth=False)
    alike = line(0.02 * T, T, 0.03, step=0.1, smooth=True)
    assert rough is not None
    assert alike is not None
    assert alike.readings == rough.readings
    per_reading = 0.02 * (alike.readings - 1) / alike.readings
    assert alike.error / rough.error == pytest.approx(np.sqrt(0.1 / per_reading), rel=0.02)


def test_slow_waves_in_what_is_left_widen_the_error() -> None:
    rng = np.random.default_rng(5)
    noise = rng.normal(0, 0.1, len(T))
    calm = line(0.2 * T + noise, T)
    waves = line(0.2 * T + noise + 0.05 * np.sin(T / 2.5), T)
    assert calm is not None
    assert waves is not None
    assert waves.error * np.sqrt(waves.readings) > 1.1 * calm.error * np.sqrt(calm.readings)


def test_the_slope_of_a_curve_is_that_of_its_formula() -> None:
    # a parabola z = 0.5 t + 0.01 t^2 has the slope 0.5 + 0.02 t
    t = np.arange(-20, 20) + 0.5
    found = line(0.5 * t + 0.01 * t**2, t, 0.02)
    assert found is not None
    assert found.degree >= 2
    assert np.allclose(found.value, 0.5 * found.grid + 0.01 * found.grid**2, atol=1e-9)
    assert np.allclose(found.slope, 0.5 + 0.02 * found.grid, atol=1e-9)


def test_behind_a_lag_a_parabola_crosses_where_its_formula_does() -> None:
    # x = z + tau dz/dt = 0.5 t + 0.01 t^2 + 4 (0.5 + 0.02 t), zero at the larger root
    t = np.arange(-20, 20) + 0.5
    found = line(0.5 * t + 0.01 * t**2, t, 0.005, lag_s=4.0)
    assert found is not None
    roots = np.roots([0.01, 0.58, 2.0])
    assert found.crossing_s == pytest.approx(float(max(roots.real)), abs=0.01)


@pytest.mark.parametrize(("way", "size"), [(1.0, 0.5), (-1.0, 0.075)])
def test_a_step_either_way_on_top_of_a_line_is_no_curve(way: float, size: float) -> None:
    rng = np.random.default_rng(6)
    z = 0.2 * T + way * size * np.sign(T) + rng.normal(0, 0.01, len(T))
    assert line(z, T, 0.01) is None
    assert line(0.2 * T + rng.normal(0, 0.01, len(T)), T, 0.01) is not None


def test_readings_near_the_crossing_that_lie_off_the_line_refute_it() -> None:
    rng = np.random.default_rng(7)
    noise = rng.normal(0, 0.1, len(T))
    off = np.where(np.abs(T) < 4, 0.35, 0.0)  # eight readings by three and a half sigmas, the same way
    wide = line(0.2 * T + noise, T)
    assert wide is not None
    refuted = line(0.2 * T + noise + off, T)
    assert refuted is None or refuted.readings < wide.readings / 2


def test_readings_beyond_the_next_degree_refute_a_line() -> None:
    # a bend that adds three sigmas of its own along the window: no line, but a parabola
    t = np.arange(-32, 32) + 0.5
    found = line(0.5 * t + 0.0012 * t**2, t, 0.1)
    assert found is not None
    assert found.degree >= 2 or found.readings < len(t)


@pytest.mark.parametrize("lag", [0.0, 4.0])
def test_the_error_of_a_parabola_is_that_of_least_squares(lag: float) -> None:
    # variance w' (X'X)^-1 w sigma^2 of what is asked of a fit (any textbook of regression): here the curve
    # itself and a time constant's worth of its slope, w = (1, t + lag, t^2 + 2 lag t)
    t = np.arange(-20, 20) + 0.5
    found = line(0.5 * t + 0.01 * t**2, t, 0.005, lag_s=lag)
    assert found is not None
    assert found.degree == 2
    at = found.crossing_s
    asked = np.array([1.0, at + lag, at**2 + 2 * lag * at])
    errors = []
    for first in range(len(t) - found.readings + 1):
        powers = np.vander(t[first : first + found.readings], 3, increasing=True)
        spread = asked @ np.linalg.inv(powers.T @ powers) @ asked
        errors.append(1.5 * 0.005 * float(np.sqrt(spread)))
    assert min(abs(found.error - one) for one in errors) < 1e-6
