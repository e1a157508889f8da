"""Rule: a stimulus left its limits no later than the first response: the test rig."""

from __future__ import annotations

from collections.abc import Sequence

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
from rig.forensics.stimulus import SHARED, Out, from_invalid_inputs, moved_alike


def _stimulus_first(inputs: AttributionInput) -> Attribution | None:
    """Return the attribution to the test rig where a stimulus was out no later than the first response."""
    channels = inputs.data.layout.channels
    acting = [
        n
        for n in inputs.ranking.channels
        if channels[n].kind is ChannelKind.STIMULUS and not _empty(inputs, n)
    ]
    responses = inputs.responses()
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
    evidence = [left_limit(inputs.data, excursion)]
    evidence += [left_limit(inputs.data, inputs.firsts[r]) for r in responses[:3]]
    others = _others_out(inputs, responses)
    if others:
        evidence.append(others)
    departed = departed_before(inputs, responses[0], mine) if responses else None
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


def _others_out(inputs: AttributionInput, responses: Sequence[str]) -> AttributionEvidence | None:
    """Return the change of the same channel on other units in the same minutes, if there was one."""
    for name in responses[:3]:
        moved = moved_alike(inputs.data, inputs.firsts[name])
        if moved is not None and moved[0] > SHARED:
            text = f"{', '.join(moved[1])}: {moved[0]:.0%} of the change of {name}"
            return AttributionEvidence(subject=name, t_ns=inputs.firsts[name].first_outside.t_ns, text=text)
    return None


RULE = AttributionRule(precedence=10, look=_stimulus_first)
