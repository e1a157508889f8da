"""Set up: find every mistake in a rig file, then check that the rig is online."""

from __future__ import annotations

import argparse

from rig.cli.arguments import NOT_READY, file_argument, rig_file, say

EXAMPLE = "soakrig check configs/room.yaml --no-probe"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    file_argument(parser)
    parser.add_argument(
        "--no-probe", action="store_true", help="only check the file; instruments are not asked"
    )


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.render import check_text

    config = rig_file(args.file)
    said = check_text.desk(config)
    if args.no_probe:
        return 0, said
    say(said)
    from rig.daemon import probe

    found = probe.probe(config)
    return 0 if found.good else NOT_READY, check_text.probed(found)
