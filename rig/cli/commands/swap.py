"""Record: record another serial number in a position."""

from __future__ import annotations

import argparse

from rig.cli.order_arguments import RUN, ask, demand_position, run_of

EXAMPLE = "soakrig swap runs A3 0019 --note 'the old one hums'"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("run", metavar="RUN", help=RUN)
    parser.add_argument("position", metavar="POSITION", help="the unit's name in the rig file")
    parser.add_argument("serial", metavar="SERIAL", help="serial number now in the position; '' for none")
    parser.add_argument("--note", default="", help="why")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.domain.orders import OrderKind

    demand_position(run_of(args.run), args.position)
    data = {"unit": args.position, "serial": args.serial, "text": args.note}
    how = ask(args.run, OrderKind.SWAP, data)
    who = args.serial or "nobody"
    return 0, f"{args.position} now holds {who}: {how}"
