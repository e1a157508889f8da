"""Scatter, display step and what lies beyond doubt, on readings whose noise was put in by the test."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pytest

from rig.forensics.noise import Noise, display_step, of


def white(sigma: float, count: int = 20_000, seed: int = 3) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sigma, count)


def sawtooth(count: int) -> np.ndarray:
    """0, 1, 0, 1, ...: all second differences are 2."""
    return np.arange(count) % 2 * 1.0


@pytest.mark.parametrize("sigma", [0.5, 0.02])
def test_the_noise_put_in_comes_out_whatever_slow_course_it_rides_on(sigma: float) -> None:
    slow = 60 + 0.001 * sigma * np.arange(20_000)
    found = of(slow + white(sigma), 0.0)
    assert found.sigma == pytest.approx(sigma, rel=0.04)
    assert found.step == 0.0


def test_single_wild_readings_do_not_count_as_noise() -> None:
    values = white(0.5)
    values[::200] += 1000.0
    assert of(values, 0.0).sigma == pytest.approx(0.5, rel=0.06)


@pytest.mark.parametrize("share", [0.3, 0.4])
def test_on_a_coarse_display_noise_and_rounding_add_as_variances(share: float) -> None:
    # GUM (JCGM 100:2008) 4.3.7 for the rounding, 5.1.2 for the sum of variances
    step = 0.1
    shown = step * np.round(white(share, 100_000) + 0.001 * np.arange(100_000))  # all parts of a step
    assert of(shown, step).sigma == pytest.approx(step * np.hypot(share, 1 / np.sqrt(12)), rel=0.04)


def test_the_noise_of_a_display_does_not_depend_on_where_its_point_stands() -> None:
    counts = np.round(white(0.4, 100_000) + 0.001 * np.arange(100_000))
    assert of(0.1 * counts, 0.1).sigma == pytest.approx(0.1 * of(counts, 1.0).sigma, rel=1e-9)


def test_the_largest_fiftieth_of_the_steps_of_a_coarse_display_is_left_out() -> None:
    step = 0.1
    shown = np.round(white(0.3 * step) / step) * step
    calm = of(shown, step).sigma
    shown[::400] += 50.0  # three second differences each: 0.75 % of all
    assert of(shown, step).sigma == pytest.approx(calm, rel=0.1)
    shown[::100] += 50.0  # 3 %
    assert of(shown, step).sigma > 5 * calm


def test_a_silent_display_is_uncertain_by_its_own_step() -> None:
    still = of(np.full(100, 7.0), 0.1)
    assert still.sigma == pytest.approx(0.0288675, rel=1e-4)  # GUM 4.3.7: 0.1 / sqrt(12)
    assert still.smooth


@pytest.mark.parametrize(("share", "smooth"), [(0.30, True), (0.37, True), (0.45, False), (0.50, False)])
def test_noise_of_two_fifths_of_a_step_blurs_the_display(share: float, smooth: bool) -> None:
    shown = np.round(white(share, 100_000) + 0.001 * np.arange(100_000))
    assert of(shown, 1.0).smooth is smooth


def test_fewer_than_six_second_differences_are_not_averaged() -> None:
    # 0 1 0 1 ...: second differences of 2. Of seven readings the plain size stands; of eight the estimate
    # 1.4826 * 2 / sqrt(6) = 1.2105 (1.4826: the normal quantile table, 1 / 0.67449)
    assert of(sawtooth(7), 0.0).sigma == pytest.approx(2.0)
    assert of(sawtooth(8), 0.0).sigma == pytest.approx(1.2105, abs=1e-4)
    assert of(sawtooth(7), 0.0).degrees == 5


def test_two_readings_say_nothing_but_the_step() -> None:
    found = of(np.array([1.0, 5.0]), 0.12)
    assert (found.degrees, found.step) == (0, 0.12)
    assert found.sigma == pytest.approx(0.12 / np.sqrt(12))


@pytest.mark.parametrize(("bend", "smooth"), [(0.9, True), (1.1, False)])
def test_a_few_readings_are_smooth_while_they_move_by_less_than_half_a_step(
    bend: float, smooth: bool
) -> None:
    values = np.array([0.0, 0.0, bend / 2])
    assert of(values, 1.0).smooth is smooth


def test_three_overlapping_second_differences_count_as_one() -> None:
    assert of(white(1.0, 302), 0.0).degrees == 101


def test_beyond_doubt_is_three_in_a_hundred_thousand_and_half_a_step() -> None:
    # Normal tables: P(z > 4) = 3.17e-5
    still = Noise(sigma=2.0, step=1.0, degrees=10, smooth=False)
    chance = 1 - NormalDist(0.0, 2.0).cdf(still.margin - 0.5)
    assert chance == pytest.approx(3.17e-5, rel=0.01)


def test_a_display_step_is_seen_in_the_values() -> None:
    rng = np.random.default_rng(1)
    assert display_step(np.asarray(rng.integers(0, 9, 300) * 0.25, dtype=np.float64)) == pytest.approx(0.25)
    assert display_step(rng.normal(0, 1, 300)) == 0.0


def test_two_values_are_no_display_step_and_three_are() -> None:
    assert display_step(np.array([1.0, 2.0] * 20)) == 0.0
    assert display_step(np.array([1.0, 2.0, 3.0] * 20)) == 1.0


@pytest.mark.parametrize(("distinct", "step"), [(69, 1.0), (71, 0.0)])
def test_where_nearly_every_value_is_another_one_no_step_is_seen(distinct: int, step: float) -> None:
    values = np.concatenate([np.arange(distinct), np.zeros(100 - distinct)])
    assert display_step(values) == step


@pytest.mark.parametrize(("off", "step"), [(0.048, 1.0), (0.053, 0.0), (-0.048, 1.0), (-0.053, 0.0)])
def test_values_a_twentieth_off_the_grid_are_on_no_grid(off: float, step: float) -> None:
    assert display_step(np.array([0.0, 1.0, 3.0 + off] * 20)) == step


def test_only_the_latest_two_thousand_values_show_the_step() -> None:
    old = np.random.default_rng(2).normal(0, 1, 500)
    coarse = np.tile([0.0, 1.0, 2.0], 700)
    assert display_step(np.concatenate([old, coarse[:2000]])) == 1.0
    assert display_step(np.concatenate([old, coarse[:1990]])) == 0.0


def test_digits_at_the_end_of_the_arithmetic_are_no_display() -> None:
    tiny = np.spacing(1e3)
    assert display_step(np.array([1e3, 1e3 + tiny, 2e3] * 20)) == 0.0


def test_an_even_ramp_shows_steps_that_what_follows_does_not_keep() -> None:
    # each value twice, so that the ramp itself looks like a display of 0.5
    ramp = np.repeat(np.arange(0, 50, 0.5), 2)
    assert of(ramp, 0.0).step == 0.5
    later = np.random.default_rng(4).normal(50, 1, 60)
    assert of(ramp, 0.0, later).step == 0.0
    assert of(ramp, 0.2, later).step == 0.2


@pytest.mark.parametrize(("bend", "smooth"), [(0.49, True), (0.5, False)])
def test_a_few_readings_that_bend_by_less_than_half_a_display_step_are_smooth(
    bend: float, smooth: bool
) -> None:
    assert of(np.array([0.0, 0.0, bend]), 1.0).smooth is smooth
