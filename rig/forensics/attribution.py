"""Attribution of a failure to sensor, instrument, test rig, common cause or unit, each with its evidence.

Excursions explained by a sensor or instrument fault are excluded first. Of what remains, a stimulus that
left its limits no later than the first response points to the test rig; the same change on the same channel
of other units points to a common cause; the rest is attributed to the unit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from rig.domain.formatting import figure
from rig.domain.model import ChannelKind
from rig.forensics.analysis_data import AnalysisData, instrument_of
from rig.forensics.answer import (
    Attribution,
    AttributionEvidence,
    CrossingExcursion,
    ExcursionOrder,
    Interval,
    Onset,
    Role,
)
from rig.forensics.onset import onset
from rig.forensics.order import certainly_before, probability_before
from rig.forensics.sensor_faults import INSTRUMENT_FAULTS, FaultType, SensorFault
from rig.forensics.short_answer import listed
from rig.forensics.spikes import in_words
from rig.forensics.stimulus import (
    SHARED,
    Out,
    from_invalid_inputs,
    left_its_range,
    moved_alike,
    names_in,
    shifted_stimuli,
)

AT_LEAST = 0.05
"""A stimulus counts as before (or with) the first response from this probability on: a unit responds at once,
so the two mostly fall between the same polls."""

NO_CHANGE = 0.005
"""Change of the same channel on other units that prints as 0 %: no change (common practice, no source)."""

WORDS = {
    FaultType.OPEN: (
        "sensor open or out of range",
        "the same sensor read by another instrument gives a value",
    ),
    FaultType.FULL_SCALE: (
        "sensor at the end of its range",
        "another sensor at the same place reads as high",
    ),
    FaultType.STUCK: ("reading stuck", "another sensor for the same quantity is as constant"),
    FaultType.DETACHED: ("sensor detached", "the sensor is found in place"),
    FaultType.IMPOSSIBLE: (
        "temperature step faster than physically possible",
        "another sensor at the same place shows the same step",
    ),
    FaultType.SILENT: ("stopped answering", "the instrument answers another computer on the same cable"),
    FaultType.COMMON_STEP: (
        "step on several channels in one scan",
        "another instrument shows the same step",
    ),
}


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


def faulty_channels(data: AnalysisData, faults: Sequence[SensorFault]) -> dict[str, int]:
    """Return the channels read or derived from a faulty sensor or instrument, and from when (UTC ns)."""
    faulty: dict[str, int] = {}
    for fault in faults:
        if fault.fault_type is not FaultType.SILENT:
            for name in fault.channels:
                faulty[name] = min(fault.from_ns, faulty.get(name, fault.from_ns))
    for channel in data.layout.channels.values():
        named = [faulty[n] for n in list(faulty) if channel.formula and n in names_in(channel.formula)]
        if named:
            faulty[channel.name] = min(named)
    return faulty


def without_faulty(
    data: AnalysisData, firsts: Mapping[str, CrossingExcursion], faults: Sequence[SensorFault]
) -> dict[str, CrossingExcursion]:
    """Return the excursions that no sensor or instrument fault explains."""
    faulty = faulty_channels(data, faults)
    found = {}
    for name, excursion in firsts.items():
        slack = 2 * excursion.first_outside.h_ns + 2_000_000_000
        if name not in faulty or excursion.first_outside.t_ns < faulty[name] - slack:
            found[name] = excursion
    return found


def findings(inputs: AttributionInput) -> list[Attribution]:
    """Return all attributions, the main one first and marked."""
    made = [_of_fault(fault) for fault in inputs.faults if _concerns(inputs, fault)]
    cause = _cause(inputs)
    if cause is not None:
        return [cause, *made]
    if made:
        first = min(range(len(made)), key=lambda k: made[k].evidence[0].t_ns or 0)
        made[first] = _as_main(made[first])
        return [made[first], *made[:first], *made[first + 1 :]]
    text = "no channel significantly out of limits; no sensor fault or instrument fault found"
    if inputs.strays:
        spikes = [in_words(inputs.data, name, found[0]) for name, found in inputs.strays.items()]
        text = f"no failure is shown: {listed(spikes, 1)}, and nothing else"
    nothing = Attribution(
        role=Role.NONE,
        subject=inputs.unit or inputs.data.layout.rig,
        weight=0.95,
        text=text,
        ruled_out_if=("a fault on a channel without limits, or between two polls",),
        main=True,
    )
    return [nothing]


def _as_main(finding: Attribution) -> Attribution:
    from dataclasses import replace

    return replace(finding, main=True)


def _concerns(inputs: AttributionInput, fault: SensorFault) -> bool:
    """Return whether a fault concerns the unit, or the room."""
    channels = inputs.data.layout.channels
    return inputs.unit is None or any(channels[n].unit in {inputs.unit, None} for n in fault.channels)


def _of_fault(fault: SensorFault) -> Attribution:
    """Return the attribution to a sensor or instrument fault."""
    what, refutation = WORDS[fault.fault_type]
    role = Role.INSTRUMENT if fault.fault_type in INSTRUMENT_FAULTS else Role.SENSOR
    return Attribution(
        role=role,
        subject=fault.subject,
        weight=0.9,
        text=f"{fault.subject}: {what}",
        channels=fault.channels,
        evidence=fault.evidence,
        ruled_out_if=(refutation,),
    )


def _cause(inputs: AttributionInput) -> Attribution | None:
    """Return the attribution of the excursions; None when there are none."""
    if not inputs.firsts:
        return None
    stimulus = _stimulus_first(inputs)
    if stimulus is not None:
        return stimulus
    channels = inputs.data.layout.channels
    responses = [n for n in inputs.ranking.channels if channels[n].kind is ChannelKind.RESPONSE]
    if not responses:
        return None
    return _shared(inputs, responses) or _stimulus_changed(inputs, responses) or _unit(inputs, responses)


def change_on_others(share: float) -> str:
    """Return the change of the same channel on the other units, as a share of this one's, in words."""
    return "no change" if share < NO_CHANGE else f"{share:.0%} of this change"


