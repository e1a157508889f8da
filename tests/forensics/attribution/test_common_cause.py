"""The same channel of several units that changed together."""

from __future__ import annotations

import numpy as np
import pytest

from rig.forensics.answer import Role
from tests.forensics.bench_room import AT, Bench, T, after, main


def test_like_channels_that_move_together_are_a_common_cause() -> None:
    b = Bench()
    for unit in ("A1", "A2", "A3"):
        b.values[f"{unit}.sink"] = np.round(
            b.values[f"{unit}.sink"] + np.where(after(), 0.1 * (T - AT), 0), 1
        )
    answer = b.analyse("A1")
    assert main(answer)[0] is Role.COMMON
    assert {n.state for n in answer.neighbours if n.subject in {"A2", "A3"}} == {"out"}


@pytest.mark.parametrize(("share", "role"), [(0.45, Role.COMMON), (0.35, Role.UNIT)])
def test_like_channels_that_moved_by_two_fifths_make_it_a_common_cause(share: float, role: Role) -> None:
    b = Bench()
    b.values["A1.sink"] = b.values["A1.sink"] + np.where(after(), 20.0 * np.minimum((T - AT) / 60, 1), 0)
    for unit in ("A2", "A3"):
        b.values[f"{unit}.sink"] = b.values[f"{unit}.sink"] + np.where(
            after(), share * 20.0 * np.minimum((T - AT) / 60, 1), 0
        )
    answer = b.analyse("A1")
    assert answer.main is not None
    assert answer.main.role is role
    if role is Role.COMMON:
        assert answer.main.weight == 0.9
        assert answer.main.subject == "A1.sink"
        assert answer.main.channels == ("A1.sink", "A2.sink", "A3.sink")


def test_a_common_cause_names_the_stimulus_that_had_changed() -> None:
    b = Bench()
    for unit in ("A1", "A2", "A3"):
        b.values[f"{unit}.sink"] = b.values[f"{unit}.sink"] + np.where(after(), 0.1 * (T - AT), 0)
    b.values["air"] = b.values["air"] + np.where(after(), 4.0, 0.0)
    found = b.analyse("A1").main
    assert found is not None
    assert (found.role, found.subject) == (Role.COMMON, "air")
    assert "air changed before" in found.text
    assert [e.subject for e in found.evidence] == ["A1.sink", "A1.sink", "air"]
