"""An input that its own instrument reports as open or out of range."""

from __future__ import annotations

import pytest

from rig.domain.model import Status
from rig.forensics.sensor_faults.open_sensor import OPEN
from tests.forensics.rooms import NO_REPLY, NO_VALUE
from tests.forensics.sensor_faults.faulty_rooms import LOST, at_s, of_one, restless


@pytest.mark.parametrize("word", [Status.OVER, Status.UNDER, Status.NO_VALUE, Status.SUSPECT])
def test_five_readings_in_a_row_without_a_sane_value_are_a_sensor_fault_and_four_are_not(
    word: Status,
) -> None:
    def status(bad: int) -> list[int]:
        return [0] * 50 + [int(word)] * bad + [0] * 20

    assert of_one(restless(74), status(4)) is None
    found = of_one(restless(75), status(5))
    assert found is not None
    assert (found.fault_type, found.subject, found.channels) == (OPEN, "A1.t", ("A1.t",))
    assert at_s(found) == (50, 54)
    [said] = found.evidence
    assert said.t_ns == found.from_ns
    assert said.text.startswith(f"5 readings with status '{word.name.replace('_', ' ').lower()}'")
    assert said.text.endswith(f"; last good reading {restless(50)[-1]:.6g} degC")


@pytest.mark.parametrize("word", [Status.NO_REPLY, Status.BAD_REPLY, Status.LOST, Status.REFUSED])
def test_readings_that_failed_otherwise_neither_count_nor_break_the_row(word: Status) -> None:
    between = [0] * 50 + [NO_VALUE, NO_VALUE, int(word), int(word), NO_VALUE] + [0] * 20
    assert of_one(restless(75), between) is None  # three of them say so
    longer = [0] * 50 + [NO_VALUE] * 3 + [int(word)] * 4 + [NO_VALUE] * 2 + [0] * 20
    found = of_one(restless(79), longer)
    assert found is not None
    assert at_s(found) == (50, 58)
    assert found.evidence[0].text.startswith("5 readings")
    only = [0] * 50 + [int(word)] * 10 + [0] * 20
    assert of_one(restless(80), only) is None


@pytest.mark.parametrize("row", [[NO_VALUE, LOST, *[NO_VALUE] * 4], [*[NO_VALUE] * 4, LOST, NO_VALUE]])
def test_one_bad_value_at_either_end_of_a_failed_reading_belongs_to_the_row(row: list[int]) -> None:
    found = of_one(restless(76), [0] * 50 + row + [0] * 20)
    assert found is not None
    assert at_s(found) == (50, 55)


def test_a_failed_reading_before_the_first_or_after_the_last_bad_value_is_not_part_of_it() -> None:
    status = [0] * 49 + [NO_REPLY] + [NO_VALUE] * 5 + [NO_REPLY] + [0] * 20
    found = of_one(restless(76), status)
    assert found is not None
    assert at_s(found) == (50, 54)


def test_good_readings_break_the_row() -> None:
    status = [0] * 50 + [NO_VALUE] * 4 + [0] + [NO_VALUE] * 4 + [0] * 20
    assert of_one(restless(79), status) is None


def test_the_longest_row_is_told() -> None:
    status = [0] * 50 + [NO_VALUE] * 6 + [0] * 5 + [NO_VALUE] * 8 + [0] * 5 + [NO_VALUE] * 7 + [0] * 5
    found = of_one(restless(len(status)), status)
    assert found is not None
    assert at_s(found) == (61, 68)


def test_a_channel_that_never_had_a_sensor_did_not_lose_one() -> None:
    assert of_one(restless(60), [NO_VALUE] * 60) is None
    assert of_one(restless(80), [NO_VALUE] * 60 + [0] * 20) is None
