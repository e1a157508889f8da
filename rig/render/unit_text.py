"""Life of one serial number on one page of text, and as JSON."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from rig.domain.cautions import FAILED_UNIT
from rig.domain.formatting import counted, stamp
from rig.domain.operating_state import OperatingState
from rig.endurance.account_json import to_json
from rig.reliability.run_digest import HOUR_S
from rig.reliability.unit_life import FailureSign, LifeEvent, Stay, UnitLife
from rig.render.account_text import energy, hours
from rig.render.text_layout import table, titled, wrapped

MOST_STAYS = 10
MOST_FAILURES = 6
MOST_EVENTS = 10
MOST_REVISIONS = 5
"""How much of each kind fits a page (common practice, no source); all of it is in the JSON."""


def as_json(life: UnitLife, unread: Sequence[str] = ()) -> str:
    """Return the life as JSON text; ``unread``: runs that could not be read, and why."""
    content: dict[str, Any] = {**to_json("unit", life), "not_read": [*unread, *_skipped(life)]}
    return json.dumps(content, indent=2, ensure_ascii=False)


def text(life: UnitLife, unread: Sequence[str] = (), incidents: Sequence[str] = (), width: int = 80) -> str:
    """Return the life as plain text, newest first.

    unread: runs that could not be read, and why. incidents: those of the serial number, a paragraph each.
    """
    lines = _head(life, width)
    lines += _said_of_all(life.together, "Recorded in two places at once", width)
    lines += _failures(life, width)
    lines += _said_of_all(incidents, "Incidents", width)
    lines += _stays(life, width)
    lines += _phases(life, width)
    lines += _states(life, width)
    lines += _revisions(life, width)
    lines += _events(life.events, width)
    lines += _said_of_all([*unread, *_skipped(life)], "Not read", width)
    return "\n".join(line.rstrip() for line in lines)


def _head(life: UnitLife, width: int) -> list[str]:
    history, stays = life.history, life.stays
    runs, rigs = {one.facts.run for one in stays}, dict.fromkeys(one.facts.rig for one in reversed(stays))
    installed_s = sum(one.installation.installed_h for one in stays) * HOUR_S
    ways = dict.fromkeys(one.installation.counting.words for one in stays)
    figures = [
        f"{counted(history.trips, 'protection trip')}" if history.trips is not None else "trips not counted",
        counted(history.excursions, "excursion"),
    ]
    if history.energy_wh is not None:
        figures.append(energy(history.energy_wh))
    if history.output_h is not None:
        figures.append(f"{hours(history.output_h * HOUR_S)} with output")
    lines = wrapped(
        f"SERIAL NUMBER {life.serial}: {counted(len(stays), 'installation')} in {counted(len(runs), 'run')} "
        f"of {', '.join(rigs)}",
        width,
        "",
        "  ",
    )
    lines += wrapped(
        f"{hours(installed_s)} installed, {hours(history.observed_h * HOUR_S)} observed; "
        f"{hours(history.hours * HOUR_S)} count ({'; '.join(ways)})",
        width,
        "  ",
        "    ",
    )
    lines += wrapped(", ".join(figures), width, "  ", "    ")
    return lines + wrapped(_now(life), width, "  ", "    ")


def _now(life: UnitLife) -> str:
    """Return how it stands with the unit, without claiming more than is recorded."""
    newest = life.stays[0]
    place = f"{newest.facts.name} ({newest.installation.unit})"
    last = f"last recorded {_minute(newest.installation.end_ns)} UTC in {place}, state {newest.last_state}"
    died = life.history.died
    if died is not None and newest.installation.start_ns > died.t_ns:
        return f"counted as FAILED at {_minute(died.t_ns)} UTC, and installed again since; {last}"
    if died is not None:
        return f"counted as FAILED since {_minute(died.t_ns)} UTC; {last}"
    if any(not one.retracted for one in life.failures):
        return f"not counted as failed, but a failure is suspected, see below; {last}"
    return f"not known to have failed; {last}"


def _failures(life: UnitLife, width: int) -> list[str]:
    if not life.failures:
        return []
    lines = titled("Failures, suspected or noted", width)
    for one in life.failures[:MOST_FAILURES]:
        lines += wrapped(_failure(one), width, "- ", "  ")
    lines += _rest(len(life.failures) - MOST_FAILURES, "older sign of a failure", "older signs of a failure")
    return lines + wrapped(FAILED_UNIT, width)


def _failure(one: FailureSign) -> str:
    when = f"{stamp(one.latest_ns)}"
    if one.latest_ns - one.earliest_ns >= 1_000_000_000:
        when = f"between {stamp(one.earliest_ns).removesuffix(' UTC')} and {when}"
    back = "RETRACTED, it was none: " if one.retracted else ""
    return f"{when}, {one.unit} in {one.run}: {back}{one.source} ({one.certainty}): {one.text}"


def _stays(life: UnitLife, width: int) -> list[str]:
    lines = titled("Installations, newest first (UTC)", width)
    for one in life.stays[:MOST_STAYS]:
        lines += wrapped(_stay(one), width, "", "    ")
    return lines + _rest(len(life.stays) - MOST_STAYS, "older installation", "older installations")


def _stay(one: Stay) -> str:
    mine = one.installation
    trips = "" if mine.trips is None else f", {counted(mine.trips, 'trip')}"
    return (
        f"{_minute(mine.start_ns)} to {_minute(mine.end_ns)}  {one.facts.name}, place {mine.unit}, load "
        f"{one.load}: {hours(mine.observed_h * HOUR_S)} observed{trips}"
    )


def _phases(life: UnitLife, width: int) -> list[str]:
    if not life.history.phases:
        return []
    rows: list[tuple[str, ...]] = [("phase", "within targets", "out", "unobserved", "in force")]
    for name, one in life.history.phases.items():
        # the three add up to the last; rounding may leave a value slightly below zero
        parts = (one.within_h, one.out_h, one.unobserved_h, one.in_force_h)
        rows.append((name, *(hours(max(0.0, part) * HOUR_S) for part in parts)))
    return titled("Time in phases", width) + table(rows, width, frozenset({1, 2, 3, 4}))


def _states(life: UnitLife, width: int) -> list[str]:
    whole = sum(one.hours for one in life.states.values())
    rows: list[tuple[str, ...]] = [("state", "time", "share", "stretches", "longest")]
    for name, one in life.states.items():
        share = f"{one.hours / whole:.1%}" if whole > 0 else "-"
        rows.append(
            (name, hours(one.hours * HOUR_S), share, str(one.stretches), hours(one.longest_h * HOUR_S))
        )
    lines = titled("Time in operating states", width) + table(rows, width, frozenset({1, 2, 3, 4}))
    if OperatingState.UNOBSERVED.value in life.states:
        lines += wrapped("unobserved: nothing is claimed of that time", width, "", "  ")
    return lines


def _revisions(life: UnitLife, width: int) -> list[str]:
    lines = titled("Design revision, as the rig files state it", width)
    if not life.revisions:
        return [*lines, "not stated in any run"]
    for at, one in enumerate(life.revisions[:MOST_REVISIONS]):
        before: Mapping[str, str] = life.revisions[at + 1].keys if at + 1 < len(life.revisions) else {}
        lines += wrapped(
            f"from {_minute(one.since_ns)} ({one.run}): {_revision(one.keys, before)}", width, "- ", "  "
        )
    lines += _rest(len(life.revisions) - MOST_REVISIONS, "older revision", "older revisions")
    if life.unstated:
        lines += wrapped(f"not stated in {', '.join(life.unstated)}", width, "- ", "  ")
    return lines


def _revision(keys: Mapping[str, str], before: Mapping[str, str]) -> str:
    """Return a revision in words, with what it was before where that changed."""
    words = []
    for name, value in keys.items():
        was = before.get(name)
        words.append(f"{name} {value}" + (f" (was {was})" if was not in {None, value} else ""))
    gone = [f"{name} not stated any more (was {was})" for name, was in before.items() if name not in keys]
    return ", ".join([*words, *gone])


def _events(events: Sequence[LifeEvent], width: int) -> list[str]:
    if not events:
        return []
    lines = titled("Swaps and notes, newest first", width)
    for one in events[:MOST_EVENTS]:
        place = "" if one.text.startswith(f"{one.unit}:") else f"{one.unit}: "
        lines += wrapped(
            f"{_minute(one.t_ns)}  {one.kind} in {one.run}, {place}{one.text}", width, "", "    "
        )
    return lines + _rest(len(events) - MOST_EVENTS, "older swap or note", "older swaps and notes")


def _said_of_all(words: Sequence[str], title: str, width: int) -> list[str]:
    if not words:
        return []
    return titled(title, width) + [line for one in words for line in wrapped(one, width, "- ", "  ")]


def _rest(count: int, one: str, many: str) -> list[str]:
    return [f"  {counted(count, one, many)} in --json"] if count > 0 else []


def _skipped(life: UnitLife) -> list[str]:
    """Return the damaged parts of runs that were read without them."""
    facts = {one.facts.run: one.facts for one in life.stays}
    return [f"{one.name}: {reason}" for one in facts.values() for reason in one.skipped]


def _minute(t_ns: int) -> str:
    return stamp(t_ns)[:16]
