"""Record: list incidents, show one, close it with a disposition, open one by hand."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.cli.order_arguments import (
    AT_HELP,
    RUN,
    ask,
    demand_occupied,
    demand_position,
    demand_since_begin,
    past_ns,
    run_of,
)
from rig.errors import UsageError

if TYPE_CHECKING:
    from rig.domain.incidents import Incident
    from rig.domain.model import Layout
    from rig.forensics.answer import PostMortem
    from rig.store.incident_files import KeptFile
    from rig.store.reader import RunReader
    from rig.store.rundir import RunDir

EXAMPLE = "soakrig incident runs 3 --close relevant --cause unit --part Q7 --note 'bond wire lifted'"
_CAUSES = ("unit", "rig", "handling", "unknown")
_RELEVANCE = ("relevant", "non-relevant", "no-failure")
_TEXTS = ("mechanism", "part", "revision")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("run", metavar="RUN", help=RUN)
    parser.add_argument(
        "number", metavar="NUMBER", nargs="?", type=int, help="the incident; without it all are listed"
    )
    parser.add_argument("--open", metavar="UNIT", default="", help="open an incident of this unit by hand")
    parser.add_argument(
        "--close", choices=_RELEVANCE,
        help="close it: a relevant failure counts for the reliability of the design, a non-relevant one does "
        "not (IEC 61124: caused by the rig, handling, another failure...); no-failure: it had not failed",
    )  # fmt: skip
    parser.add_argument("--cause", choices=_CAUSES, help="where the cause lies")
    parser.add_argument("--mechanism", default="", metavar="TEXT", help="what happened in the part")
    parser.add_argument("--part", default="", metavar="TEXT", help="which part failed")
    parser.add_argument("--revision", default="", metavar="TEXT", help="revision of the unit or part")
    parser.add_argument("--note", default="", metavar="TEXT", help="what was seen or found")
    parser.add_argument(
        "--attach", action="append", default=[], metavar="FILE",
        help="copy a file into the run, with its SHA-256 on record; may be repeated",
    )  # fmt: skip
    parser.add_argument("--at", default="", metavar="TIME", help=AT_HELP)
    parser.add_argument("--json", action="store_true", help="print JSON; its field names are stable")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    _demand_sense(args)
    if args.open:
        return 0, _opened(args)
    found, layout, name = _found(run_of(args.run))
    if args.number is None:
        return 0, _listed(args, found, layout)
    one = next((one for one in found if one.number == args.number), None)
    if one is None:
        known = {0: "it has none", 1: "it has only number 1"}.get(len(found), f"it has 1 to {len(found)}")
        raise UsageError(f"there is no incident {args.number} in {name}; {known}")
    if args.close or args.note or args.attach:
        return 0, _entered(args, one)
    return 0, _shown(args, one, found, layout)


def _demand_sense(args: argparse.Namespace) -> None:
    told = [f"--{key}" for key in ("cause", *_TEXTS) if getattr(args, key)]
    if told and not args.close:
        raise UsageError(f"{told[0]} belongs to --close {'|'.join(_RELEVANCE)}")
    if args.close and not args.cause:
        raise UsageError(f"--close {args.close}: say where the cause lies, --cause {'|'.join(_CAUSES)}")
    if args.open and (args.number is not None or args.close or args.attach):
        raise UsageError("--open takes --note and --at alone: close it, or attach files, by its number then")
    if args.open and not args.note.strip():
        raise UsageError(f"--open {args.open}: say what was seen, --note TEXT")
    entered = args.close or args.note or args.attach
    if args.number is None and entered and not args.open:
        raise UsageError("which incident? give its number; 'soakrig incident RUN' lists them")
    if args.at and not entered:
        raise UsageError("--at belongs to what is entered: --open, --close, --note or --attach")


def _found(run: RunDir) -> tuple[tuple[Incident, ...], Layout, str]:
    """Return the incidents of a run, its layout, and its name."""
    from rig.domain.incidents import INCIDENT_EVENTS, incidents
    from rig.store.reader import RunReader

    reader: RunReader = RunReader.open(run.path)
    return incidents(reader.events_of(INCIDENT_EVENTS), reader.layout), reader.layout, run.name


def _listed(args: argparse.Namespace, found: tuple[Incident, ...], layout: Layout) -> str:
    from rig.render import incidents_text

    if args.json:
        return incidents_text.as_json(found)
    return incidents_text.listing(found, layout.units, args.run)


def _shown(args: argparse.Namespace, one: Incident, found: tuple[Incident, ...], layout: Layout) -> str:
    from dataclasses import replace

    from rig.render import incidents_text
    from rig.render.stored_answers import StoredPostMortem

    path = run_of(args.run).path
    stored = [StoredPostMortem(path, unit).answer() for unit in (one.place, None)] if one.place else []
    answer = next((known for known in stored if known is not None and _is_about(known, one)), None)
    first = answer.headline.check_first if answer is not None else ""
    one = replace(one, short_answer=answer.headline.result if answer is not None else "")
    if args.json:
        return incidents_text.as_json([one])
    return incidents_text.whole(one, found, layout.units, args.run, zone=None, check_first=first)


def _is_about(found: PostMortem, one: Incident) -> bool:
    """Return whether a post-mortem is that of the unit of an incident, and of its time."""
    from rig.domain.incidents import COMMON_S

    if found.unit != one.place or found.episode_ns is None:
        return False
    (start_ns, end_ns), near_ns = found.episode_ns, round(COMMON_S * 1e9)
    return start_ns - near_ns <= one.latest_ns and one.earliest_ns <= end_ns + near_ns


def _opened(args: argparse.Namespace) -> str:
    from rig.domain.incident_entries import OPENED
    from rig.domain.orders import OrderKind

    run = run_of(args.run)
    demand_position(run, args.open)
    data = {"what": OPENED, "unit": args.open, "text": args.note, **_at(args, run)}
    demand_occupied(run, args.open, data.get("at_ns"))
    known = len(_found(run)[0])
    how = ask(args.run, OrderKind.INCIDENT, data)
    new = [one for one in _found(run)[0][known:] if one.place == args.open]
    which = f"incident {new[-1].number}" if new else "incident"  # one that still waits has no number yet
    return f"{which} of {args.open}: {how}"


def _entered(args: argparse.Namespace, one: Incident) -> str:
    from rig.domain.formatting import stamp
    from rig.domain.incident_entries import ENTRY
    from rig.domain.orders import OrderKind
    from rig.store import incident_files

    run = run_of(args.run)
    data: dict[str, Any] = {
        "what": ENTRY, "number": one.number, "unit": one.place, "opened_ns": one.opened_ns, "text": args.note,
        **_at(args, run),
    }  # fmt: skip
    if args.close:
        if data.get("at_ns", one.earliest_ns) < one.earliest_ns:
            raise UsageError(f"--at {args.at} is before the incident itself, {stamp(one.earliest_ns)}")
        data |= {"relevance": args.close, "cause": args.cause, **{key: getattr(args, key) for key in _TEXTS}}
    kept: list[KeptFile] = []
    if args.attach:
        kept = incident_files.keep(run, one.number, [Path(name) for name in args.attach])
        files = [kept_file.file for kept_file in kept]
        data["files"] = [{"name": f.name, "sha256": f.sha256, "size": f.size} for f in files]
    try:
        how = ask(args.run, OrderKind.INCIDENT, data)
    except UsageError:
        incident_files.forget(kept)
        raise
    what = f"closed as {args.close.replace('no-f', 'no f')}, {args.cause}" if args.close else "entry"
    return f"incident {one.number}: {what}: {how}"


def _at(args: argparse.Namespace, run: RunDir) -> dict[str, int]:
    if not args.at:
        return {}
    at_ns = past_ns(args.at, run.created_ns)
    demand_since_begin(run, args.at, at_ns)
    return {"at_ns": at_ns}
