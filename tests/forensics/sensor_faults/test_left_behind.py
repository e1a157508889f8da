"""A calm reading that stands still while the same channel of other units moves."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from rig.forensics.fault_rule import SensorFault
from rig.forensics.sensor_faults.stuck import STUCK
from tests.forensics.rooms import NO_REPLY
from tests.forensics.sensor_faults.faulty_rooms import at_s, degrees, looked_at, of_one


def left_behind(
    moved: float, held: int = 200, grain: float = 1.0, own: Sequence[int] = (), other: Sequence[int] = ()
) -> SensorFault | None:
    """Three like displays in steps of ``grain``; all moved, then one stood still while the others went on.

    own, other: which of the readings after that failed, of the first channel and of the others.
    """
    calm = 80.0 + grain * np.repeat([0.0, 1.0, 2.0, 1.0, 0.0, 1.0, 2.0, 1.0, 0.0, 1.0], 20)
    still = np.concatenate([calm, np.full(held, 80.0)])
    like = still.copy()
    like[200 + held // 2 :] += moved * grain
    rows = {"A1.v": still, "A2.v": like + grain, "A3.v": like + 2 * grain}
    status = {name: [0] * (200 + held) for name in rows}
    for name, row in status.items():
        for k in own if name == "A1.v" else other:
            row[200 + k] = NO_REPLY
    found = looked_at([degrees(name, unit_of_measure="V", instrument=name) for name in rows], rows, status)
    assert {fault.subject for fault in found} <= {"A1.v"}
    return found[0] if found else None


@pytest.mark.parametrize(("moved", "stuck"), [(7.0, False), (9.0, True)])
def test_like_channels_must_move_by_eight_display_steps(moved: float, stuck: bool) -> None:
    found = left_behind(moved)
    assert (found is not None) is stuck
    if found is not None:
        assert (found.fault_type, at_s(found)) == (STUCK, (200, 399))
        assert found.evidence[0].text == (
            "200 readings of exactly 80 V, while the same channel on the other units changed by 9 or more"
        )


@pytest.mark.parametrize(("moved", "stuck"), [(7.0, False), (9.0, True)])
@pytest.mark.parametrize("grain", [0.25, 4.0])
def test_the_display_step_is_that_of_the_channels(moved: float, stuck: bool, grain: float) -> None:
    assert (left_behind(moved, grain=grain) is not None) is stuck


def test_readings_that_failed_show_neither_that_one_stood_still_nor_that_others_moved() -> None:
    assert left_behind(60.0, held=12) is not None
    assert left_behind(60.0, held=12, own=(3, 4, 5)) is None
    assert left_behind(60.0, held=20) is not None
    assert left_behind(60.0, held=20, other=range(11)) is None
    assert left_behind(60.0, held=20, other=range(9)) is not None


@pytest.mark.parametrize(("held", "stuck"), [(9, False), (10, True)])
def test_nine_still_readings_are_not_left_behind(held: int, stuck: bool) -> None:
    assert (left_behind(60.0, held=held) is not None) is stuck


def test_a_channel_without_its_like_is_not_left_behind() -> None:
    assert of_one(np.concatenate([np.repeat([80.0, 81.0, 82.0, 81.0], 50), np.full(200, 80.0)])) is None


def test_one_like_channel_that_stood_as_still_is_enough_to_believe_it() -> None:
    still = np.concatenate([80.0 + np.repeat([0.0, 1.0, 2.0, 1.0], 50), np.full(200, 80.0)])
    moved = still.copy()
    moved[300:] += 20
    rows = {"A1.v": still, "A2.v": moved + 1, "A3.v": still + 2}
    assert looked_at([degrees(name, unit_of_measure="V", instrument=name) for name in rows], rows) == []


@pytest.mark.parametrize(("level", "stuck"), [(5.5, True), (4.5, False)])
def test_a_calm_value_near_nothing_is_dead_and_not_left_behind(level: float, stuck: bool) -> None:
    past = 100.0 + np.repeat([0.0, 1.0, 2.0, 1.0], 50)
    own = np.concatenate([past, np.full(100, level)])
    other = np.concatenate([past, np.full(50, 100.0), np.full(50, 120.0)])
    rows = {"A1.v": own, "A2.v": other}
    found = looked_at([degrees(name, unit_of_measure="V", instrument=name) for name in rows], rows)
    assert [fault.fault_type for fault in found] == ([STUCK] if stuck else [])


@pytest.mark.parametrize(("past", "stuck"), [(19, False), (20, True)])
def test_fewer_than_twenty_calm_readings_before_show_no_movement(past: int, stuck: bool) -> None:
    calm = 80.0 + np.resize(np.repeat([0.0, 1.0, 2.0, 1.0], 3), past)
    calm[-1] = 82.0
    own = np.concatenate([calm, np.full(40, 80.0)])
    other = np.concatenate([calm, np.full(20, 80.0), np.full(20, 100.0)])
    rows = {"A1.v": own, "A2.v": other}
    found = looked_at([degrees(name, unit_of_measure="V", instrument=name) for name in rows], rows)
    assert [fault.fault_type for fault in found] == ([STUCK] if stuck else [])
