"""Rule: the instrument itself reports no sensor, or no valid value."""

from __future__ import annotations

import numpy as np

from rig.domain.model import Status
from rig.forensics.analysis_data import AnalysisData
from rig.forensics.channel_readings import Bools
from rig.forensics.fault_rule import LASTING, ChannelRule, FaultType, SensorFault, fault_of, longest_run
from rig.forensics.track import ChannelTrack

OPEN = FaultType(
    name="open",
    what="sensor open or out of range",
    refutation="the same sensor read by another instrument gives a value",
    joinable=True,
)


def _open(_data: AnalysisData, track: ChannelTrack) -> SensorFault | None:
    """Return the stretch in which the instrument itself reported no sensor, or no valid value."""
    if sum(digest.sick for digest in track.digests) < LASTING:
        return None
    status = track.statuses()
    faulty = np.isin(status, (Status.OVER, Status.UNDER, Status.NO_VALUE, Status.SUSPECT))
    unknown = np.isin(status, (Status.NO_REPLY, Status.BAD_REPLY, Status.LOST, Status.REFUSED))
    begin, length = longest_run(faulty | (unknown & _between(faulty)))
    said = int(np.count_nonzero(faulty[begin : begin + length]))
    if said < LASTING or begin == 0:
        return None
    word = Status(int(status[begin])).name.replace("_", " ").lower()
    text = f"{said} readings with status '{word}' from here on; last good reading {_last_good(track, begin)}"
    return fault_of(OPEN, track, begin, begin + length - 1, text)


def _between(faulty: Bools) -> Bools:
    """Return where a faulty reading lies both before and after."""
    where = np.flatnonzero(faulty)
    inside = np.zeros(len(faulty), dtype=np.bool_)
    if len(where):
        inside[where[0] : where[-1]] = True
    return inside


def _last_good(track: ChannelTrack, begin: int) -> str:
    good = track.usable_before(begin, 1)
    return f"{good[0]:.6g} {track.channel.unit_of_measure}" if len(good) else "none"


RULE = ChannelRule(precedence=10, look=_open)
