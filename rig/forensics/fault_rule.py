"""What a rule for sensor and instrument faults is, and what the rules share.

A rule states the moment a fault began and the readings that show it. Channel names play no part; units of
measure, statuses, the instrument and the same channel of other units are all that is used.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from rig.forensics.analysis_data import AnalysisData
from rig.forensics.answer import AttributionEvidence
from rig.forensics.channel_readings import Bools
from rig.forensics.track import ChannelTrack

LASTING = 5
"""Consecutive readings from which silence or a sentinel counts as a state."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultType:
    """Type of a sensor or instrument fault; it stands in the file of its rule.

    what: the fault in words, after the name of its channel or instrument. refutation: what would rule it out.
    of_instrument: the instrument is at fault, not a sensor. joinable: several of one instrument in one scan
    are one step of the instrument. misread: readings were taken and are wrong; False: none were taken.
    """

    name: str
    what: str
    refutation: str
    of_instrument: bool = False
    joinable: bool = False
    misread: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFault:
    """Fault of a sensor (or, for silence and common steps, of an instrument), from a moment on."""

    fault_type: FaultType
    subject: str
    channels: tuple[str, ...]
    from_ns: int
    until_ns: int
    evidence: tuple[AttributionEvidence, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelRule:
    """Rule that looks at one channel; the first that finds a fault decides.

    precedence: rules are asked from the lowest number up.
    """

    precedence: int
    look: Callable[[AnalysisData, ChannelTrack], SensorFault | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentRule:
    """Rule that looks at whole instruments, after the rules for channels.

    look: takes the faults found so far; returns them with those it adds, or joined. precedence: rules are
    asked from the lowest number up.
    """

    precedence: int
    look: Callable[[AnalysisData, Sequence[SensorFault]], list[SensorFault]]


def fault_of(fault_type: FaultType, track: ChannelTrack, begin: int, end: int, text: str) -> SensorFault:
    """Return the fault of one channel from a reading (its position) to another."""
    name = track.channel.name
    t_ns = int(track.at(begin).t_ns[0])
    return SensorFault(
        fault_type=fault_type,
        subject=name,
        channels=(name,),
        from_ns=t_ns,
        until_ns=int(track.at(end).t_ns[0]),
        evidence=(AttributionEvidence(subject=name, t_ns=t_ns, text=text),),
    )


def longest_run(bad: Bools) -> tuple[int, int]:
    """Return begin and length of the longest run of true values; (0, 0) when there is none."""
    edges = np.diff(np.concatenate([[0], bad.astype(np.int8), [0]]))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    if not len(begins):
        return 0, 0
    k = int(np.argmax(ends - begins))
    return int(begins[k]), int(ends[k] - begins[k])
