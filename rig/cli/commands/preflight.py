"""Set up: check a rig step by step before a long run; the result is part of the run."""

from __future__ import annotations

import argparse

from rig.cli.arguments import NOT_READY, file_argument, rig_file, say

EXAMPLE = "soakrig preflight configs/room.yaml"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    file_argument(parser)
    parser.add_argument(
        "--yes", action="store_true", help="unattended: units are off and cold; skip all other steps"
    )
    parser.add_argument("--strict", action="store_true", help="count checks that cannot be judged as bad")
    parser.add_argument("--new", action="store_true", help="close the open run and begin a new one")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    import sys

    from rig.daemon import preflight_session, session
    from rig.domain.preflight_checks import CheckVerdict

    config = rig_file(args.file)
    guide = preflight_session.Guide(say, None if args.yes else sys.stdin)
    proof = preflight_session.PreflightSession(config, guide)
    outcome = session.record(config, new=args.new, say=say, preflight=proof)
    guide.finish()
    wrong = {CheckVerdict.BAD, CheckVerdict.UNJUDGED} if args.strict else {CheckVerdict.BAD}
    bad = not proof.through or any(one.verdict in wrong for one in proof.found)
    return NOT_READY if bad else 0, f"{outcome.reason}; recorded in {outcome.path}"
