"""Keep: turn CSV or Parquet files of other loggers into a run."""

from __future__ import annotations

import argparse
from pathlib import Path

from rig.cli.arguments import say

EXAMPLE = "soakrig import week1.csv week2.csv --limits limits.yaml"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "files", metavar="FILE", nargs="+", help="tables with a time column, in order of time"
    )
    parser.add_argument(
        "--limits", metavar="FILE", required=True, help="what the columns mean: a limits file"
    )
    parser.add_argument(
        "--runs", metavar="FOLDER", default="runs", help="where the run goes (default ./runs)"
    )
    parser.add_argument("--name", help="name of the run (default: rig and time)")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.interchange import importing

    files = [Path(one) for one in args.files]
    importing.import_files(files, Path(args.limits), runs=Path(args.runs), name=args.name, say=say)
    return 0, ""
