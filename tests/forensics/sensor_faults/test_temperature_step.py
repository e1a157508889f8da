"""A temperature that moved faster than heat can."""

from __future__ import annotations

import numpy as np
import pytest

from rig.forensics.fault_rule import SensorFault
from rig.forensics.sensor_faults.temperature_step import FULL_SCALE, IMPOSSIBLE
from tests.forensics.sensor_faults.faulty_rooms import LOST, at_s, of_one, restless


def jumped(
    step: float, after: int = 60, settle: float = 0.0, small: float = 0.0, gap: int = 0
) -> SensorFault | None:
    """A temperature that jumps at 1200 s; ``small``: size of five steps before; ``gap``: lost readings."""
    past = 60 + 0.1 * np.resize([0, 1, 2, 1], 1200)
    for k in range(200, 1200, 200):
        past[k:] += small if k % 400 else -small
    late = past[-1] + step + 0.1 * np.resize([0, 1, 2, 1], after)
    late[1:] += settle
    status = [0] * 1200 + [0] * after
    values = np.concatenate([past, late])
    for k in range(gap):
        status[1199 - k] = LOST
    return of_one(values, status)


@pytest.mark.parametrize(("step", "faulty"), [(11.5, False), (12.6, True), (-11.5, False), (-12.6, True)])
def test_a_jump_of_twelve_kelvin_within_a_poll_was_not_heat(step: float, faulty: bool) -> None:
    found = jumped(step)
    assert (found is not None) is faulty
    if found is not None:
        assert found.fault_type is IMPOSSIBLE
        assert at_s(found) == (1200, 1259)
        assert "within one poll" in found.evidence[0].text


def test_what_is_no_temperature_may_jump() -> None:
    values = np.concatenate([restless(200), restless(60, level=140)])
    assert of_one(values, unit_of_measure="V") is None
    assert of_one(values) is not None


@pytest.mark.parametrize(("small", "faulty"), [(3.8, True), (4.2, False)])
def test_a_jump_must_be_six_times_what_was_usual(small: float, faulty: bool) -> None:
    assert (jumped(24.0, small=small) is not None) is faulty
    falls = 60 + 0.1 * np.resize([0, 1, 2, 1], 1200)
    for k in range(200, 1200, 200):
        falls[k:] -= small
    late = falls[-1] + 24 + 0.1 * np.resize([0, 1, 2, 1], 60)
    assert (of_one(np.concatenate([falls, late])) is not None) is faulty


@pytest.mark.parametrize(("stays", "faulty"), [(9, False), (11, True)])
def test_a_jump_stays_when_most_of_the_next_twenty_readings_do(stays: int, faulty: bool) -> None:
    past = 60 + 0.1 * np.resize([0, 1, 2, 1], 4000)
    back = np.linspace(75, 70, 60)  # by less than it had jumped, and not all the way
    values = np.concatenate([past, 90 + 0.1 * np.resize([0, 1, 2, 1], stays), back])
    assert (of_one(values) is not None) is faulty


@pytest.mark.parametrize(("swing", "faulty"), [(0.95, True), (1.05, False)])
def test_a_jump_must_be_twelve_times_the_noise(swing: float, faulty: bool) -> None:
    # four readings up and down by ``swing``: their scatter is taken as the second difference, twice that
    early = 60 + swing * np.array([0, 1, 0, 1.0])
    values = np.concatenate([early, 85 + 0.1 * np.resize([0, 1, 2, 1], 100)])
    values[4] = values[3] + 24.0
    values[5:] += values[4] - 85.0
    assert (of_one(values) is not None) is faulty


@pytest.mark.parametrize(("settle", "faulty"), [(4.5, True), (5.6, False), (-4.5, True), (-5.6, False)])
def test_after_the_jump_it_stays_within_a_quarter_of_it(settle: float, faulty: bool) -> None:
    assert (jumped(20.0, settle=settle) is not None) is faulty


@pytest.mark.parametrize(("after", "faulty"), [(4, False), (5, True)])
def test_fewer_than_five_readings_after_a_jump_do_not_show_that_it_stayed(after: int, faulty: bool) -> None:
    assert (jumped(30.0, after=after) is not None) is faulty


@pytest.mark.parametrize(("gap", "faulty"), [(9, True), (10, False)])
def test_over_more_than_ten_polls_a_temperature_may_have_moved_by_itself(gap: int, faulty: bool) -> None:
    assert (jumped(30.0, gap=gap) is not None) is faulty


@pytest.mark.parametrize(("before", "faulty"), [(2, False), (3, True)])
def test_a_jump_in_the_first_readings_has_nothing_to_jump_from(before: int, faulty: bool) -> None:
    values = np.concatenate(
        [60 + 0.1 * np.resize([0, 1, 2, 1], before), 100 + 0.1 * np.resize([0, 1, 2, 1], 60)]
    )
    assert (of_one(values) is not None) is faulty


def test_a_jump_onto_one_value_that_stays_is_the_end_of_the_range() -> None:
    values = np.concatenate([restless(300, swing=0.1), [1372.0] * 8])
    found = of_one(values)
    assert found is not None
    assert (found.fault_type, at_s(found)) == (FULL_SCALE, (300, 307))


@pytest.mark.parametrize(("count", "faulty"), [(19, False), (20, True)])
def test_fewer_than_twenty_readings_show_no_usual_pace(count: int, faulty: bool) -> None:
    values = np.concatenate(
        [60 + 0.1 * np.resize([0, 1, 2, 1], count - 8), 100 + 0.1 * np.resize([0, 1, 2, 1], 8)]
    )
    assert (of_one(values) is not None) is faulty
