"""Every true crossing, at the instant at which a straight line meets the limit."""

import math

import numpy as np

from rig.simulator.crossing_ledger import Crossing, CrossingLedger

STEP_NS = 10_000_000


def walked(
    values: list[float], *, high: float = math.nan, low: float = math.nan, band: float = 0.0
) -> list[Crossing]:
    ledger = CrossingLedger(["x"], high=np.array([high]), low=np.array([low]), band=np.array([band]))
    rows = [np.array([value]) for value in values]
    ledger.begin(rows[0], 0)
    for place in range(1, len(rows)):
        ledger.watch(rows[place - 1], rows[place], (place - 1) * STEP_NS, place * STEP_NS)
    return ledger.crossings


def test_a_crossing_lies_where_the_line_meets_the_limit() -> None:
    (crossing,) = walked([0.0, 4.0, 8.0], high=5.0)
    assert crossing.out_ns == STEP_NS + STEP_NS // 4
    assert (crossing.side, crossing.back_ns, crossing.before) == ("high", None, False)


def test_a_low_limit_is_crossed_downwards() -> None:
    (crossing,) = walked([8.0, 4.0, 0.0], low=1.0)
    assert (crossing.side, crossing.out_ns) == ("low", STEP_NS + STEP_NS * 3 // 4)


def test_a_value_equal_to_the_limit_is_not_out() -> None:
    assert walked([0.0, 5.0, 5.0, 4.0], high=5.0) == []


def test_it_is_back_only_when_the_deadband_is_crossed() -> None:
    (crossing,) = walked([4.0, 6.0, 4.5, 6.0, 3.0], high=5.0, band=1.0)
    assert crossing.back_ns == 3 * STEP_NS + round(STEP_NS * 2 / 3)


def test_each_excursion_is_a_crossing_of_its_own() -> None:
    assert len(walked([0.0, 6.0, 0.0, 6.0, 0.0], high=5.0, band=1.0)) == 2


def test_what_is_out_from_the_start_says_so() -> None:
    (crossing,) = walked([9.0, 9.0], high=5.0)
    assert crossing.before


def test_a_jump_from_one_side_to_the_other_is_two_crossings() -> None:
    crossings = walked([0.0, 9.0, -9.0], high=5.0, low=-5.0)
    assert [crossing.side for crossing in crossings] == ["high", "low"]
    assert crossings[0].back_ns is not None
    assert crossings[0].back_ns < crossings[1].out_ns
