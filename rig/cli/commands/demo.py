"""Try: record a simulated room over real transports until a unit fails, and explain the failure."""

from __future__ import annotations

import argparse
from pathlib import Path

from rig.cli.arguments import SOAKRIG, say

EXAMPLE = "soakrig demo --scenario fan-failure --seed 3 --keep"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("--scenario", help="fault scenario; 'list' names all")
    parser.add_argument(
        "--whole-job",
        action="store_true",
        help="from pre-flight over a test program and a death to account, verdict and comparison (2 min)",
    )
    parser.add_argument("--seed", type=int, default=7, help="seed of the random numbers (default 7)")
    parser.add_argument("--folder", help="where to put it (default: a new temporary folder)")
    parser.add_argument("--keep", action="store_true", help="keep the recording and print its place")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.demo import main_job

    code = main_job.run(
        scenario=args.scenario,
        whole_job=args.whole_job,
        seed=args.seed,
        folder=Path(args.folder) if args.folder else None,
        keep=args.keep or args.folder is not None,
        say=say,
        soakrig=SOAKRIG,
    )
    return code, ""
