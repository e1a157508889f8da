"""List of runs, one line each."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC
from pathlib import PurePath
from typing import Any

from rig.domain.formatting import duration, moment, size
from rig.endurance.account_json import to_json
from rig.endurance.run_summary import RunSummary
from rig.render.text_layout import table, wrapped

_WIDTH = 140
_HEAD = ("run", "rig", "state", "start (UTC)", "length", "units", "sessions", "excursions", "still out",
         "size", "incidents")  # fmt: skip
_NOTE = (
    "still out: units with a channel still out of limits at the end of the record: failed, or stopped in "
    "between (see 'soakrig postmortem RUN')"
)
_OPEN = "incidents: those that nobody has closed yet (see 'soakrig incident RUN')"


def as_json(found: Sequence[RunSummary], unread: Sequence[str]) -> str:
    """Return the runs as JSON text; ``unread``: what could not be read, and why."""
    content: dict[str, Any] = {**to_json("runs", in_order(found)), "not_read": list(unread)}
    return json.dumps(content, indent=2, ensure_ascii=False)


def in_order(found: Sequence[RunSummary]) -> list[RunSummary]:
    """Return runs by the folder they are in, then oldest first."""
    return sorted(found, key=lambda one: (_folder(one), one.facts.created_ns, one.facts.name))


def text(found: Sequence[RunSummary], unread: Sequence[str] = ()) -> str:
    """Return the runs as tables, one for each folder that holds some, oldest first."""
    lines: list[str] = []
    if not found and not unread:
        return "no runs here"
    folders: dict[str, list[RunSummary]] = {}
    for one in in_order(found):
        folders.setdefault(_folder(one), []).append(one)
    for folder, runs in folders.items():
        if len(folders) > 1:
            lines += [*([""] if lines else []), f"{folder}:"]
        lines += _listed(runs)
    if any(one.still_out for one in found):
        lines += ["", *wrapped(_NOTE, _WIDTH)]
    if any(one.open_incidents for one in found):
        lines += ["", *wrapped(_OPEN, _WIDTH)]
    reasons = [f"{one.facts.name}: {reason}" for one in in_order(found) for reason in one.facts.skipped]
    lines += [
        text for reason in (*unread, *reasons) for text in wrapped(reason, _WIDTH, "not read: ", " " * 10)
    ]
    return "\n".join(lines)


def _listed(runs: Sequence[RunSummary]) -> list[str]:
    """Return runs as a table: the rig only where a name does not begin with it, incidents if any is open."""
    rows = [_HEAD, *(_row(one) for one in runs)]
    if not any(one.open_incidents for one in runs):
        rows = [row[:-1] for row in rows]
    if all(one.facts.name.startswith(one.facts.rig) for one in runs):
        return table([(row[0], *row[2:]) for row in rows], _WIDTH, frozenset({3, 4, 5, 8}))
    return table(rows, _WIDTH, frozenset({4, 5, 6, 9}))


def _folder(one: RunSummary) -> str:
    return str(PurePath(one.facts.where).parent)


def _row(one: RunSummary) -> tuple[str, ...]:
    count = sum(times for _, times in one.excursions)
    who = ", ".join(unit or "room" for unit, _ in one.excursions)
    return (
        one.facts.name,
        one.facts.rig,
        one.facts.state,
        f"{moment(one.facts.created_ns, UTC):%Y-%m-%d %H:%M}",
        duration((one.end_ns - one.start_ns) / 1e9) if one.end_ns else "-",
        str(len(one.units)),
        str(one.sessions),
        f"{count:,}: {who}" if count else "none",
        ", ".join(one.still_out) or "-",
        size(one.size),
        f"{one.open_incidents} open" if one.open_incidents else "-",
    )
