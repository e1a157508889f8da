"""Rule: a temperature step that heating cannot explain and that did not decay.

A step onto one value that then stays is the end of the sensor's range.
"""

from __future__ import annotations

import numpy as np

from rig.forensics.analysis_data import AnalysisData, is_temperature
from rig.forensics.fault_rule import LASTING, ChannelRule, FaultType, SensorFault, fault_of
from rig.forensics.noise import of
from rig.forensics.track import SHORT, ChannelTrack

JUMP_NOISES = 12.0
JUMP_KELVIN = 12.0
"""A larger temperature step within one poll, larger than any before, is not heating."""

IMPOSSIBLE = FaultType(
    name="impossible-rate",
    what="temperature step faster than physically possible",
    refutation="another sensor at the same place shows the same step",
    joinable=True,
)
FULL_SCALE = FaultType(
    name="full-scale",
    what="sensor at the end of its range",
    refutation="another sensor at the same place reads as high",
    joinable=True,
)


def _impossible(_data: AnalysisData, track: ChannelTrack) -> SensorFault | None:
    """Return the moment of a temperature step that heating cannot explain and that did not decay."""
    if not is_temperature(track.channel) or track.usable < 4 * LASTING:
        return None
    step, at = track.widest_step()
    if step < JUMP_KELVIN:
        return None
    earlier, later = track.usable_before(at, SHORT), track.usable_from(at, SHORT)
    values, k = np.concatenate([earlier, later]), len(earlier) - 1
    usual = float(np.quantile(np.delete(np.abs(np.diff(values)), k), 0.999))
    noise = of(values[max(k - 240, 0) : k + 1], track.model.step())
    gap = _gap_ns(track, at) / max(1e9 * track.period_s(), 1.0)
    if step < max(JUMP_KELVIN, 6 * usual, JUMP_NOISES * noise.sigma) or gap > 2 * LASTING:
        return None
    after = values[k + 1 : k + 1 + 4 * LASTING]
    before = values[max(k - LASTING, 0) : k + 1]
    settled = abs(float(np.median(after)) - float(values[k + 1])) < 0.25 * step
    if len(after) < LASTING or not settled or len(before) < 3:
        return None
    flat = np.ptp(after) <= noise.step
    text = (
        f"from {values[k]:.5g} to {values[k + 1]:.5g} {track.channel.unit_of_measure} within one poll; "
        f"usual steps below {max(usual, noise.step):.3g}"
    )
    kind = FULL_SCALE if flat and np.ptp(before) > 0 else IMPOSSIBLE
    return fault_of(kind, track, at, track.last_usable(), text)


def _gap_ns(track: ChannelTrack, position: int) -> int:
    """Return the time from the previous usable reading to a usable one."""
    near, offset = track.near(position, 1, slice(0, position + 1))
    before = np.flatnonzero(near.usable[: position - offset])[-1]
    return int(near.t_ns[position - offset] - near.t_ns[before])


RULE = ChannelRule(precedence=30, look=_impossible)
