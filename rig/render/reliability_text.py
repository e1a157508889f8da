"""Demonstrated reliability as text and as JSON, each figure with what it does not cover."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence

from rig.domain.formatting import counted, figure, in_hours
from rig.endurance.account_json import to_json
from rig.reliability.demonstration import Life
from rig.reliability.design_evidence import DemonstratedReliability
from rig.reliability.growth import Growth
from rig.render.text_layout import table, titled, wrapped

MOST_UNITS = 40
MOST_AGES = 20


def as_json(proof: DemonstratedReliability, unread: Sequence[str] = ()) -> str:
    """Return the result as JSON text; ``unread``: runs that could not be read, and why."""
    content = {**to_json("reliability", proof), "not_read": list(unread)}
    return json.dumps(content, indent=2, ensure_ascii=False)


def text(proof: DemonstratedReliability, unread: Sequence[str] = (), width: int = 100) -> str:
    """Return the result as plain text: hours, bounds, hours needed, failures, lives."""
    lines = wrapped(
        f"DEMONSTRATED RELIABILITY from {counted(proof.runs, 'run')} of {', '.join(proof.rigs)}: "
        f"{counted(len(proof.lives), 'unit')}, {in_hours(proof.unit_h)} unit-hours, "
        f"{counted(len(proof.failures), 'failure')}",
        width,
    )
    for way, installations in proof.countings:
        lines += wrapped(
            f"counted: {way.words} ({counted(installations, 'installation')})", width, "  ", "  "
        )
    lines += _statement(
        "Mean time between failures", proof.bounds.statement, proof.bounds.does_not_cover, width
    )
    low, high = proof.bounds.two_sided_h
    upper = f"{in_hours(high)} h" if high is not None else "no bound"
    estimate = f"{in_hours(proof.bounds.estimate_h)} h" if proof.bounds.estimate_h is not None else "none"
    words = f"estimate {estimate}; two-sided at {proof.bounds.confidence:.0%}: {in_hours(low)} h to {upper}"
    lines += wrapped(words, width, "  ", "  ")
    if proof.needed is not None:
        lines += _statement("Hours needed", proof.needed.statement, proof.needed.does_not_cover, width)
    if proof.risks is not None:
        lines += _statement("Risks of that test", proof.risks.statement, proof.risks.does_not_cover, width)
    if proof.success is not None:
        lines += _statement("Success run", proof.success.statement, proof.success.does_not_cover, width)
    if proof.in_use is not None:
        lines += _in_use(proof, width)
    lines += _failures(proof, width)
    lines += _lives(proof, width)
    if proof.trend is not None:
        lines += _trend(proof.trend, width)
    if unread:
        lines += titled("Runs not read", width)
        lines += [line for words in unread for line in wrapped(words, width, "- ", "  ")]
    if proof.inconsistencies:
        lines += titled("Inconsistent records", width)
        lines += [line for words in proof.inconsistencies for line in wrapped(words, width, "- ", "  ")]
    if proof.left_out:
        lines += titled("Not computed", width)
        lines += [line for words in proof.left_out for line in wrapped(words, width, "- ", "  ")]
    return "\n".join(line.rstrip() for line in lines)


def _statement(title: str, statement: str, does_not_cover: str, width: int) -> list[str]:
    lines = titled(title, width) + wrapped(statement, width, "  ", "  ")
    return lines + wrapped(does_not_cover, width, "  does not cover: ", "    ")


def _in_use(proof: DemonstratedReliability, width: int) -> list[str]:
    assert proof.in_use is not None
    factor = proof.in_use.acceleration
    between = f" ({figure(factor.low, 3)} to {figure(factor.high, 3)})" if factor.low != factor.high else ""
    statement = (
        f"acceleration factor {figure(factor.factor, 3)}{between} by {factor.model}: lower bound in use "
        f"{in_hours(proof.in_use.lower_h)} h, {in_hours(proof.in_use.least_h)} h with the most unfavourable "
        "constants"
    )
    lines = _statement("In use", statement, proof.in_use.does_not_cover, width)
    for one in factor.assumptions:
        lines += wrapped(one, width, "  assumes: ", "    ")
    return lines


def _failures(proof: DemonstratedReliability, width: int) -> list[str]:
    lines = titled("Failures counted", width)
    for one in proof.failures:
        lines += wrapped(f"{one.serial} after {in_hours(one.hours)} h: {one.how}", width, "- ", "  ")
    if not proof.failures:
        lines += wrapped("none: no unit is known to have failed", width, "- ", "  ")
    for words in proof.dispositions:
        lines += wrapped(words, width, "- ", "  ")
    for suspect in proof.suspects:
        words = (
            f"{suspect.serial} is not counted, but {', '.join(suspect.channels)} still out at end: inspect "
            f"the unit, then give --failed {suspect.serial} or --survived {suspect.serial}"
        )
        lines += wrapped(words, width, "? ", "  ")
    if proof.idle:
        words = f"excluded, no hours that count: {', '.join(proof.idle)}"
        lines += wrapped(words, width, "- ", "  ")
    return lines


def _lives(proof: DemonstratedReliability, width: int) -> list[str]:
    lines = titled("Lives", width)
    rows: list[tuple[str, ...]] = [("serial", "hours", "")]
    oldest = sorted(proof.lives, key=lambda one: (-one.hours, one.serial))
    rows += [
        (one.serial, in_hours(one.hours), _became(one, proof.non_relevant)) for one in oldest[:MOST_UNITS]
    ]
    lines += table(rows, width, frozenset({1}))
    if len(oldest) > MOST_UNITS:
        lines += [f"  {counted(len(oldest) - MOST_UNITS, 'further unit')} in --json"]
    if proof.weibull is not None:
        fit = proof.weibull
        lines += _statement("Weibull fit", fit.statement, fit.does_not_cover, width)
        (b_low, b_high), (s_low, s_high) = fit.shape_bounds, fit.scale_bounds_h
        words = (
            f"{fit.confidence:.0%} bounds: shape {figure(b_low, 3)} to {figure(b_high, 3)}, scale "
            f"{in_hours(s_low)} to {in_hours(s_high)} h"
        )
        lines += wrapped(words, width, "  ", "  ")
        words = (
            f"mean life {in_hours(fit.mean_h)} h, standard deviation {in_hours(fit.sd_h)} h; 10 % have "
            f"failed by {in_hours(fit.age_h(0.1))} h (B10 life)"
        )
        lines += wrapped(words, width, "  ", "  ")
    if proof.assumed is not None:
        lines += _statement(
            "With an assumed shape", proof.assumed.statement, proof.assumed.does_not_cover, width
        )
    return lines + _survival(proof, width)


def _became(life: Life, non_relevant: Sequence[str]) -> str:
    if life.failed:
        return "failed"
    return "non-relevant failure" if life.serial in non_relevant else "alive"


def _trend(trend: Growth, width: int) -> list[str]:
    lines = _statement("Trend over runs", trend.statement, trend.does_not_cover, width)
    low, high = trend.bounds_h
    upper = in_hours(high) + " h" if math.isfinite(high) else "no bound"
    words = (
        f"power law (Duane, Crow): N(t) = {figure(trend.a, 3)} t^{figure(trend.b, 3)}, t in unit-hours; "
        f"{trend.confidence:.0%} bounds of the MTBF at the end: {in_hours(low)} h to {upper}"
    )
    return lines + wrapped(words, width, "  ", "  ")


def _survival(proof: DemonstratedReliability, width: int) -> list[str]:
    curve = proof.survival
    lines = _statement(
        "Survival (Kaplan-Meier, no distribution assumed)", curve.statement, curve.does_not_cover, width
    )
    if not len(curve.age_h):
        return lines
    half = (
        f"half have failed by {in_hours(curve.median_h)} h (median life)"
        if curve.median_h is not None
        else "more than half survive: no median life yet"
    )
    lines += wrapped(half, width, "  ", "  ")
    rows: list[tuple[str, ...]] = [
        ("age h", "at risk", "failed", "survive", f"{curve.confidence:.0%} bounds")
    ]
    rows += [
        (
            in_hours(float(curve.age_h[at])),
            f"{curve.at_risk[at]:.0f}",
            f"{curve.failures[at]:.0f}",
            f"{curve.survival[at]:.1%}",
            f"{curve.low[at]:.1%} to {curve.high[at]:.1%}",
        )
        for at in range(min(len(curve.age_h), MOST_AGES))
    ]
    return lines + table(rows, width, frozenset({0, 1, 2, 3}))
