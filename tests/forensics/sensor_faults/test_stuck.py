"""A reading that stands still."""

from __future__ import annotations

import numpy as np
import pytest

from rig.forensics.sensor_faults.stuck import STUCK
from tests.forensics.rooms import NO_REPLY
from tests.forensics.sensor_faults.faulty_rooms import at_s, of_one, restless


def repeating(repeats: int, differences: int, held: int) -> np.ndarray:
    """Readings of which so many of so many differences are zero, never two in a row, then one held value."""
    steps = np.ones(differences)
    steps[1 : 2 * repeats : 2] = 0
    up = np.cumsum(steps[:-1] > 0) % 2
    past = 100.0 + np.concatenate([[0.0], np.where(up > 0, 1.0, 0.0)])
    last = 101.0 if past[-1] == 100.0 else 100.0
    return np.concatenate([past, np.full(held, last)])


@pytest.mark.parametrize(("repeats", "stuck"), [(352, True), (356, False)])
def test_standing_still_by_a_chance_of_one_in_a_thousand_million_is_stuck(repeats: int, stuck: bool) -> None:
    # Laplace's rule of succession puts the chance of one repeat at (352 + 1) / (998 + 2); twenty in a row
    # have 0.353 ** 20 = 0.90e-9, and 0.357 ** 20 = 1.13e-9
    values = repeating(repeats, 998, 21)
    steps = np.diff(values)
    assert int(np.count_nonzero(steps[:998] == 0)) == repeats
    assert not steps[998:].any()
    found = of_one(values, unit_of_measure="V")
    assert (found is not None) is stuck
    if found is not None:
        assert found.fault_type is STUCK
        assert at_s(found) == (998, 1018)
        assert found.evidence[0].text.startswith(
            f"21 readings of exactly {values[-1]:.6g} V; repeats before: 35%"
        )


def test_ten_readings_that_move_and_ten_that_do_not_are_the_least_that_show_it() -> None:
    assert of_one(np.concatenate([restless(10), np.full(10, 80.25)])) is not None


def test_failed_readings_do_not_help_to_ten() -> None:
    values = np.concatenate([restless(200), np.full(12, 80.25)])
    assert of_one(values, [0] * 205 + [NO_REPLY] * 3 + [0] * 4) is None
    assert of_one(values, [0] * 205 + [NO_REPLY] * 2 + [0] * 5) is not None


@pytest.mark.parametrize(("held", "stuck"), [(9, False), (10, True)])
def test_fewer_than_ten_equal_readings_are_never_stuck(held: int, stuck: bool) -> None:
    found = of_one(np.concatenate([restless(200), np.full(held, 80.25)]))
    assert (found is not None) is stuck


@pytest.mark.parametrize(("past", "stuck"), [(9, False), (10, True)])
def test_fewer_than_ten_readings_before_say_nothing_of_what_is_usual(past: int, stuck: bool) -> None:
    values = np.concatenate([restless(past), np.full(40, 80.25)])
    assert (of_one(values) is not None) is stuck


@pytest.mark.parametrize(("held", "stuck"), [(23, False), (24, True)])
def test_a_value_must_stand_eight_times_as_long_as_it_ever_did(held: int, stuck: bool) -> None:
    past = restless(400)
    past[100:103] = past[100]  # two repeats in a row
    assert (of_one(np.concatenate([past, np.full(held, 80.25)])) is not None) is stuck


def test_a_value_that_moved_again_is_not_stuck() -> None:
    assert of_one(np.concatenate([restless(200), np.full(60, 80.25), restless(5)])) is None


def test_failed_readings_while_a_value_stands_still_change_nothing() -> None:
    values = np.concatenate([restless(200), np.full(40, 80.25)])
    status = [0] * 240
    for k in (210, 211, 239):
        status[k] = NO_REPLY
    found = of_one(values, status)
    assert found is not None
    assert (found.fault_type, at_s(found)) == (STUCK, (200, 238))
    assert found.evidence[0].text.startswith("37 readings of exactly ")


@pytest.mark.parametrize(("share", "stuck"), [(0.055, True), (0.045, False), (0.0, False)])
def test_a_value_near_nothing_is_a_dead_channel_and_not_a_stuck_one(share: float, stuck: bool) -> None:
    # a channel that sinks to where it then stands, so that it does not jump there
    moving = 0.05 * np.resize([0, 1, 3, 2], 700)
    past = (
        np.concatenate([np.full(600, 100.0), np.linspace(100, 100 * share, 40), np.full(60, 100 * share)])
        + moving
    )
    found = of_one(np.concatenate([past, np.full(60, 100 * share)]), unit_of_measure="V")
    assert (found is not None) is stuck


@pytest.mark.parametrize(("jump", "stuck"), [(3.0, True), (5.5, False)])
def test_a_dead_channel_jumps_first_by_more_than_six_times_its_noise(jump: float, stuck: bool) -> None:
    # white noise of 0.7: six of them are 4.2
    past = 100 + np.random.default_rng(6).normal(0, 0.7, 2000)
    held = float(np.median(past[-40:])) + jump
    found = of_one(np.concatenate([past, np.full(40, held)]), unit_of_measure="V")
    assert (found is not None) is stuck
