"""Tables of figures from judged rooms."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np

from tests.verify.states.judge import DATED_POLLS, Claim, Death, Judged
from tests.verify.states.truth import STATES

STATED = (*STATES, "unobserved")


def part(judged: Sequence[Judged], signals: Sequence[str]) -> list[Judged]:
    """Return the rooms that read certain signals."""
    return [one for one in judged if one.stratum["signals"] in signals]


def tellable(judged: Sequence[Judged]) -> list[Death]:
    """Return the deaths that had the time to be told, and were not switched off by soakrig at once."""
    return [d for j in judged for d in j.deaths if d.findable and not d.ordered]


def false_claims(judged: Sequence[Judged]) -> list[Claim]:
    """Return the failures claimed of healthy units that nobody switched off without a note."""
    return [c for j in judged for c in j.claims if not c.unnoted]


def tables(judged: Sequence[Judged]) -> str:
    """Return all tables as text."""
    parts = [overall(part(judged, ("all",)), "rooms that read all four signals")]
    parts += [
        overall(part(judged, (name,)), f"rooms that read: {name}")
        for name in ("no mains", "no supply", "output and drive")
        if part(judged, (name,))
    ]
    parts += [confusion(part(judged, ("all",))), causes(part(judged, ("all",)))]
    parts += [kinds(part(judged, ("all",))), strata(part(judged, ("all",)))]
    return "\n\n".join(parts)


def _share(some: int, of: int) -> str:
    return f"{some} of {of}" + (f" = {100 * some / of:.1f} %" if of else "")


def overall(judged: Sequence[Judged], title: str) -> str:
    """Return the figures of some rooms."""
    deaths, claims = tellable(judged), [c for j in judged for c in j.claims]
    found = [d for d in deaths if d.found]
    errors = np.array([e for j in judged for e, _ in j.steps] or [0.0])
    missed = sum(len(j.missed) for j in judged)
    wrong, right = hours(judged)
    unsure = [c for c in claims if c.unnoted]
    possible = sum(d.certainty == "possible" for d in found if d.fuse)
    taken_back = sum(j.taken_back for j in judged)
    polls = f"median {np.median(errors):.2f}, 99 % {np.percentile(errors, 99):.2f}, worst {errors.max():.1f}"
    dated = _share(sum(d.off_polls <= DATED_POLLS for d in found), len(found))
    false, healthy = len(false_claims(judged)), sum(j.healthy for j in judged)
    said = sum(c.certainty == "possible" for c in unsure)
    lines = [
        f"{title} ({len(judged)})",
        f"  failures claimed of healthy units   {false} in {healthy} unit-runs (taken back: {taken_back})",
        f"  switched off without a note         {len(unsure)} suspected, 'possible' {said}",
        f"  deaths that could be told           {_share(len(found), len(deaths))} found",
        f"    dated within {DATED_POLLS:g} polls              {dated}",
        f"    fuses said 'possible'             {possible} of {sum(d.fuse for d in found)}",
        f"  transitions                         {len(errors)} (missed {missed}), error in polls: {polls}",
        f"  hours in the wrong state            {wrong:.2f} of {wrong + right:.1f}",
    ]
    return "\n".join(lines)


def summed(parts: Sequence[Mapping[tuple[str, str], float]]) -> dict[tuple[str, str], float]:
    """Return the sum of several tables of hours."""
    total: dict[tuple[str, str], float] = defaultdict(float)
    for one in parts:
        for key, value in one.items():
            total[key] += value
    return total


def hours(judged: Sequence[Judged]) -> tuple[float, float]:
    """Return the hours of true, fully read states that were stated wrongly and rightly."""
    total = summed([j.hours for j in judged])
    right = sum(total[one, one] for one in STATES)
    return sum(v for (true, _), v in total.items() if true in STATES) - right, right


def confusion(judged: Sequence[Judged]) -> str:
    """Return the hours by true and stated state."""
    total = summed([j.hours for j in judged])
    rows = [*STATES, *sorted({true for true, _ in total} - set(STATES))]
    lines = ["hours, truth by line, stated by column", f"{'':28s}" + "".join(f"{one:>12s}" for one in STATED)]
    return "\n".join(
        lines + [f"{row:28s}" + "".join(f"{total[row, one]:12.2f}" for one in STATED) for row in rows]
    )


def causes(judged: Sequence[Judged]) -> str:
    """Return the hours without power by true and stated cause."""
    total = summed([j.causes for j in judged])
    columns = ("order", "note", "mains", "unknown")
    lines = ["hours unpowered, true cause by line", f"{'':12s}" + "".join(f"{one:>12s}" for one in columns)]
    return "\n".join(
        lines + [f"{row:12s}" + "".join(f"{total[row, one]:12.2f}" for one in columns) for row in columns]
    )


def kinds(judged: Sequence[Judged]) -> str:
    """Return what became of each kind of death."""
    lines = [
        f"{'death':18s}" + "".join(f"{h:>12s}" for h in ("deaths", "tellable", "found", "dated", "likely"))
    ]
    deaths = [d for j in judged for d in j.deaths]
    for kind in sorted({d.kind for d in deaths}):
        mine = [d for d in deaths if d.kind == kind]
        told = [d for d in mine if d.findable and not d.ordered]
        found = [d for d in told if d.found]
        cells = (
            len(mine),
            len(told),
            len(found),
            sum(d.off_polls <= DATED_POLLS for d in found),
            sum(d.certainty == "likely" for d in found),
        )
        lines.append(f"{kind:18s}" + "".join(f"{c:12d}" for c in cells))
    return "\n".join(lines)


def strata(judged: Sequence[Judged]) -> str:
    """Return false failures, deaths and the error of transitions by stratum."""
    heads = ("rooms", "false", "deaths", "found", "99 % polls", "missed")
    lines = [f"{'stratum':14s}{'value':14s}" + "".join(f"{h:>12s}" for h in heads)]
    for key in judged[0].stratum if judged else ():
        for value in sorted({j.stratum[key] for j in judged}):
            mine = [j for j in judged if j.stratum[key] == value]
            told = tellable(mine)
            errors = [e for j in mine for e, _ in j.steps] or [0.0]
            cells = (
                f"{len(mine)}",
                f"{len(false_claims(mine))}",
                f"{len(told)}",
                f"{sum(d.found for d in told)}",
                f"{np.percentile(errors, 99):.2f}",
                f"{sum(len(j.missed) for j in mine)}",
            )
            lines.append(f"{key:14s}{value:14s}" + "".join(f"{c:>12s}" for c in cells))
    return "\n".join(lines)
