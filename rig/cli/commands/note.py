"""Record: record an observation or action in the run."""

from __future__ import annotations

import argparse
from typing import Any

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

EXAMPLE = "soakrig note runs 'fan filter cleaned' --unit A3"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("run", metavar="RUN", help=RUN)
    parser.add_argument("text", metavar="TEXT", help="what was seen or done")
    parser.add_argument("--unit", default="", help="the unit it is about")
    parser.add_argument(
        "--died", action="store_true", help="the unit has failed for good: its account ends here"
    )
    parser.add_argument("--at", default="", help=AT_HELP)


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.domain.orders import OrderKind

    data: dict[str, Any] = {"text": args.text, "unit": args.unit}
    if not args.text.strip():
        raise UsageError("the note is empty: write what was seen or done")
    if args.died and not args.unit:
        raise UsageError("--died: say which unit, as --unit A3")
    if args.unit:
        demand_position(run_of(args.run), args.unit)
    if args.died:
        data["died"] = True
    if args.at:
        data["at_ns"] = past_ns(args.at, run_of(args.run).created_ns)
    if args.died:
        if args.at:
            demand_since_begin(run_of(args.run), args.at, data["at_ns"])
        demand_occupied(run_of(args.run), args.unit, data.get("at_ns"))
    return 0, f"note {ask(args.run, OrderKind.NOTE, data)}"
