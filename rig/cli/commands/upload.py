"""Keep: copy the finished files of a run to a folder or an object store; resumes where it stopped."""

from __future__ import annotations

import argparse

from rig.cli.arguments import aside, duration_s
from rig.errors import UsageError

EXAMPLE = "soakrig upload runs --to s3://endurance/room-1 --every '10 min'"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "run", metavar="RUN", help="a run directory, or a folder of runs (its newest is taken)"
    )
    parser.add_argument("--to", metavar="PLACE", required=True, help="a folder, or s3://BUCKET/KEY")
    parser.add_argument("--every", metavar="TIME", help="repeat until the run is over, e.g. every '10 min'")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from pathlib import Path

    from rig.domain.formatting import counted, size
    from rig.fleet import upload
    from rig.store.rundir import newest_run

    path = newest_run(Path(args.run))
    if args.every:
        every_s = duration_s(args.every, "--every")
        if every_s < 1:
            raise UsageError(f"--every {args.every!r}: expected 1 s or more")
        done = upload.follow(path, args.to, every_s, aside)
    else:
        done = upload.upload(path, args.to, aside)
    waiting = ""
    if done.waiting:
        waiting = f"; {counted(done.waiting, 'journal')} not sealed yet, not uploaded"
    return 0, (
        f"{done.address}: {counted(len(done.put), 'file')} put ({size(done.size)}), {done.kept} already there"
        f"{waiting}"
    )
