"""Rainflow counting against the standard's worked example and an independent package."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
import rainflow as independent
from hypothesis import given
from hypothesis import strategies as st

from rig.endurance.cycles import CycleTable, Rainflow, rainflow

histories = st.lists(st.integers(-6, 6), max_size=40)


def test_the_worked_example_of_the_standard() -> None:
    """ASTM E1049-85, 5.4.4 and figure 6 (from memory; the package ``rainflow`` 3.2.0 gives the same)."""
    history = [-2, 1, -3, 5, -1, 3, -4, 4, -2]
    expected = {3.0: 0.5, 4.0: 1.5, 6.0: 0.5, 8.0: 1.0, 9.0: 0.5}
    assert by_range(rainflow(history)) == expected
    assert dict(independent.count_cycles(history)) == expected


@given(histories)
def test_counts_are_those_of_an_independent_package(history: list[int]) -> None:
    """Package ``rainflow`` 3.2.0; it leaves out histories of a single swing, which are half a cycle."""
    moves = np.sign(np.diff(history))
    moves = moves[moves != 0]
    if np.count_nonzero(np.diff(moves)) == 0:
        return
    assert by_range(rainflow(history)) == pytest.approx(dict(independent.count_cycles(history)))


def test_means_are_the_middles_of_the_swings() -> None:
    history = [-2, 1, -3, 5, -1, 3, -4, 4, -2]
    ours = sorted((r, m, c) for r, m, c in zip(*columns(rainflow(history)), strict=True))
    theirs = sorted((r, m, c) for r, m, c, _, _ in independent.extract_cycles(history))
    assert ours == theirs


@given(histories, st.integers(1, 7))
def test_the_count_does_not_depend_on_how_the_history_arrives(history: list[int], size: int) -> None:
    counter = Rainflow()
    for start in range(0, len(history), size):
        counter.feed(np.array(history[start : start + size], float))
        counter.table()
    assert by_range(counter.table()) == by_range(rainflow(history))


@given(histories)
def test_leaving_out_small_swings_leaves_the_others_as_they_are(history: list[int]) -> None:
    whole, cut = rainflow(history), rainflow(history, 3.0)
    assert by_range(cut) == {r: c for r, c in by_range(whole).items() if r >= 3.0}
    assert cut.total + cut.dropped == whole.total


@pytest.mark.parametrize("history", [[], [1.0], [1.0, 1.0, 1.0], [float("nan")] * 3])
def test_a_history_without_a_swing_has_no_cycles(history: list[float]) -> None:
    assert rainflow(history).total == 0


def test_a_single_swing_is_half_a_cycle() -> None:
    assert by_range(rainflow([20, 80])) == {60.0: 0.5}
    assert by_range(rainflow([20, 80, 20])) == {60.0: 1.0}


def test_missing_values_are_passed_over() -> None:
    assert by_range(rainflow([0, 5, float("nan"), 3, float("nan"), 8, 0])) == {2.0: 1.0, 8.0: 1.0}


def test_the_histogram_holds_every_cycle_within_its_edges() -> None:
    table = rainflow([-2, 1, -3, 5, -1, 3, -4, 4, -2])
    assert table.histogram([0, 4, 8, 10]).tolist() == [0.5, 2.0, 1.5]


def by_range(table: CycleTable) -> dict[float, float]:
    """Return the count of each distinct range."""
    counts: Counter[float] = Counter()
    for size, count in zip(table.range.tolist(), table.count.tolist(), strict=True):
        counts[size] += count
    return dict(counts)


def columns(table: CycleTable) -> tuple[list[float], list[float], list[float]]:
    return table.range.tolist(), table.mean.tolist(), table.count.tolist()
