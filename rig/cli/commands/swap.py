"""Record: record another serial number in a position."""

from __future__ import annotations

import argparse
from typing import Any

from rig.cli.order_arguments import AT_HELP, RUN, ask, demand_position, demand_since_begin, past_ns, run_of
from rig.errors import UsageError

EXAMPLE = "soakrig swap runs A3 0019 --note 'the old one hums'"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("run", metavar="RUN", help=RUN)
    parser.add_argument("position", metavar="POSITION", help="the unit's name in the rig file")
    parser.add_argument("serial", metavar="SERIAL", help="serial number now in the position; '' for none")
    parser.add_argument("--note", default="", help="why")
    parser.add_argument("--at", default="", help=f"for a swap recorded afterwards: {AT_HELP}")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.domain.orders import OrderKind

    demand_position(run_of(args.run), args.position)
    data: dict[str, Any] = {"unit": args.position, "serial": args.serial, "text": args.note}
    if args.at:
        data["at_ns"] = _at_ns(args)
    how = ask(args.run, OrderKind.SWAP, data)
    who = args.serial or "nobody"
    return 0, f"{args.position} now holds {who}: {how}"


def _at_ns(args: argparse.Namespace) -> int:
    """Return since when the unit is there, UTC ns. Raises UsageError if that contradicts the record."""
    from rig.domain.model import EventKind
    from rig.domain.positions import contradiction
    from rig.store.reader import RunReader

    found = run_of(args.run)
    at_ns, run = past_ns(args.at, found.created_ns), RunReader.open(found.path)
    demand_since_begin(found, args.at, at_ns)
    against = contradiction(run.events_of({EventKind.UNIT}), args.position, args.serial, at_ns)
    if against:
        raise UsageError(f"--at {args.at} contradicts the record: {against}")
    return at_ns
