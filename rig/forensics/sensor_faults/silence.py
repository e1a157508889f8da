"""Rule: an instrument stopped answering for more than a few polls, to the end."""

from __future__ import annotations

from collections.abc import Sequence

from rig.forensics.analysis_data import AnalysisData, instrument_of
from rig.forensics.answer import AttributionEvidence
from rig.forensics.fault_rule import LASTING, FaultType, InstrumentRule, SensorFault
from rig.forensics.track import ChannelTrack

SILENT = FaultType(
    name="silent",
    what="stopped answering",
    refutation="the instrument answers another computer on the same cable",
    of_instrument=True,
    misread=False,
)


def _silences(data: AnalysisData, faults: Sequence[SensorFault]) -> list[SensorFault]:
    """Return the faults and the instruments that stopped answering for more than a few polls, to the end."""
    found = [*faults]
    for instrument in data.layout.instruments:
        mine = [c.name for c in data.layout.channels.values() if instrument_of(c) == instrument]
        runs = [_silent_from(data.track(name), data.span_ns[1]) for name in mine]
        if not mine or any(run is None for run in runs):
            continue
        began = max(run for run in runs if run is not None)
        text = f"no complete reply on all {len(mine)} channels from here to the end of the recording"
        found.append(
            SensorFault(
                fault_type=SILENT,
                subject=instrument,
                channels=tuple(mine),
                from_ns=began,
                until_ns=data.span_ns[1],
                evidence=(AttributionEvidence(subject=instrument, t_ns=began, text=text),),
            )
        )
    return found


def _silent_from(track: ChannelTrack, end_ns: int) -> int | None:
    """Return the moment from which a channel got no reply to the end; None if it got one."""
    if not len(track):
        return None
    last, heard_ns = track.last_heard()
    period = 1e9 * track.period_s() if len(track) > 1 else 1e9
    polls = len(track) - 1 - last
    missing = (end_ns - heard_ns) / max(period, 1.0) if last >= 0 else float(polls)
    if max(polls, int(missing) - 3) < 3 * LASTING:
        return None
    return int(track.at(min(last + 1, len(track) - 1)).t_ns[0])


RULE = InstrumentRule(precedence=70, look=_silences)
