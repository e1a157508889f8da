"""Results over many runs as text and as JSON: history of each serial number, events found."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from rig.domain.formatting import counted, duration, figure, stamp
from rig.endurance.account_json import to_json
from rig.endurance.event_search import EventMatch
from rig.reliability.run_digest import BandSum, History, PhaseHours
from rig.render.account_text import band_names, energy, hours
from rig.render.text_layout import table, titled, wrapped

MOST_RUNS = 30


def histories_json(found: Sequence[History], unread: Sequence[str]) -> str:
    """Return histories as JSON text; ``unread``: runs that could not be read, and why."""
    content: dict[str, Any] = {**to_json("histories", list(found)), "not_read": list(unread)}
    return json.dumps(content, indent=2, ensure_ascii=False)


def histories(found: Sequence[History], unread: Sequence[str] = (), width: int = 100) -> str:
    """Return the history of every serial number over all runs as plain text."""
    runs = {facts.run for one in found for facts, _ in one.installations}
    lines = wrapped(
        f"ACCOUNT of {counted(len(found), 'serial number')} over {counted(len(runs), 'run')}, from readback",
        width,
    )
    head = (
        "serial",
        "runs",
        "hours",
        "observed",
        "unobserved",
        "output",
        "energy",
        "trips",
        "excursions",
        "state",
    )
    lines += titled("All serial numbers", width)
    lines += table([head, *(_row(one) for one in found)], width, frozenset(range(1, 9)))
    ways = sorted({installation.counting.words for one in found for _, installation in one.installations})
    for way in ways:
        lines += wrapped(f"counted: {way}, until failure", width, "", "  ")
    for one in found:
        lines += _history(one, width)
    lines += _unread(unread, width)
    return "\n".join(line.rstrip() for line in lines)


def _row(one: History) -> tuple[str, ...]:
    return (
        one.serial,
        str(len({facts.run for facts, _ in one.installations})),
        hours(one.hours * 3600),
        hours(one.observed_h * 3600),
        hours(one.unobserved_h * 3600),
        hours(one.output_h * 3600) if one.output_h is not None else "-",
        energy(one.energy_wh) if one.energy_wh is not None else "-",
        str(one.trips) if one.trips is not None else "-",
        str(one.excursions),
        "failed" if one.died else "alive",
    )


def _history(one: History, width: int) -> list[str]:
    lines = titled(f"Serial number {one.serial}", width)
    for facts, installation in one.installations[:MOST_RUNS]:
        what = [hours(installation.hours * 3600), f"{hours(installation.unobserved_h * 3600)} unobserved"]
        if installation.excursions:
            what.append(counted(installation.excursions, "excursion"))
        if installation.trips:
            what.append(counted(installation.trips, "trip"))
        words = f"{stamp(installation.start_ns)}  {facts.name}, place {installation.unit}: {', '.join(what)}"
        lines += wrapped(words, width, "", "    ")
        if installation.death is not None:
            lines += wrapped(
                f"FAILED {stamp(installation.death.t_ns)}: {installation.death.text}", width, "    ", "    "
            )
        elif installation.suspect is not None:
            words = f"still out at end: {', '.join(installation.suspect.channels)}"
            lines += wrapped(words, width, "    ", "    ")
    rest = len(one.installations) - MOST_RUNS
    if rest > 0:
        lines += [f"    {counted(rest, 'further installation')} in --json"]
    for name, phase in one.phases.items():
        lines += wrapped(_phase(phase), width, f"  phase {name}: ", "    ")
    for name, band in one.bands.items():
        lines += wrapped(_band(band), width, f"  {name} at ", "    ")
    return lines


def _phase(one: PhaseHours) -> str:
    # the three add up to the last; rounding may leave a value slightly below zero
    parts = (max(0.0, part) for part in (one.within_h, one.out_h, one.unobserved_h, one.in_force_h))
    within, out, unknown, force = (hours(part * 3600) for part in parts)
    return f"{within} within its targets, {out} out, {unknown} unobserved, {force} in force"


def _band(one: BandSum) -> str:
    names = band_names(one.edges)
    parts = [f"{name}: {hours(h * 3600)}" for name, h in zip(names, one.hours, strict=True)]
    unknown = f"; {hours(one.unobserved_h * 3600)} unobserved" if one.unobserved_h > 0 else ""
    return f"{', '.join(parts)}{unknown}"


def matches_json(found: Sequence[EventMatch], unread: Sequence[str]) -> str:
    """Return the events found as JSON text."""
    content: dict[str, Any] = {**to_json("found", list(found)), "not_read": list(unread)}
    return json.dumps(content, indent=2, ensure_ascii=False)


def matches(found: Sequence[EventMatch], unread: Sequence[str], runs: int, width: int = 100) -> str:
    """Return the events found in ``runs`` runs as plain text, oldest first."""
    lines = [f"{counted(len(found), 'match', 'matches')} in {counted(runs, 'run')}"]
    if found and all(one.limit is None for one in found):
        lines += _without_limit(found, width)
    elif found:
        head = ("time (UTC)", "channel", "serial", "limit", "worst", "lasted", "phase")
        rows = table([head, *(_row_of_match(one) for one in found)], width, frozenset({4, 5}))
        lines += ["", rows[0]]
        for at, row in enumerate(rows[1:]):
            facts = found[at].facts
            if at == 0 or facts.run != found[at - 1].facts.run:
                lines += wrapped(f"{facts.name} (rig {facts.rig})", width, "", "  ")
            lines.append(row)
    return "\n".join(line.rstrip() for line in [*lines, *_unread(unread, width)])


def _without_limit(found: Sequence[EventMatch], width: int) -> list[str]:
    """Return events that have no limit, such as notes, with their full text."""
    lines: list[str] = []
    for at, one in enumerate(found):
        if at == 0 or one.facts.run != found[at - 1].facts.run:
            lines += ["", *wrapped(f"{one.facts.name} (rig {one.facts.rig})", width, "", "  ")]
        where = "".join(
            f", {word}"
            for word in (one.serial and f"serial {one.serial}", one.phase)
            if word not in {"", one.subject}
        )
        words = f"{one.subject}{where}: {one.text}"
        lines += wrapped(words, width, f"  {stamp(one.start_ns).removesuffix(' UTC')}  ", " " * 4)
    return lines


def _row_of_match(one: EventMatch) -> tuple[str, ...]:
    lasted = ""
    if one.limit is not None:
        lasted = "still out" if one.end_ns is None else duration((one.end_ns - one.start_ns) / 1e9)
    limit = f"{one.side} {figure(one.limit)} {one.unit_of_measure}" if one.limit is not None else one.text
    return (
        f"  {stamp(one.start_ns).removesuffix(' UTC')}",
        one.subject,
        one.serial or "-",
        limit,
        figure(one.worst, near=one.limit or 0.0) if one.worst is not None else "",
        lasted,
        one.phase or "-",
    )


def _unread(unread: Sequence[str], width: int) -> list[str]:
    return [line for one in unread for line in wrapped(one, width, "not read: ", " " * 10)]
