"""Record: record a run; resumes the open run of this rig if there is one."""

from __future__ import annotations

import argparse

from rig.cli.arguments import duration_s, file_argument, rig_file, say

EXAMPLE = "soakrig log configs/room.yaml"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    file_argument(parser)
    parser.add_argument("--new", action="store_true", help="close the open run and begin a new one")
    parser.add_argument("--for", dest="duration", metavar="TIME", help="end the run after e.g. '10 min'")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.daemon import session

    limit_s = duration_s(args.duration, "--for") if args.duration else None
    outcome = session.record(rig_file(args.file), new=args.new, duration_s=limit_s, say=say)
    readings = f"{outcome.health['readings']:,} readings" if "readings" in outcome.health else "ended"
    say(f"stopped: {outcome.reason}; {readings}; run {outcome.path}")
    return 0, ""
