"""Explain: the life of one serial number over runs: installations, hours, states, failures, notes."""

from __future__ import annotations

import argparse

from rig.cli.many_runs import PLACES, ask, exit_code, width, worker_arguments
from rig.errors import StoreError, UsageError

EXAMPLE = "soakrig unit 0017 runs"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("serial", metavar="SERIAL", help="serial number of the unit")
    parser.add_argument("places", metavar="PLACE", nargs="*", default=["runs"], help=PLACES)
    worker_arguments(parser)


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.domain.formatting import counted
    from rig.errors import shown
    from rig.fleet.run_questions import LifeQuestion
    from rig.reliability.unit_life import near, unit_life
    from rig.render import unit_text

    traces, unread = ask(LifeQuestion(args.serial), args.places, args)
    if unread and not traces:
        raise StoreError(f"no run could be read: {'; '.join(unread)}")
    life = unit_life(args.serial, traces)
    if life is None:
        rest = f"; not read: {'; '.join(unread)}" if unread else ""
        raise UsageError(
            f"serial number {shown(args.serial)} is in none of {counted(len(traces), 'run')} at "
            f"{', '.join(args.places)}; {near(args.serial, traces)}{rest}"
        )
    said = unit_text.as_json(life, unread) if args.json else unit_text.text(life, unread, width=width())
    return exit_code(unread), said
