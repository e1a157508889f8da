"""Comparison as text and as JSON: the largest significant differences, then all, then the reservations."""

from __future__ import annotations

import json
from collections.abc import Sequence

from rig.domain.formatting import counted, figure
from rig.domain.units import difference_unit
from rig.endurance.account_json import to_json
from rig.endurance.comparison import Difference, RunComparison
from rig.render.text_layout import table, titled, wrapped

MOST = 60


def as_json(comparisons: Sequence[RunComparison]) -> str:
    """Return comparisons as JSON text."""
    return json.dumps(to_json("comparisons", list(comparisons)), indent=2, ensure_ascii=False)


def text(comparisons: Sequence[RunComparison], width: int = 100) -> str:
    """Return comparisons as plain text, one after the other: those with a significant difference first."""
    lines: list[str] = []
    for one in sorted(comparisons, key=lambda one: not one.matter):
        lines += [*([""] if lines else []), *_comparison(one, width)]
    for ranking in dict.fromkeys(one.ranking for one in comparisons):  # the same for all, as a rule
        lines += ["", *wrapped(ranking, width, "ranked by: ", "  ")]
    return "\n".join(line.rstrip() for line in lines)


def _comparison(one: RunComparison, width: int) -> list[str]:
    lines = ["COMPARISON", *wrapped(one.first, width, "  first   ", " " * 10)]
    lines += wrapped(one.second, width, "  second  ", " " * 10)
    if one.loads[0] != one.loads[1]:
        lines += wrapped(f"loads: first {one.loads[0]}, second {one.loads[1]}", width, "  ", "  ")
    else:
        lines += wrapped(f"load of both: {one.loads[0]}", width, "  ", "  ")
    lines += titled("Largest significant differences", width)
    for at, difference in enumerate(one.matter, start=1):
        lines += wrapped(_sentence(difference), width, f"{at}. ", "   ")
    if not one.matter:
        lines += wrapped("no significant difference" if one.differences else "nothing compared", width)
    lines += titled(f"All differences at {one.confidence:.0%} confidence", width)
    lines += _differences(one, width)
    expected = f"expected false positives: {one.expected_false_positives:.1f} of {len(one.differences)}"
    lines += wrapped(expected, width, "", "  ")
    lines += _drifts(one, width)
    if one.cautions:
        lines += titled("Reservations", width)
        lines += [text for caution in one.cautions for text in wrapped(caution, width, "- ", "  ")]
    return lines


def _sentence(one: Difference) -> str:
    where = f" in phase {one.phase}" if one.phase else ""
    side = "higher" if one.difference > 0 else "lower"
    decibel = f", {one.decibel:+.2f} dB" if one.decibel is not None else ""
    return (
        f"{one.quantity}{where}: {figure(abs(one.difference), 3)} {difference_unit(one.unit_of_measure)} "
        f"{side} for the second, ±{figure(one.expanded_uncertainty, 2)} ({figure(one.second.value, 4)} "
        f"against {figure(one.first.value, 4)} {one.unit_of_measure}{decibel})"
    )


def _differences(one: RunComparison, width: int) -> list[str]:
    rows: list[tuple[str, ...]] = [("quantity", "phase", "first", "second", "difference", "±", "")]
    for difference in one.differences[:MOST]:
        unit = difference.unit_of_measure
        rows.append(
            (
                difference.quantity,
                difference.phase or "-",
                figure(difference.first.value, 4),
                f"{figure(difference.second.value, 4)} {unit}",
                figure(difference.difference, 3, near=difference.expanded_uncertainty),
                figure(difference.expanded_uncertainty, 2),
                ("significant" if difference.significant else "") + (" *" if difference.correlated else ""),
            )
        )
    lines = table(rows, width, frozenset({2, 4, 5}))
    if any(difference.correlated for difference in one.differences):
        lines += wrapped("* readings autocorrelated: uncertainty approximate", width)
    rest = len(one.differences) - MOST
    return lines + ([f"  {rest} further in --json"] if rest > 0 else [])


def _drifts(one: RunComparison, width: int) -> list[str]:
    proven = [drift for drift in one.drifts if drift.drift.significant]
    lines = titled("Drift within a phase", width)
    if not proven:
        return lines + wrapped(f"no significant drift on {counted(len(one.drifts), 'channel')}", width)
    rows: list[tuple[str, ...]] = [("run", "channel", "phase", "per hour", "from", "to", "")]
    for found in proven[:MOST]:
        drift = found.drift
        rows.append(
            (
                "first" if found.party == one.first else "second",
                drift.channel,
                found.phase or "-",
                figure(drift.per_h, 3),
                figure(drift.low_per_h, 3, near=drift.per_h),
                figure(drift.high_per_h, 3, near=drift.per_h),
                "more likely a step" if drift.step_ns is not None else "",
            )
        )
    return lines + table(rows, width, frozenset({3, 4, 5}))
