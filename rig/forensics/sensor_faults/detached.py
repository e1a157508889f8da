"""Rule: a temperature fell to the room's while its unit kept running."""

from __future__ import annotations

import numpy as np

from rig.domain.model import Channel, ChannelKind
from rig.forensics.analysis_data import AnalysisData, is_temperature, level_of, middle_of
from rig.forensics.channel_readings import Floats
from rig.forensics.fault_rule import ChannelRule, FaultType, SensorFault, fault_of
from rig.forensics.grids import grid
from rig.forensics.track import ChannelTrack

DETACHED = FaultType(
    name="detached",
    what="sensor detached",
    refutation="the sensor is found in place",
)


def _detached(data: AnalysisData, track: ChannelTrack) -> SensorFault | None:
    """Return the moment a temperature began to fall to the room's while its unit kept running."""
    channel = track.channel
    rooms = [
        c.name
        for c in data.layout.channels.values()
        if c.unit is None and c.kind is ChannelKind.STIMULUS and is_temperature(c) and c.name != channel.name
    ]
    if channel.unit is None or not is_temperature(channel) or not rooms:
        return None
    start, end = data.span_ns
    count = min(600, len(track) // 4)
    if count < 60:
        return None
    start, width, count = grid(start, end, count)
    own = data.means(channel.name, start, width, count)
    room = middle_of(np.array([data.means(r, start, width, count) for r in rooms]))
    begin = _left_for_good(own - room)
    if begin is None:
        return None
    witnesses = _unchanged(data, channel, begin, (start, width, count))
    if witnesses is None:
        return None
    text = (
        f"fell from {level_of(own[:begin]):.4g} to {level_of(own[-5:]):.4g} {channel.unit_of_measure}, "
        f"room {level_of(room[-5:]):.4g}, while {witnesses} stayed the same"
    )
    position = track.place(start + max(begin - 2, 0) * width)
    return fault_of(DETACHED, track, min(position, len(track) - 1), len(track) - 1, text)


def _left_for_good(above: Floats) -> int | None:
    """Return the bin from which a rise above the room shrank to nearly zero for good."""
    late = above[-5:]
    if not np.isfinite(late).any():
        return None
    usual = float(np.nanmax([level_of(above[: len(above) // 3]), level_of(above)]))
    if usual < 8.0 or level_of(late) > 0.2 * usual:
        return None
    high = np.flatnonzero(np.nan_to_num(above, nan=0.0) > 0.9 * usual)
    return int(high[-1]) + 1 if len(high) and high[-1] < len(above) - 3 else None


def _unchanged(data: AnalysisData, channel: Channel, begin: int, bins: tuple[int, int, int]) -> str | None:
    """Return the unit's other channels that show it kept working; None when it did not."""
    going: list[str] = []
    gone: list[str] = []
    for other in data.layout.channels.values():
        if other.unit != channel.unit or other.name == channel.name or other.source is None:
            continue
        row = data.means(other.name, *bins)
        before, after = row[max(begin - 60, 0) : max(begin - 1, 1)], row[begin + 2 :]
        level, now = level_of(before), level_of(after[-max(len(after) // 2, 3) :])
        if not np.isfinite(level + now):
            continue
        (going if abs(now - level) <= 0.3 * abs(level) else gone).append(other.name)
    if len(going) < 2 or len(gone) > len(going) / 3:
        return None
    return ", ".join(sorted(going)[:4])


RULE = ChannelRule(precedence=40, look=_detached)
