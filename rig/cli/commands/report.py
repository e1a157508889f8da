"""Explain: write what a run was, what happened in it and what was missed, with pictures."""

from __future__ import annotations

import argparse
from pathlib import Path

from rig.cli import progress
from rig.cli.arguments import run_argument, run_path

EXAMPLE = "soakrig report runs --to report.html"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    run_argument(parser)
    parser.add_argument(
        "--to", metavar="PLACE", default="report.html",
        help="FILE.html (one file), FILE.md (pictures beside it), or a folder for both; default: report.html",
    )  # fmt: skip


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.render.pages import page_files
    from rig.render.pages import run_report as run

    with progress.shown("writing the report"):
        written = page_files.save_both(run.report(run_path(args)), Path(args.to))
    return 0, "\n".join(f"written: {path}" for path in written)
