"""Explain: account of each unit from readback: hours, energy, cycles, trips, margins."""

from __future__ import annotations

import argparse

from rig.cli.arguments import tell_left_out
from rig.cli.many_runs import counting_argument, digests, exit_code, open_one, width, worker_arguments
from rig.errors import UsageError

EXAMPLE = "soakrig account runs --unit A3"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "places", metavar="RUN", nargs="*", default=["runs"],
        help="one run (or a folder: its newest); with --all, or several: every run there, added up by serial "
        "number; s3://BUCKET/KEY works too; default: ./runs",
    )  # fmt: skip
    parser.add_argument("--all", action="store_true", help="all runs at these places, by serial number")
    parser.add_argument("--unit", help="only this unit, by position or serial number")
    counting_argument(parser)
    worker_arguments(parser)


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    if args.all or len(args.places) > 1 or args.scheduler:
        return _histories(args)
    from rig.endurance.run_account import account
    from rig.render import account_text as report

    run = open_one(args.places[0])
    found = account(run, args.unit)
    tell_left_out(run)
    return 0, report.as_json(found) if args.json else report.text(found, width())


def _histories(args: argparse.Namespace) -> tuple[int, str]:
    from rig.reliability.run_digest import histories
    from rig.render import fleet_text

    asked, unread = digests(args, args.places)
    found = [one for one in histories(asked) if args.unit in {None, one.serial, *_seats(one)}]
    if args.unit is not None and not found:
        raise UsageError(f"no unit or serial number {args.unit!r} in these runs")
    if args.json:
        return exit_code(unread), fleet_text.histories_json(found, unread)
    return exit_code(unread), fleet_text.histories(found, unread, width())


def _seats(one: object) -> set[str]:
    from rig.reliability.run_digest import History

    return {stay.unit for _, stay in one.stays} if isinstance(one, History) else set()