def _stimulus_first(inputs: AttributionInput) -> Attribution | None:
    """Return the attribution to the test rig where a stimulus was out no later than the first response."""
    channels = inputs.data.layout.channels
    acting = [
        n
        for n in inputs.ranking.channels
        if channels[n].kind is ChannelKind.STIMULUS and not _empty(inputs, n)
    ]
    responses = [n for n in inputs.ranking.channels if channels[n].kind is ChannelKind.RESPONSE]
    if not acting:
        return None
    name = acting[0]
    mine = inputs.firsts[name].interval
    chance = min((probability_before(mine, inputs.firsts[r].interval) for r in responses), default=1.0)
    if chance < AT_LEAST:
        return None
    certain = all(inputs.ranking.certainly_before(name, r) for r in responses)
    weight = 0.97 if certain else 0.5 + 0.5 * chance
    excursion = inputs.firsts[name]
    evidence = [_left(inputs.data, excursion)]
    evidence += [_left(inputs.data, inputs.firsts[r]) for r in responses[:3]]
    others = _others_out(inputs, responses)
    if others:
        evidence.append(others)
    departed = _departed_before(inputs, responses[0], mine) if responses else None
    if departed is not None:
        text = "onset before the stimulus left its limit"
        evidence.append(AttributionEvidence(subject=responses[0], t_ns=departed.interval.best_ns, text=text))
        weight -= 0.3
    words = "before any response" if certain else f"before or with the first response (P = {chance:.2f})"
    return Attribution(
        role=Role.RIG,
        subject=name,
        weight=weight,
        text=f"stimulus {name} out of limits {words}",
        channels=(name, *responses),
        evidence=tuple(evidence),
        ruled_out_if=(
            f"a second instrument shows {name} steady at that moment",
            "a response is found to have moved first",
        ),
        main=True,
    )


def _empty(inputs: AttributionInput, name: str) -> bool:
    """Return whether a derived stimulus was out for one reading only, or on inputs near zero."""
    excursion = inputs.firsts[name]
    found = inputs.data.track(name)
    first, last = excursion.first_outside.index, excursion.last_outside.index
    return from_invalid_inputs(inputs.data, found.channel, found, Out(first_outside=first, last_outside=last))


def _left(data: AnalysisData, excursion: CrossingExcursion) -> AttributionEvidence:
    """Return the observation of a limit crossing."""
    measure = data.layout.channels[excursion.channel].unit_of_measure
    inside, limit = excursion.last_inside, excursion.limit
    before = f"last inside {figure(inside.value, near=limit)}, " if inside else "out from the first reading, "
    first = f"first outside {figure(excursion.first_outside.value, near=limit)} {measure}"
    text = f"{before}{first} ({excursion.side} limit {figure(limit)})"
    return AttributionEvidence(subject=excursion.channel, t_ns=excursion.first_outside.t_ns, text=text)


def _others_out(inputs: AttributionInput, responses: Sequence[str]) -> AttributionEvidence | None:
    """Return the change of the same channel on other units in the same minutes, if there was one."""
    for name in responses[:3]:
        moved = moved_alike(inputs.data, inputs.firsts[name])
        if moved is not None and moved[0] > SHARED:
            text = f"{', '.join(moved[1])}: {moved[0]:.0%} of the change of {name}"
            return AttributionEvidence(subject=name, t_ns=inputs.firsts[name].first_outside.t_ns, text=text)
    return None


