"""A stimulus that left its limits no later than the first response."""

from __future__ import annotations

import numpy as np
import pytest

from rig.domain.model import Series
from rig.forensics import analyse
from rig.forensics.answer import PostMortem, Role
from tests.forensics.bench_room import AT, Bench, T, after, main, rising
from tests.forensics.rooms import Room, series


def test_mains_out_before_the_first_response_is_the_rig() -> None:
    b = Bench()
    b.values["mains"] = b.values["mains"] + np.where(after(), 40.0, 0.0)
    b.values["A1.out"] = np.where(after(AT + 20), 0.0, b.values["A1.out"])
    answer = b.analyse()
    assert main(answer) == (Role.RIG, "mains")
    assert answer.order.tiers == (("mains",), ("A1.out",))


def test_a_signal_lost_with_the_output_in_the_same_poll_is_the_rig_with_doubt() -> None:
    b = Bench()
    for name in ("A1.signal", "A1.out"):
        b.values[name] = np.where(after(), 0.0, b.values[name])
    answer = b.analyse()
    assert main(answer) == (Role.RIG, "A1.signal")
    assert answer.main is not None
    assert answer.main.weight < 0.95
    assert "P = " in answer.main.text


def poll(name: str, late_s: float, row: np.ndarray) -> Series:
    return series(name, T + late_s, row)


def mains_and_output(late_s: float) -> PostMortem:
    """Both step between two readings; mains is read ``late_s`` after the output, once a second."""
    b = Bench()
    rows = {**b.values, "mains": b.values["mains"] + np.where(after(), 40.0, 0.0)}
    rows["A1.out"] = np.where(after(), 0.0, b.values["A1.out"])
    data = {name: poll(name, late_s if name == "mains" else 0.0, row) for name, row in rows.items()}
    return analyse(Room(channels=b.channels(), data=data), "A1")


@pytest.mark.parametrize(("late_s", "role"), [(0.66, Role.RIG), (0.71, Role.UNIT)])
def test_a_stimulus_counts_as_first_from_a_chance_of_one_in_twenty_on(late_s: float, role: Role) -> None:
    # two rectangles of 1 s, one d later: P = (1 - d)^2 / 2, which is 0.058 and 0.042
    assert main(mains_and_output(late_s))[0] is role


@pytest.mark.parametrize("late_s", [0.0, 0.3, 0.5])
def test_the_weight_of_a_stimulus_that_may_have_been_second_is_half_and_half_its_chance(
    late_s: float,
) -> None:
    answer = mains_and_output(late_s)
    assert answer.main is not None
    chance = (1 - late_s) ** 2 / 2
    assert answer.main.weight == pytest.approx(0.5 + chance / 2, abs=0.005)
    assert f"(P = {chance:.2f})" in answer.main.text


def test_a_stimulus_first_for_certain_is_all_but_certain_the_cause() -> None:
    b = Bench()
    b.values["mains"] = b.values["mains"] + np.where(after(), 40.0, 0.0)
    b.values["A1.out"] = np.where(after(AT + 20), 0.0, b.values["A1.out"])
    found = b.analyse("A1").main
    assert found is not None
    assert found.weight == 0.97
    assert "before any response" in found.text
    assert found.channels == ("mains", "A1.out")
    assert [e.subject for e in found.evidence[:2]] == ["mains", "A1.out"]


def test_a_response_that_had_departed_before_the_stimulus_takes_three_tenths_off() -> None:
    b = Bench()
    rising(b, 400, 0.05)  # out at 700 s
    b.values["mains"] = b.values["mains"] + np.where(after(650), 40.0, 0.0)
    found = b.analyse("A1").main
    assert found is not None
    assert (found.role, found.subject) == (Role.RIG, "mains")
    assert found.weight == pytest.approx(0.97 - 0.3)
    assert any(e.text == "onset before the stimulus left its limit" for e in found.evidence)
