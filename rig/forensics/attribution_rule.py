"""What a rule of the attribution is, what it is given, and what the rules share."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from rig.domain.formatting import figure
from rig.domain.model import ChannelKind
from rig.forensics.analysis_data import AnalysisData
from rig.forensics.answer import (
    Attribution,
    AttributionEvidence,
    CrossingExcursion,
    ExcursionOrder,
    Interval,
    Onset,
)
from rig.forensics.fault_rule import SensorFault
from rig.forensics.onset import onset
from rig.forensics.order import certainly_before

AT_LEAST = 0.05
"""A stimulus counts as before (or with) the first response from this probability on: a unit responds at once,
so the two mostly fall between the same polls."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AttributionInput:
    """Input of the attribution.

    firsts: excursions of the final episode that are to be believed; ranking: their order. strays: single
    readings that were out alone, by channel: nobody is blamed for these.
    """

    data: AnalysisData
    unit: str | None
    firsts: Mapping[str, CrossingExcursion]
    ranking: ExcursionOrder
    faults: Sequence[SensorFault]
    confidence: float
    strays: Mapping[str, Sequence[CrossingExcursion]] = field(default_factory=dict)

    def responses(self) -> list[str]:
        """Return the responses that were out, first-out channel first."""
        channels = self.data.layout.channels
        return [n for n in self.ranking.channels if channels[n].kind is ChannelKind.RESPONSE]


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributionRule:
    """Rule for the cause of excursions; the first that finds one decides.

    precedence: rules are asked from the lowest number up. look: returns the attribution, marked as the main
    one, or None.
    """

    precedence: int
    look: Callable[[AttributionInput], Attribution | None]


def left_limit(data: AnalysisData, excursion: CrossingExcursion) -> AttributionEvidence:
    """Return the observation of a limit crossing."""
    measure = data.layout.channels[excursion.channel].unit_of_measure
    inside, limit = excursion.last_inside, excursion.limit
    before = f"last inside {figure(inside.value, near=limit)}, " if inside else "out from the first reading, "
    first = f"first outside {figure(excursion.first_outside.value, near=limit)} {measure}"
    text = f"{before}{first} ({excursion.side} limit {figure(limit)})"
    return AttributionEvidence(subject=excursion.channel, t_ns=excursion.first_outside.t_ns, text=text)


def departed_before(inputs: AttributionInput, name: str, stimulus: Interval) -> Onset | None:
    """Return the onset of a response if it lies certainly before a stimulus changed."""
    crossing = inputs.firsts[name]
    until = crossing.interval.earliest_ns
    if until is None:
        return None
    found, _ = onset(inputs.data, name, until, crossing, inputs.confidence)
    return found if found is not None and certainly_before(found.interval, stimulus) else None
