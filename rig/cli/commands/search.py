"""Look: find excursions, notes, gaps and other events in many runs."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime

from rig.cli.many_runs import ask, exit_code, places_arguments, width
from rig.errors import UsageError

EXAMPLE = "soakrig search archive --channel heatsink --since 2031-01-01"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    places_arguments(parser)
    parser.add_argument(
        "--kind", default="excursion", help="excursion, warning, or any kind of event; default: excursion"
    )
    parser.add_argument("--channel", help="a quantity such as heatsink, or a pattern such as 'A*.heatsink'")
    parser.add_argument("--unit", help="only this position")
    parser.add_argument("--serial", help="only this serial number")
    parser.add_argument(
        "--since", metavar="TIME", help="start time in UTC, as 2031-02-03 or 2031-02-03T04:05"
    )
    parser.add_argument("--until", metavar="TIME", help="end time in UTC; a day counts whole")
    parser.add_argument("--text", help="part of the text, upper or lower case")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.endurance.event_search import EXCURSION, KINDS, EventQuery, in_order
    from rig.fleet.run_questions import Search
    from rig.render import fleet_text

    if args.kind not in KINDS:
        raise UsageError(f"--kind {args.kind!r}: there are {', '.join(KINDS)}")
    query = EventQuery(
        kind=args.kind, channel=args.channel, unit=args.unit, serial=args.serial,
        since_ns=_moment_ns(args.since, "--since"), until_ns=_moment_ns(args.until, "--until", whole=True),
        text=args.text,
    )  # fmt: skip
    lists, unread = ask(Search(query), args.places, args)
    found = in_order(lists)
    said = (
        fleet_text.matches_json(found, unread)
        if args.json
        else fleet_text.matches(found, unread, len(lists), width())
    )
    if not found and not args.json and args.kind == EXCURSION and args.text:
        said += "\nexcursions only; other events: --kind note, phase, check ..."
    return exit_code(unread), said


def _moment_ns(text: str | None, option: str, *, whole: bool = False) -> int | None:
    """Return a moment in UTC ns; ``whole``: the end of the day where only a day is written."""
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"{option} {text!r}: {error}; write 2031-02-03 or 2031-02-03T04:05:06") from error
    moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment
    day_ns = 86_400 * 1_000_000_000 - 1 if whole and len(text) <= len("2031-02-03") else 0
    return int(moment.timestamp()) * 1_000_000_000 + moment.microsecond * 1000 + day_ns
