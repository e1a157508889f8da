"""Attribution of a failure to sensor, instrument, test rig, common cause or unit, each with its evidence.

Excursions explained by a sensor or instrument fault are excluded first. Of what remains, the rules of
``rig.forensics.attribution`` tell the cause: a stimulus that left its limits no later than the first response
points to the test rig; the same change on the same channel of other units points to a common cause; the rest
is attributed to the unit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from rig.forensics.analysis_data import AnalysisData
from rig.forensics.answer import Attribution, CrossingExcursion, Role
from rig.forensics.attribution_rule import AttributionInput
from rig.forensics.fault_rule import SensorFault
from rig.forensics.rules import attribution_rules
from rig.forensics.short_answer import listed
from rig.forensics.spikes import in_words
from rig.forensics.stimulus import names_in


def faulty_channels(data: AnalysisData, faults: Sequence[SensorFault]) -> dict[str, int]:
    """Return the channels read or derived from a faulty sensor or instrument, and from when (UTC ns)."""
    faulty: dict[str, int] = {}
    for fault in faults:
        if fault.fault_type.misread:
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
        made[first] = replace(made[first], main=True)
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


def _concerns(inputs: AttributionInput, fault: SensorFault) -> bool:
    """Return whether a fault concerns the unit, or the room."""
    channels = inputs.data.layout.channels
    return inputs.unit is None or any(channels[n].unit in {inputs.unit, None} for n in fault.channels)


def _of_fault(fault: SensorFault) -> Attribution:
    """Return the attribution to a sensor or instrument fault."""
    return Attribution(
        role=Role.INSTRUMENT if fault.fault_type.of_instrument else Role.SENSOR,
        subject=fault.subject,
        weight=0.9,
        text=f"{fault.subject}: {fault.fault_type.what}",
        channels=fault.channels,
        evidence=fault.evidence,
        ruled_out_if=(fault.fault_type.refutation,),
    )


def _cause(inputs: AttributionInput) -> Attribution | None:
    """Return the attribution of the excursions; None when there are none."""
    if not inputs.firsts:
        return None
    for rule in attribution_rules():
        found = rule.look(inputs)
        if found is not None:
            return found
    return None
