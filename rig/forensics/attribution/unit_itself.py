"""Rule: no external cause was found: the unit itself. It is the last to be asked."""

from __future__ import annotations

from rig.domain.model import ChannelKind
from rig.forensics.analysis_data import instrument_of
from rig.forensics.answer import Attribution, AttributionEvidence, Role
from rig.forensics.attribution_rule import AttributionInput, AttributionRule, left_limit
from rig.forensics.stimulus import moved_alike

NO_CHANGE = 0.005
"""Change of the same channel on other units that prints as 0 %: no change (common practice, no source)."""


def change_on_others(share: float) -> str:
    """Return the change of the same channel on the other units, as a share of this one's, in words."""
    return "no change" if share < NO_CHANGE else f"{share:.0%} of this change"


def _unit(inputs: AttributionInput) -> Attribution | None:
    """Return the attribution to the unit itself."""
    responses = inputs.responses()
    if not responses:
        return None
    data = inputs.data
    tier = [n for n in inputs.ranking.tiers[0] if n in responses] or [responses[0]]
    evidence = [left_limit(data, inputs.firsts[n]) for n in tier]
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


RULE = AttributionRule(precedence=1000, look=_unit)
