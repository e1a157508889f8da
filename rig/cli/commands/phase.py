"""Record: move the test program by hand: next phase, a named one, hold, go."""

from __future__ import annotations

import argparse

from rig.cli.order_arguments import RUN, ask, demand_logger, run_of

EXAMPLE = "soakrig phase runs next --note 'the variac is at its end'"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("run", metavar="RUN", help=RUN)
    parser.add_argument("to", metavar="TO", help="next, hold, go, or the name of a phase")
    parser.add_argument(
        "--unit",
        metavar="UNIT",
        default="",
        help="only the group of units that share its sources; default: every group that can do it",
    )
    parser.add_argument("--note", default="", help="why")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.domain.orders import OrderKind

    demand_logger(run_of(args.run), "no test program is running; start it with 'soakrig log FILE'")
    how = ask(args.run, OrderKind.PHASE, {"to": args.to, "text": args.note, "unit": args.unit})
    return 0, f"program: {args.to}: {how}"
