"""Rule: the same channel of other units changed as well: a common cause."""

from __future__ import annotations

from rig.forensics.answer import Attribution, AttributionEvidence, Role
from rig.forensics.attribution_rule import AttributionInput, AttributionRule, left_limit
from rig.forensics.stimulus import SHARED, moved_alike, shifted_stimuli


def _shared(inputs: AttributionInput) -> Attribution | None:
    """Return the attribution to a common cause where the same channel of other units changed as well."""
    responses = inputs.responses()
    if not responses:
        return None
    name = responses[0]
    moved = moved_alike(inputs.data, inputs.firsts[name])
    if moved is None or moved[0] < SHARED:
        return None
    share, others = moved
    shifted = shifted_stimuli(inputs.data, inputs.unit, inputs.firsts[name].first_outside.t_ns)
    text = f"{name} and {', '.join(others)} changed together: common cause of several units"
    evidence = [left_limit(inputs.data, inputs.firsts[name])]
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


RULE = AttributionRule(precedence=20, look=_shared)
