"""Tables of figures from judged cases."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence

import numpy as np

from tests.verify.judge import Crossed, Judged


def tables(judged: Sequence[Judged]) -> str:
    """Return all tables as text."""
    parts = [
        overall(judged),
        by_stratum(judged),
        roles(judged),
    ]
    if any(c.derived for j in judged for c in j.crossings):
        parts.insert(1, derived(judged))
    return "\n\n".join(parts)


def _coverage(crossings: Sequence[Crossed]) -> str:
    if not crossings:
        return "      -"
    covered = sum(c.covered for c in crossings)
    return f"{100 * covered / len(crossings):6.2f}%"


def _ratio(crossings: Iterable[Crossed]) -> str:
    ratios = [c.width_s / c.best_s for c in crossings if c.best_s > 0 and np.isfinite(c.best_s)]
    return f"{np.median(ratios):6.2f}" if ratios else "     -"


def _percent(part: float, whole: float) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "-"


def overall(judged: Sequence[Judged]) -> str:
    """Return the figures over all cases."""
    crossings = [c for j in judged for c in j.crossings]
    phantoms, missed = sum(c.phantom for c in crossings), sum(j.missed for j in judged)
    certain, wrong = sum(j.certain for j in judged), sum(j.wrong for j in judged)
    orderable, ordered = sum(j.orderable for j in judged), sum(j.ordered for j in judged)
    lines = [
        f"crossings stated       {len(crossings)} (phantom {phantoms}, missed channels {missed})",
        f"coverage               {_coverage(crossings)}   (wanted: at least 95 %)",
        f"median width / best    {_ratio(crossings)}   (wanted: at most 1.5)",
        f"  smooth crossings only  {_ratio(c for c in crossings if not c.jump)}",
        f"certain pairs          {certain}, of which wrong {wrong}   (wanted: fewer than 1 in 1,000)",
        f"orderable pairs        {orderable}, ordered {_percent(ordered, orderable)}   (wanted: 90 %)",
    ]
    return "\n".join(lines + _onset_lines(judged))


def derived(judged: Sequence[Judged]) -> str:
    """Return the figures of the rises over ambient: crossings, and pairs that one of them is part of."""
    crossings = [c for j in judged for c in j.crossings if c.derived]
    certain, wrong = sum(j.derived_certain for j in judged), sum(j.derived_wrong for j in judged)
    shown = f"coverage {_coverage(crossings)}, width {_ratio(crossings)}"
    lines = [
        f"derived, lagged: {len(crossings)} crossings, {shown}",
        f"  certain pairs with one of them {certain}, of which wrong {wrong}   (wanted: none)",
    ]
    for shape in (True, False):
        found = [c for c in crossings if c.jump == shape]
        name = "jump" if shape else "smooth"
        lines.append(f"  {name}: {len(found)}, coverage {_coverage(found)}, width {_ratio(found)}")
    return "\n".join(lines)


def _onset_lines(judged: Sequence[Judged]) -> list[str]:
    quiet, false = sum(j.quiet_days for j in judged), sum(j.false_onsets for j in judged)
    onsets = [o for j in judged for o in j.onsets]
    lines = []
    if onsets:
        errors = np.array([abs(o[1]) for o in onsets])
        leads = np.array([max(o[2], 1e-9) for o in onsets])
        unseen = sum(j.onset_missed for j in judged)
        lines.append(f"onsets found           {len(onsets)} (not seen {unseen})")
        lines.append(
            f"  median error         {np.median(errors):.2f} s, {np.median(errors / leads):.3f} of the lead"
        )
        lines.append(f"  truth in interval    {_percent(sum(o[3] for o in onsets), len(onsets))}")
    per = 1000 * false / max(quiet, 1e-9)
    lines.append(f"false onsets           {false} on {quiet:.0f} quiet channel-days = {per:.2f} per 1,000")
    return lines


def by_stratum(judged: Sequence[Judged]) -> str:
    """Return coverage, width and soundness for every stratum and kind."""
    groups: dict[tuple[str, str], list[Judged]] = defaultdict(list)
    for j in judged:
        groups["kind", j.kind].append(j)
        for name, value in j.stratum.items():
            groups[name, value].append(j)
    heads = ("cases", "crossings", "coverage", "width", "certain", "wrong", "ordered")
    lines = [f"{'stratum':12s} {'value':24s} " + " ".join(f"{h:>9s}" for h in heads)]
    for (name, value), members in sorted(groups.items()):
        crossings = [c for j in members for c in j.crossings]
        ordered = _percent(sum(j.ordered for j in members), sum(j.orderable for j in members))
        certain, wrong = sum(j.certain for j in members), sum(j.wrong for j in members)
        cells = (
            len(members),
            len(crossings),
            _coverage(crossings),
            _ratio(crossings),
            certain,
            wrong,
            ordered,
        )
        lines.append(f"{name:12s} {value:24s} " + " ".join(f"{c!s:>9s}" for c in cells))
    kinds: dict[tuple[str, str], list[Crossed]] = defaultdict(list)
    for j in judged:
        for c in j.crossings:
            kinds[c.method, "jump" if c.jump else "smooth"].append(c)
    for (method, shape), found in sorted(kinds.items()):
        shown = ("", len(found), _coverage(found), _ratio(found))
        lines.append(f"{method:12s} {shape:24s} " + " ".join(f"{c!s:>9s}" for c in shown))
    return "\n".join(lines)


def roles(judged: Sequence[Judged]) -> str:
    """Return which role was given to which kind of case."""
    said = ("unit", "rig", "common-cause", "sensor", "instrument", "none")
    table: dict[str, Counter[str]] = defaultdict(Counter)
    right: dict[str, str] = {}
    for j in judged:
        table[j.kind][j.said] += 1
        right[j.kind] = "/".join(j.expected)
    lines = [f"{'kind':24s} {'should be':12s} " + " ".join(f"{s:>12s}" for s in said)]
    for kind, counts in sorted(table.items()):
        lines.append(f"{kind:24s} {right[kind]:12s} " + " ".join(f"{counts[s]:12d}" for s in said))
    unit = [j for j in judged if j.expected == ["unit"]]
    outside = [j for j in judged if j.expected[0] in {"rig", "sensor", "instrument"}]
    blamed = sum(j.said == "unit" for j in outside)
    excused = sum(j.said in {"rig", "sensor", "instrument", "common-cause"} for j in unit)
    for text, part, whole in (
        ("rig, sensor or instrument reported as unit", blamed, len(outside)),
        ("unit reported as rig, sensor or instrument", excused, len(unit)),
    ):
        lines.append(f"{text}: {part} of {whole} = {_percent(part, whole)} (wanted: at most 2 %)")
    return "\n".join(lines)
