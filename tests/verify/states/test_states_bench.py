"""A seeded share of the bench of operating states, judged with bounds that honest chance allows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from tests.verify.states import readings, rooms
from tests.verify.states.__main__ import run
from tests.verify.states.judge import DATED_POLLS, Judged
from tests.verify.states.steps import steps, within
from tests.verify.states.tables import false_claims, part, tables, tellable
from tests.verify.test_bench import at_least, at_most


def figures_hold(judged: Sequence[Judged]) -> None:
    """Judge the rooms that read all four signals, and that no other claims more than 'possible'."""
    whole = part(judged, ("all",))
    assert at_most(len(false_claims(whole)), sum(j.healthy for j in whole), 0.001)
    deaths = tellable(whole)
    assert at_least(sum(d.found for d in deaths), len(deaths), 0.99)
    found = [d for d in deaths if d.found]
    assert at_least(sum(d.off_polls <= DATED_POLLS for d in found), len(found), 0.95)
    assert all(d.certainty == "possible" for d in found if d.fuse and d.kind == "fuse")
    claims = [c for j in judged for c in j.claims]
    assert all(c.certainty == "possible" for c in claims if c.unnoted)
    errors = [e for j in whole for e, _ in j.steps]
    assert at_least(sum(e <= 1.0 for e in errors), len(errors), 0.98)
    assert at_most(sum(len(j.missed) for j in whole), len(errors), 0.01)


@pytest.mark.parametrize("count", [10, pytest.param(250, marks=pytest.mark.slow)])
@pytest.mark.timeout(900)
def test_some_simulated_rooms_are_told_as_well_as_required(count: int) -> None:
    judged = run(count, 11)
    figures_hold(judged)
    printed = tables(judged)
    assert "failures claimed of healthy units" in printed
    assert "hours unpowered" in printed


def test_the_same_seed_gives_the_same_room() -> None:
    one, two = (readings.record(rooms.make(5)).recording for _ in range(2))
    assert one.layout == two.layout
    assert list(one.happened) == list(two.happened)
    assert all(np.array_equal(one.data[n].value, two.data[n].value, equal_nan=True) for n in one.data)


def test_the_bench_averages_a_step_over_the_window_before_each_moment() -> None:
    drive = steps(0.0, [(10.0, 1.0)])
    assert drive.mean(np.array([9.0, 10.1, 10.2, 11.0]), 0.4) == pytest.approx([0.0, 0.25, 0.5, 1.0])


def test_the_bench_joins_intervals_that_touch_or_overlap() -> None:
    seen = within([(1.0, 3.0), (2.0, 4.0), (4.0, 5.0)])
    assert seen(np.array([0.5, 1.5, 3.5, 4.0, 4.5, 5.5])).tolist() == [0.0, 1.0, 1.0, 1.0, 1.0, 0.0]
