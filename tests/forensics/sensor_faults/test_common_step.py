"""Several channels of one instrument that step in one scan."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from rig.forensics.fault_rule import SensorFault
from rig.forensics.sensor_faults.common_step import COMMON_STEP
from rig.forensics.sensor_faults.temperature_step import IMPOSSIBLE
from tests.forensics.rooms import NO_VALUE
from tests.forensics.sensor_faults.faulty_rooms import at_s, degrees, looked_at, restless


def jolted(*jumps_s: float | None, units: Sequence[str] = ("A1", "A2", "A3", "A4")) -> list[SensorFault]:
    """Temperatures of one scanner, each of which jumps by 40 K at its moment, read once in 2 s."""
    rows: dict[str, np.ndarray] = {}
    for k, moment in enumerate(jumps_s):
        row = restless(300, level=60 + k)
        if moment is not None:
            row = row + np.where(np.arange(300) * 2.0 >= moment, 40.0, 0.0)
        rows[f"{units[k]}.t{k}"] = row
    return looked_at([degrees(name) for name in rows], rows, poll_s=2.0)


def test_three_channels_of_two_units_that_jump_in_one_scan_are_one_fault_of_the_instrument() -> None:
    [found] = jolted(400, 400, 400, None)
    assert (found.fault_type, found.subject) == (COMMON_STEP, "scanner")
    assert found.channels == ("A1.t0", "A2.t1", "A3.t2")
    assert at_s(found) == (400, 598)
    assert len(found.evidence) == 3


def test_two_channels_that_jump_together_are_two_sensors() -> None:
    assert [fault.fault_type for fault in jolted(400, 400, None, None)] == [IMPOSSIBLE] * 2


def test_within_a_scan_and_a_half_is_together() -> None:
    assert [fault.fault_type for fault in jolted(400, 402, 402)] == [COMMON_STEP]
    assert [fault.fault_type for fault in jolted(400, 404, 404)] == [IMPOSSIBLE] * 3


def test_a_channel_that_jumped_before_is_a_sensor_of_its_own() -> None:
    alone, together = jolted(200, 400, 400, 400)
    assert (alone.fault_type, alone.subject) == (IMPOSSIBLE, "A1.t0")
    assert (together.fault_type, together.channels) == (COMMON_STEP, ("A2.t1", "A3.t2", "A4.t3"))


def test_channels_of_one_unit_jolt_only_where_they_are_all_the_instrument_reads() -> None:
    one = ("A1", "A1", "A1", "A1")
    assert [fault.fault_type for fault in jolted(400, 400, 400, None, units=one)] == [IMPOSSIBLE] * 3
    assert [fault.fault_type for fault in jolted(400, 400, 400, units=one)] == [COMMON_STEP]


def together(row: np.ndarray, status: Sequence[int] | None = None) -> list[SensorFault]:
    """Temperatures of three units, of one scanner, that all read the same and fail in the same way."""
    names = ("A1.t", "A2.t", "A3.t")
    return looked_at(
        [degrees(name) for name in names],
        dict.fromkeys(names, row),
        dict.fromkeys(names, status) if status is not None else None,
    )


@pytest.mark.parametrize(
    ("row", "status"),
    [
        pytest.param(restless(300), [0] * 200 + [NO_VALUE] * 100, id="open"),
        pytest.param(np.concatenate([restless(200), np.full(100, 80.25)]), None, id="stuck"),
        pytest.param(np.concatenate([restless(200), np.full(100, 1372.0)]), None, id="full scale"),
    ],
)
def test_channels_that_open_or_stand_still_in_one_scan_are_one_fault_too(
    row: np.ndarray, status: Sequence[int] | None
) -> None:
    [found] = together(row, status)
    assert (found.fault_type, found.subject) == (COMMON_STEP, "scanner")
    assert found.channels == ("A1.t", "A2.t", "A3.t")
    assert at_s(found) == (200, 299)
