"""Search for sensor and instrument faults, by the rules of ``rig.forensics.sensor_faults``."""

from __future__ import annotations

from collections.abc import Iterable

from rig.forensics.analysis_data import AnalysisData
from rig.forensics.fault_rule import SensorFault
from rig.forensics.rules import channel_rules, instrument_rules
from rig.forensics.track import ChannelTrack


def find_faults(data: AnalysisData, names: Iterable[str]) -> list[SensorFault]:
    """Return the sensor and instrument faults of these channels, oldest first."""
    faults: list[SensorFault] = []
    for name in names:
        track = data.track(name)
        if not len(track) or track.channel.source is None:
            continue
        fault = _of_channel(data, track)
        if fault is not None:
            faults.append(fault)
    for rule in instrument_rules():
        faults = rule.look(data, faults)
    return sorted(faults, key=lambda fault: (fault.from_ns, fault.subject))


def _of_channel(data: AnalysisData, track: ChannelTrack) -> SensorFault | None:
    for rule in channel_rules():
        fault = rule.look(data, track)
        if fault is not None:
            return fault
    return None
