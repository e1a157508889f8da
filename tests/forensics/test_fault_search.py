"""What is looked at for sensor faults, and in which order they are told."""

from __future__ import annotations

import numpy as np

from rig.domain.model import Channel, ChannelKind
from tests.forensics.sensor_faults.faulty_rooms import degrees, looked_at, restless


def test_channels_without_readings_or_without_an_instrument_are_passed_over() -> None:
    derived = Channel(
        name="A1.d", unit="A1", unit_of_measure="degC", kind=ChannelKind.RESPONSE, formula="A1.t * 1"
    )
    jump = np.concatenate([restless(200), restless(100, level=140)])
    rows = {"A1.d": jump, "A2.t": np.array([])}
    assert looked_at([derived, degrees("A2.t", instrument="none")], rows) == []


def test_faults_are_told_oldest_first() -> None:
    rows = {
        f"A{k}.t": restless(300, level=60 + k) + np.where(np.arange(300) >= at, 40.0, 0.0)
        for k, at in ((1, 250), (2, 150))
    }
    found = looked_at([degrees(name) for name in rows], rows)
    assert [fault.subject for fault in found] == ["A2.t", "A1.t"]
