"""The readings around a crossing, turned so that positive means out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rig.domain.model import Limit
from rig.domain.uncertainty import MeasurementModel
from rig.forensics.channel_readings import readings
from rig.forensics.local import CALM, REACH, Local, around
from tests.forensics.rooms import START_NS, channel, high, low, series


def local(values: list[float], limit: Limit, inside: int, outside: int, *, status: list[int] | None = None,
          h_s: float | list[float] = 0.05, **more: Any) -> Local:  # fmt: skip
    c = channel("A1.x", **more)
    s = series("A1.x", np.arange(len(values)) * 2.0, values, status=status, h_s=h_s)
    return around(readings(c, s), limit, inside, outside, MeasurementModel(c, {}).bounds())


def test_out_is_positive_on_either_side_of_a_limit() -> None:
    above = local([10, 11, 15, 16], high(12.5), 1, 2)
    below = local([10, 9, 5, 4], low(7.5), 1, 2)
    for found in (above, below):
        assert found.z.tolist() == [-2.5, -1.5, 2.5, 3.5]
        assert found.t.tolist() == [-4.0, -2.0, 0.0, 2.0]
        assert found.base_ns == START_NS + 4_000_000_000
        assert (found.last_inside, found.first_outside) == (1, 2)


def test_readings_without_a_good_value_are_left_out() -> None:
    found = local([10, 99, 11, 99, 15, 99, 16], high(12.5), 2, 4, status=[0, 5, 0, 5, 0, 5, 0])
    assert found.z.tolist() == [-2.5, -1.5, 2.5, 3.5]
    assert found.t.tolist() == [-8.0, -4.0, 0.0, 4.0]
    assert (found.last_inside, found.first_outside) == (1, 2)


def test_an_averaged_reading_is_dated_to_the_middle_of_its_window_and_known_to_half_of_it() -> None:
    found = local([10, 11, 15, 16], high(12.5), 1, 2, averaging_s=1.0)
    assert found.t.tolist() == [-4.5, -2.5, -0.5, 1.5]
    assert found.h == pytest.approx(0.55)
    assert found.stamp_s == pytest.approx(0.05)


def test_the_widest_stamp_within_four_readings_of_the_crossing_counts() -> None:
    widths = [0.01] * 20
    values = [10.0] * 10 + [15.0] * 10

    def stamp(at: int) -> float:
        return local(
            values, high(12.5), 9, 10, h_s=[0.3 if k == at else w for k, w in enumerate(widths)]
        ).stamp_s

    assert [stamp(at) for at in (5, 6, 14, 15)] == pytest.approx([0.01, 0.3, 0.3, 0.01])


def test_stamps_that_run_backwards_are_put_in_order_of_time() -> None:
    c = channel("A1.x")
    s = series("A1.x", [0, 2, 1, 3, 4], [10, 10.5, 11, 15, 16])
    found = around(readings(c, s), high(12.5), 2, 3, MeasurementModel(c, {}).bounds())
    assert found.t.tolist() == [-3, -2, -1, 0, 1]
    assert found.z.tolist() == [-2.5, -1.5, -2.0, 2.5, 3.5]
    assert (found.last_inside, found.first_outside) == (1, 3)


def test_no_more_than_4096_readings_on_either_side_are_looked_at() -> None:
    values = [10.0] * 5000 + [15.0] * 5000
    found = local(values, high(12.5), 4999, 5000)
    assert (len(found.z), found.first_outside) == (8192, 4096)
    assert found.first_outside == REACH


def test_the_noise_is_that_of_the_240_readings_before_the_crossing() -> None:
    rng = np.random.default_rng(1)
    loud, calm = rng.normal(10, 1.0, 500), rng.normal(10, 0.01, 240)
    found = local([*loud, *calm, *rng.normal(90, 5.0, 500)], high(50), 739, 740)
    assert found.noise.sigma == pytest.approx(0.01, rel=0.25)
    shorter = local([*loud, *calm[:200], *rng.normal(90, 5.0, 500)], high(50), 699, 700)
    assert shorter.noise.sigma > found.noise.sigma * 1.1
    assert CALM == 240


@pytest.mark.parametrize(("before", "loud"), [(11, True), (12, False)])
def test_with_fewer_than_twelve_readings_before_the_noise_is_taken_from_those_at_hand(
    before: int, loud: bool
) -> None:
    rng = np.random.default_rng(2)
    calm = 10 + 0.001 * np.resize([0, 1, 0.3, 0.7, 0.1], before)
    found = local([*calm, *rng.normal(90, 1.0, 300)], high(50), before - 1, before)
    assert bool(found.noise.sigma > 0.1) is loud
