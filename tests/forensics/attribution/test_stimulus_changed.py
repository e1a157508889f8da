"""A stimulus that changed greatly within its limits."""

from __future__ import annotations

import numpy as np
import pytest

from rig.forensics.answer import Role
from tests.forensics.bench_room import AT, Bench, after, main, rising


@pytest.mark.parametrize(("volts", "role"), [(17.0, Role.RIG), (9.0, Role.UNIT)])
def test_a_stimulus_that_changed_by_far_inside_its_limits_is_the_rig(volts: float, role: Role) -> None:
    b = Bench()
    b.values["mains"] = b.values["mains"] + np.where(after(), volts, 0.0)
    b.values["A1.out"] = np.where(after(AT + 2), 0.0, b.values["A1.out"])
    answer = b.analyse("A1")
    assert answer.main is not None
    assert answer.main.role is role
    if role is Role.RIG:
        assert (answer.main.subject, answer.main.weight) == ("mains", 0.8)
        assert answer.main.channels == ("mains", "A1.out")
        assert "within its limits" in answer.main.text


def test_a_change_of_another_units_signal_is_not_done_to_this_one() -> None:
    b = Bench()
    b.values["A2.signal"] = np.where(after(), 2.0, b.values["A2.signal"])
    b.values["A1.out"] = np.where(after(AT + 2), 0.0, b.values["A1.out"])
    assert main(b.analyse("A1")) == (Role.UNIT, "A1")
    b.values["A1.signal"] = np.where(after(), 2.0, b.values["A1.signal"])
    assert main(b.analyse("A1")) == (Role.RIG, "A1.signal")


def test_a_stimulus_that_changed_after_a_response_had_departed_is_not_its_cause() -> None:
    b = Bench()
    rising(b, 400, 0.05)
    b.values["mains"] = b.values["mains"] + np.where(after(690), 17.0, 0.0)
    assert main(b.analyse("A1")) == (Role.UNIT, "A1")


def test_a_stimulus_that_changed_certainly_after_the_response_is_not_its_cause() -> None:
    b = Bench()
    b.values["mains"] = b.values["mains"] + np.where(after(AT + 2), 17.0, 0.0)
    b.values["A1.out"] = np.where(after(), 0.0, b.values["A1.out"])
    assert main(b.analyse("A1")) == (Role.UNIT, "A1")
