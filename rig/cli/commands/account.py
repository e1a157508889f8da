"""Explain: account of each unit from readback: hours, energy, cycles, trips, margins."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from rig.cli.arguments import tell_left_out
from rig.cli.many_runs import (
    counting_argument,
    digests,
    ev_pm_argument,
    exit_code,
    open_one,
    width,
    worker_arguments,
)
from rig.errors import UsageError

if TYPE_CHECKING:
    from rig.endurance.ageing import InUseAt

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
    parser.add_argument(
        "--in-use", nargs=3, metavar=("EV", "USE_C", "QUANTITY"),
        help="hours of use that this run is worth: activation energy, part temperature in use, and the "
        "quantity that shows it here, as 0.7 55 heatsink (Arrhenius; one run)",
    )  # fmt: skip
    ev_pm_argument(parser)
    counting_argument(parser)
    worker_arguments(parser)


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    use = _use(args)
    if args.all or len(args.places) > 1 or args.scheduler:
        if use is not None:
            raise UsageError("--in-use takes one run; for many, see soakrig reliability --arrhenius")
        return _histories(args)
    from rig.endurance.run_account import account
    from rig.render import account_text as report

    run = open_one(args.places[0])
    found = account(run, args.unit, use)
    tell_left_out(run)
    return 0, report.as_json(found) if args.json else report.text(found, width())


def _use(args: argparse.Namespace) -> InUseAt | None:
    from rig.endurance.ageing import InUseAt

    if args.in_use is None:
        return None
    try:
        activation_ev, use_c = float(args.in_use[0]), float(args.in_use[1])
    except ValueError:
        raise UsageError(
            f"--in-use {' '.join(args.in_use)}: expected an energy in eV, a temperature in degC and a "
            "quantity, such as 0.7 55 heatsink"
        ) from None
    return InUseAt(
        activation_ev=activation_ev, use_c=use_c, quantity=args.in_use[2], half_width_ev=args.ev_pm
    )


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

    return {installation.unit for _, installation in one.installations} if isinstance(one, History) else set()
