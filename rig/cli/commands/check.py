"""Set up: find every mistake in a rig file, then check that the rig is online."""

from __future__ import annotations

import argparse

from rig.cli.arguments import NOT_READY, file_argument, rig_file, say
from rig.errors import UsageError

EXAMPLE = "soakrig check configs/room.yaml --no-probe"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    file_argument(parser)
    parser.add_argument(
        "--no-probe", action="store_true", help="only check the file; instruments are not asked"
    )
    parser.add_argument(
        "--budget", action="store_true", help="only the measurement uncertainty of each channel, item by item"
    )
    parser.add_argument(
        "--at",
        action="append",
        default=[],
        metavar="CHANNEL=VALUE",
        help="with --budget: a channel's value, in its unit, where its errors are wanted; may be repeated",
    )


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.render import check_text

    if args.at and not args.budget:
        raise UsageError("--at says where a budget is wanted: write --budget too")
    config = rig_file(args.file)
    if args.budget:
        from rig.render import budget

        return 0, budget.budgets(config.layout, args.at)
    said = check_text.rig_file(config)
    if args.no_probe:
        return 0, said
    say(said)
    from rig.daemon import probe

    found = probe.probe(config)
    return 0 if found.good else NOT_READY, check_text.probed(found)
