"""Rule: a value that used to vary was repeated too often to be chance."""

from __future__ import annotations

import numpy as np

from rig.forensics.analysis_data import AnalysisData
from rig.forensics.fault_rule import LASTING, ChannelRule, FaultType, SensorFault, fault_of, longest_run
from rig.forensics.noise import of
from rig.forensics.track import SHORT, ChannelTrack

STUCK_CHANCE = 1e-9

STUCK = FaultType(
    name="stuck",
    what="reading stuck",
    refutation="another sensor for the same quantity is as constant",
    joinable=True,
)


def _stuck(_data: AnalysisData, track: ChannelTrack) -> SensorFault | None:
    """Return the stretch in which a value that used to vary was repeated too often to be chance.

    It must continue at its level (a dead channel steps first), away from zero, and last to the end.
    """
    changed = track.last_change()
    if track.usable < 4 * LASTING or changed < 0 or len(track) - changed < 2 * LASTING:
        return None
    length = track.count(changed, len(track))
    if track.usable - length < 2 * LASTING or length < 2 * LASTING:
        return None
    values = track.usable_before(changed + 1, SHORT + 1)
    held, past = float(values[-1]), values[:-1]
    before = np.diff(values[-2001:]) == 0
    chance = (np.count_nonzero(before) + 1) / (len(before) + 2)
    longest = longest_run(before)[1]
    if chance ** (length - 1) > STUCK_CHANCE or length < 8 * (longest + 1):
        return None
    level = past[-40:]
    noise = of(level, track.model.step())
    usual = float(np.median(level))
    if abs(held - usual) > 6 * noise.sigma + noise.step or abs(held) < 0.05 * abs(float(np.median(past))):
        return None
    measure = track.channel.unit_of_measure
    text = f"{length} readings of exactly {held:.6g} {measure}; repeats before: {chance:.0%}"
    return fault_of(STUCK, track, changed, track.last_usable(), text)


RULE = ChannelRule(precedence=20, look=_stuck)
