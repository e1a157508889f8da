"""Small rooms whose sensors or instruments are at fault, for the tests of the rules.

The thresholds of these rules are common practice without a source; what is tested is that each one stands
where the code says it does, and that a moment, a channel and the readings that show it are named.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from rig.domain.model import Channel, Status
from rig.forensics.analysis_data import AnalysisData
from rig.forensics.fault_rule import SensorFault
from rig.forensics.fault_search import find_faults
from tests.forensics.rooms import START_NS, Room, channel, series

S = 1_000_000_000
LOST = int(Status.LOST)
Values = Sequence[float] | np.ndarray


def degrees(name: str, **more: object) -> Channel:
    unit = name.split(".", maxsplit=1)[0] if "." in name else None
    settings: dict[str, object] = {"unit": unit, "unit_of_measure": "degC", "instrument": "scanner", **more}
    return channel(name, **settings)  # type: ignore[arg-type]


def looked_at(
    channels: Sequence[Channel],
    values: Mapping[str, Values],
    status: Mapping[str, Sequence[int]] | None = None,
    poll_s: float = 1.0,
) -> list[SensorFault]:
    data = {
        name: series(name, np.arange(len(row)) * poll_s, row, status=(status or {}).get(name))
        for name, row in values.items()
    }
    room = Room(channels=channels, data=data)
    return find_faults(AnalysisData(room, room.layout, room.span), list(values))


def of_one(values: Values, status: Sequence[int] | None = None, **more: object) -> SensorFault | None:
    """Look at one temperature, read once a second beside a steady voltage of the same instrument."""
    name = "A1.t"
    steady = np.resize([1.0, 1.1, 1.2, 1.05], len(values))
    channels = [degrees(name, **more), degrees("A1.v", unit_of_measure="V")]
    found = looked_at(
        channels, {name: values, "A1.v": steady}, {name: status} if status is not None else None
    )
    assert {fault.subject for fault in found} <= {name}
    assert len(found) <= 1
    return found[0] if found else None


def at_s(fault: SensorFault) -> tuple[float, float]:
    return (fault.from_ns - START_NS) / S, (fault.until_ns - START_NS) / S


def restless(count: int, level: float = 80.0, swing: float = 0.5) -> np.ndarray:
    """Readings none of which repeats the one before, of a display that shows steps of half a degree."""
    return level + swing * np.resize([0, 1, 2, 1, 3, 1, 2, 3, 0, 2], count)