def _shared(inputs: AttributionInput, responses: Sequence[str]) -> Attribution | None:
    """Return the attribution to a common cause where the same channel of other units changed as well."""
    name = responses[0]
    moved = moved_alike(inputs.data, inputs.firsts[name])
    if moved is None or moved[0] < SHARED:
        return None
    share, others = moved
    shifted = shifted_stimuli(inputs.data, inputs.unit, inputs.firsts[name].first_outside.t_ns)
    text = f"{name} and {', '.join(others)} changed together: common cause of several units"
    evidence = [_left(inputs.data, inputs.firsts[name])]
    evidence.append(
        AttributionEvidence(
            subject=name, t_ns=None, text=f"same channel on the other units: {share:.0%} of this change"
        )
    )
    evidence += [AttributionEvidence(subject=s, t_ns=None, text=text) for s, text in shifted]
    return Attribution(
        role=Role.COMMON,
        subject=shifted[0][0] if shifted else name,
        weight=0.9,
        text=text + (f"; {shifted[0][0]} changed before" if shifted else ""),
        channels=(name, *others),
        evidence=tuple(evidence),
        ruled_out_if=("the other units share no supply, air or signal with this one",),
        main=True,
    )


def _stimulus_changed(inputs: AttributionInput, responses: Sequence[str]) -> Attribution | None:
    """Return the attribution to the test rig where a stimulus changed greatly within its limits."""
    first = inputs.firsts[responses[0]]
    for channel in inputs.data.layout.channels.values():
        if (
            channel.kind is not ChannelKind.STIMULUS
            or channel.unit not in {inputs.unit, None}
            or channel.name in inputs.firsts
        ):
            continue
        left = left_its_range(inputs.data, channel, first.first_outside.t_ns)
        if left is None or probability_before(left[0], first.interval) < AT_LEAST:
            continue
        if _departed_before(inputs, responses[0], left[0]) is not None:
            continue
        return Attribution(
            role=Role.RIG,
            subject=channel.name,
            weight=0.8,
            text=f"stimulus {channel.name} changed before or with the first response, within its limits",
            channels=(channel.name, *responses),
            evidence=(
                AttributionEvidence(subject=channel.name, t_ns=left[0].best_ns, text=left[1]),
                _left(inputs.data, first),
            ),
            ruled_out_if=(f"a second instrument shows {channel.name} steady at that moment",),
            main=True,
        )
    return None


def _departed_before(inputs: AttributionInput, name: str, stimulus: Interval) -> Onset | None:
    """Return the onset of a response if it lies certainly before a stimulus changed."""
    crossing = inputs.firsts[name]
    until = crossing.interval.earliest_ns
    if until is None:
        return None
    found, _ = onset(inputs.data, name, until, crossing, inputs.confidence)
    return found if found is not None and certainly_before(found.interval, stimulus) else None


def _unit(inputs: AttributionInput, responses: Sequence[str]) -> Attribution:
    """Return the attribution to the unit itself."""
    data = inputs.data
    tier = [n for n in inputs.ranking.tiers[0] if n in responses] or [responses[0]]
    evidence = [_left(data, inputs.firsts[n]) for n in tier]
    steady = [
        c.name
        for c in data.layout.channels.values()
        if c.kind is ChannelKind.STIMULUS and c.unit in {None, inputs.unit} and c.name not in inputs.firsts
    ]
    instruments = {instrument_of(data.layout.channels[n]) for n in responses} - {None}
    weight = 0.9
    if steady:
        evidence.append(AttributionEvidence(subject=", ".join(steady), t_ns=None, text="within limits"))
    else:
        weight -= 0.2
    moved = moved_alike(data, inputs.firsts[responses[0]])
    if moved is not None:
        text = f"same channel on the other units: {change_on_others(moved[0])}"
        evidence.append(AttributionEvidence(subject=responses[0], t_ns=None, text=text))
    else:
        weight -= 0.1
    if len(responses) > 1 and len(instruments) < 2:
        weight -= 0.1
    return Attribution(
        role=Role.UNIT,
        subject=inputs.unit or "",
        weight=weight,
        text="no external cause found",
        channels=tuple(responses),
        evidence=tuple(evidence),
        ruled_out_if=(
            "an unmeasured stimulus changed at that moment",
            f"the sensor of {tier[0]} is found faulty",
        ),
        main=True,
    )
