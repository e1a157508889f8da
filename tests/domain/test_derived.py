"""Derived channels: computed when all inputs are new, timed by the hull of their intervals."""

import math
from collections.abc import Mapping

from rig.domain.derived import DerivedChannels
from rig.domain.model import Scan, Status

BLOCKS = [("v",), ("i",), ("power",), ("energy_rate",)]


def product(values: Mapping[str, float]) -> float | None:
    return values["v"] * values["i"]


def doubled(values: Mapping[str, float]) -> float | None:
    return None if values["power"] > 100 else 2 * values["power"]


def channels() -> DerivedChannels:
    return DerivedChannels(BLOCKS, {"power": (("v", "i"), product), "energy_rate": (("power",), doubled)})


def scan(block: int, sent: int, received: int, value: float, status: Status = Status.GOOD) -> Scan:
    return Scan(block=block, sent_ns=sent, received_ns=received, values=(value,), statuses=bytes([status]))


def test_nothing_comes_until_every_input_has_a_reading() -> None:
    assert list(channels().feed(scan(0, 0, 10, 28.28))) == []


def test_power_of_a_hundred_watts_into_eight_ohm() -> None:
    """P = V I with 28.2843 V and 3.5355 A (100 W in 8 ohm, by P = V^2/R)."""
    derived = channels()
    list(derived.feed(scan(0, 0, 10, 28.2843)))
    results = list(derived.feed(scan(1, 20, 30, 3.53553)))
    assert [result.block for result in results] == [2, 3]
    assert abs(results[0].values[0] - 100.0) < 1e-3


def test_its_interval_is_the_hull_of_its_inputs() -> None:
    derived = channels()
    list(derived.feed(scan(0, 5, 10, 1.0)))
    (power, _) = derived.feed(scan(1, 20, 30, 1.0))
    assert (power.sent_ns, power.received_ns) == (5, 30)


def test_a_fresh_input_alone_does_not_compute_again_with_an_old_one() -> None:
    derived = channels()
    list(derived.feed(scan(0, 0, 1, 2.0)))
    list(derived.feed(scan(1, 2, 3, 2.0)))
    assert list(derived.feed(scan(0, 4, 5, 9.0))) == []
    (power, _) = derived.feed(scan(1, 6, 7, 3.0))
    assert power.values == (27.0,)


def test_an_input_without_a_number_gives_not_computed_all_the_way_up() -> None:
    derived = channels()
    list(derived.feed(scan(0, 0, 1, math.nan, Status.NO_REPLY)))
    results = list(derived.feed(scan(1, 2, 3, 2.0)))
    assert [result.statuses for result in results] == [bytes([Status.NOT_COMPUTED])] * 2
    assert all(math.isnan(result.values[0]) for result in results)


def test_a_suspect_input_makes_a_suspect_result() -> None:
    derived = channels()
    list(derived.feed(scan(0, 0, 1, 2.0, Status.SUSPECT)))
    (power, _) = derived.feed(scan(1, 2, 3, 2.0))
    assert power.statuses == bytes([Status.SUSPECT])


def test_a_formula_without_a_result_is_not_computed() -> None:
    derived = channels()
    list(derived.feed(scan(0, 0, 1, 20.0)))
    _, rate = derived.feed(scan(1, 2, 3, 20.0))
    assert rate.statuses == bytes([Status.NOT_COMPUTED])
