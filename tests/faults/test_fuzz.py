"""A share of the long fuzzing run: whatever comes, the readers give something sound or refuse it."""

from __future__ import annotations

import pytest

from tests.faults.fuzz import SLOW_S, Tally, fuzz
from tests.faults.fuzz_readers import READERS


def assert_nothing_broken(tally: Tally) -> None:
    assert tally.shown == []
    assert tally.broken == 0
    assert tally.taken > 0
    assert tally.refused > 0


@pytest.mark.parametrize("reader", sorted(READERS))
def test_damaged_inputs_are_taken_soundly_or_refused(reader: str) -> None:
    assert_nothing_broken(fuzz(reader, 60, seed=1))


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize(
    ("reader", "inputs"),
    [("replies", 200_000), ("rig-files", 5_000), ("journals", 100_000), ("tables", 3000)],
)
def test_many_damaged_inputs_are_taken_soundly_or_refused_in_time(reader: str, inputs: int) -> None:
    tally = fuzz(reader, inputs, seed=2)
    print(tally.line())
    assert_nothing_broken(tally)
    assert tally.slow == 0, f"over {SLOW_S} s: {tally.slowest}"
