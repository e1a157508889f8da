"""Look: show a run live, or as it ended."""

from __future__ import annotations

import argparse

from rig.cli.arguments import run_argument, run_path

EXAMPLE = "soakrig watch runs"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    run_argument(parser)
    parser.add_argument("--plain", action="store_true", help="print the state once as plain text")
    parser.add_argument("--at", metavar="TIME", help="a past time: the last '03:12', or with a date")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.view import live_view

    return live_view.main_loop(run_path(args), once=args.plain, at=args.at), ""
