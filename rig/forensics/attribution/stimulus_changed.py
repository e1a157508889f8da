"""Rule: a stimulus changed greatly within its limits, before or with the first response: the test rig."""

from __future__ import annotations

from rig.domain.model import ChannelKind
from rig.forensics.answer import Attribution, AttributionEvidence, Role
from rig.forensics.attribution_rule import (
    AT_LEAST,
    AttributionInput,
    AttributionRule,
    departed_before,
    left_limit,
)
from rig.forensics.order import probability_before
from rig.forensics.stimulus import left_its_range


def _stimulus_changed(inputs: AttributionInput) -> Attribution | None:
    """Return the attribution to the test rig where a stimulus changed greatly within its limits."""
    responses = inputs.responses()
    if not responses:
        return None
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
        if departed_before(inputs, responses[0], left[0]) is not None:
            continue
        return Attribution(
            role=Role.RIG,
            subject=channel.name,
            weight=0.8,
            text=f"stimulus {channel.name} changed before or with the first response, within its limits",
            channels=(channel.name, *responses),
            evidence=(
                AttributionEvidence(subject=channel.name, t_ns=left[0].best_ns, text=left[1]),
                left_limit(inputs.data, first),
            ),
            ruled_out_if=(f"a second instrument shows {channel.name} steady at that moment",),
            main=True,
        )
    return None


RULE = AttributionRule(precedence=30, look=_stimulus_changed)
