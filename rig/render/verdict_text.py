"""Verdict on a run as text and as JSON: outcome first, then each check with its evidence."""

from __future__ import annotations

import json

from rig.domain.formatting import counted, figure, stamp
from rig.domain.units import difference_unit
from rig.endurance.account_json import to_json
from rig.endurance.verdict import Decision, ReasonEvidence, RunVerdict, UnitVerdict, VerdictReason
from rig.render.text_layout import titled, wrapped

MOST_PASSED = 6
_SIGNS = {Decision.FAIL: "FAIL", Decision.INCONCLUSIVE: "INCONCLUSIVE", Decision.PASS: "pass"}


def as_json(verdict: RunVerdict) -> str:
    """Return the verdict as JSON text."""
    return json.dumps(to_json("verdict", verdict), indent=2, ensure_ascii=False)


def text(verdict: RunVerdict, rig: str, width: int = 100) -> str:
    """Return the verdict as plain text."""
    lines = wrapped(f"VERDICT on rig {rig}: {verdict.outcome.value.upper()}", width)
    if not verdict.units:
        lines += ["", "no unit installed in this rig: nothing to judge"]
    if len(verdict.units) > 1:
        each = "; ".join(f"{unit.unit} ({unit.serial}) {unit.outcome.value}" for unit in verdict.units)
        lines += wrapped(f"units: {each}", width)
    for unit in verdict.units:
        lines += _unit(unit, width)
    lines += titled("Not covered", width)
    words = (
        "a pass covers these units, these limits and these hours; not other units, longer times or other "
        "stress (see soakrig reliability)"
    )
    return "\n".join(line.rstrip() for line in [*lines, *wrapped(words, width)])


def _unit(unit: UnitVerdict, width: int) -> list[str]:
    lines = titled(f"{unit.unit}, serial number {unit.serial}: {unit.outcome.value}", width)
    passed = [one for one in unit.reasons if one.outcome is Decision.PASS]
    for one in unit.reasons:
        if one.outcome is not Decision.PASS:
            lines += _reason(one, width)
    for one in passed[:MOST_PASSED]:
        lines += _reason(one, width)
    rest = len(passed) - MOST_PASSED
    if rest > 0:
        lines += [f"{' ' * 14}{counted(rest, 'further check')} passed (in --json)"]
    return lines


def _reason(one: VerdictReason, width: int) -> list[str]:
    about = evidence(one.evidence)
    words = f"{one.text} ({about})" if about else one.text
    return wrapped(words, width, f"{_SIGNS[one.outcome]:<14}", " " * 14)


def evidence(one: ReasonEvidence) -> str:
    """Return the evidence of a check: time, uncertainty, probability.

    Uncertainty and probability only where the probability lies between 0.1 and 99.9 %.
    """
    parts = []
    if one.t_ns is not None:
        parts.append(stamp(one.t_ns))
    if one.uncertainty > 0 and one.probability is not None and 0.001 < one.probability < 0.999:
        unit = difference_unit(one.unit_of_measure)
        parts.append(f"standard uncertainty {figure(one.uncertainty, 2)} {unit}")
        parts.append(f"probability of conformity {one.probability * 100:.1f} %")
    return ", ".join(parts)
