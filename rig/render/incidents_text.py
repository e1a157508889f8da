"""Incidents of a run as text: the list, and one of them whole with its history and what to do next."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from datetime import UTC, tzinfo

from rig.domain.formatting import counted, moment, size, stamp
from rig.domain.incident_entries import Disposition
from rig.domain.incidents import Incident, IncidentKind, open_count, together
from rig.endurance.account_json import to_json
from rig.render.postmortem_text import CAUTION
from rig.render.text_layout import table, wrapped

LISTED_WIDTH = 80
_HEAD = ("#", "unit", "serial", "when (UTC)", "what", "status")
_MARGIN = 13
"""Width of the names of facts."""


def as_json(found: Sequence[Incident]) -> str:
    """Return incidents as JSON text."""
    content = to_json("incidents", found)
    for row, one in zip(content["incidents"], found, strict=True):
        row["status"] = one.status
    return json.dumps(content, indent=2, ensure_ascii=False)


def listing(found: Sequence[Incident], places: Collection[str], run: str) -> str:
    """Return the incidents of a run, one line each; places: the units of its rig."""
    if not found:
        return "no incidents"
    lines = table([_HEAD, *rows(found)], LISTED_WIDTH, frozenset({0}))
    for one in found:
        if one.members:
            lines += wrapped(f"#{one.number}: {linked(one, found, places)}", LISTED_WIDTH, "", "    ")
    waiting = open_count(found)
    lines += ["", f"{counted(len(found), 'incident')}, {waiting or 'none'} open"]
    lines += wrapped(f"one of them whole: soakrig incident {run} NUMBER", LISTED_WIDTH)
    if waiting:
        lines += ["", *wrapped(CAUTION, LISTED_WIDTH)]
    return "\n".join(lines)


def rows(found: Sequence[Incident]) -> list[tuple[str, ...]]:
    """Return a row for each incident: number, place, serial number, time, kind, status."""
    return [
        (
            str(one.number),
            one.place or "-",
            one.serial or "-",
            f"{moment(one.earliest_ns, UTC):%m-%d %H:%M:%S}",
            one.kind.value,
            one.status,
        )
        for one in found
    ]


def whole(
    one: Incident, found: Sequence[Incident], places: Collection[str], run: str,
    *, zone: tzinfo | None = UTC, check_first: str = "",
) -> str:  # fmt: skip
    """Return one incident with its history, and what to do next.

    check_first: what the post-mortem says to check first, '' where there is none.
    """
    width = LISTED_WIDTH
    about = f"{one.place}, serial number {one.serial or 'unknown'}" if one.place else "several units"
    lines = [f"INCIDENT {one.number}: {one.kind.value}, {about}", ""]
    facts = [("status", _status(one)), ("moment", _moment(one, zone))]
    if one.members:
        facts.append(("linked", linked(one, found, places)))
    if one.common is not None:
        facts.append(("linked", f"#{one.common}: {linked(found[one.common - 1], found, places)}"))
    if one.retracted:
        facts.append(("retracted", one.retracted))
    if one.short_answer:
        facts.append(("post-mortem", f"of {one.place}: {one.short_answer}"))
    facts += [
        ("file", f"incidents/{file.number}/{file.name}, {size(file.size)}, SHA-256 {file.sha256[:16]}...")
        for file in one.files
    ]
    lines += [line for name, words in facts for line in _fact(name, words, width)]
    lines += ["", "History"]
    for t_ns, text in history(one):
        lines += wrapped(text, width, f"{stamp(t_ns, zone)}  ", "    ")
    lines += ["", "Next", *_next(one, run, check_first, width)]
    return "\n".join(line.rstrip() for line in lines)


def history(one: Incident) -> list[tuple[int, str]]:
    """Return what was recorded about an incident, oldest first: time (UTC ns) and words."""
    told = [(r.t_ns, f"{r.by + ': ' if r.by else ''}{r.text}") for r in one.reports]
    told += [(d.at_ns, f"{d.by + ': ' if d.by else ''}{_disposed(d)}") for d in one.dispositions]
    return sorted(told, key=lambda pair: pair[0])


def _status(one: Incident) -> str:
    if one.disposition is None:
        return one.status
    whose = "" if one.dispositions else f", by the disposition of #{one.common}"
    earlier = len(one.dispositions) - 1
    corrected = f"; corrected {counted(earlier, 'time')}, see the history" if earlier > 0 else ""
    return f"closed as {one.disposition.words}{whose}{corrected}"


def _disposed(said: Disposition) -> str:
    parts = [
        f"{name} {value}"
        for name, value in (("mechanism", said.mechanism), ("part", said.part), ("revision", said.revision))
        if value
    ]
    head = f"closed as {said.relevance.words}, cause {said.cause}"
    return "; ".join([head, *parts, *([said.text] if said.text else [])])


def _moment(one: Incident, zone: tzinfo | None) -> str:
    if one.earliest_ns == one.latest_ns:
        return stamp(one.earliest_ns, zone)
    return f"between {stamp(one.earliest_ns, zone, 1)} and {stamp(one.latest_ns, zone, 1)}"


def linked(common: Incident, found: Sequence[Incident], places: Collection[str]) -> str:
    """Return which incidents a common cause links."""
    mine = ", ".join(f"#{number} {found[number - 1].place}" for number in common.members)
    return f"{together(common, found, places)} ({mine}): look for a common cause first"


def _next(one: Incident, run: str, check_first: str, width: int) -> list[str]:
    closing = (
        f"soakrig incident {run} {one.number} --close relevant|non-relevant|no-failure "
        "--cause unit|rig|handling|unknown"
    )
    if not one.is_open:
        return wrapped(f"a correction is entered in the same way: {closing}", width, "- ", "  ")
    lines = wrapped(CAUTION, width, "- ", "  ")
    if one.kind is IncidentKind.COMMON:
        first = "what these units share: mains, air, signal, the rig's own orders"
    else:
        first = check_first or f"see the post-mortem: soakrig postmortem {run} --unit {one.place}"
    lines += wrapped(f"check first: {first}", width, "- ", "  ")
    lines += wrapped(f"then close it: {closing} --note 'what was found'", width, "- ", "  ")
    if one.noted or one.suspected:
        note = "until then it counts as a relevant failure (IEC 61124)"
    else:
        note = "until then it is no failure of a unit, unless the record shows one beside it"
    return lines + wrapped(note, width, "- ", "  ")


def _fact(name: str, words: str, width: int) -> list[str]:
    return wrapped(words, width, f"{name:<{_MARGIN}}", " " * _MARGIN)
