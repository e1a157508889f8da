"""Look: list runs, in folders of any depth or in an object store."""

from __future__ import annotations

import argparse

from rig.cli.many_runs import ask, exit_code, places_arguments

EXAMPLE = "soakrig ls runs"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    places_arguments(parser)


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.fleet.run_questions import Summarise
    from rig.render import runs_text

    found, unread = ask(Summarise(), args.places, args)
    return exit_code(unread), runs_text.as_json(found, unread) if args.json else runs_text.text(found, unread)
