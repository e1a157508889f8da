"""Explain: compare unit with unit or run with run, largest difference first."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from rig.cli.arguments import readable
from rig.cli.many_runs import JSON, width
from rig.errors import UsageError

if TYPE_CHECKING:
    from rig.endurance.comparison import Party

EXAMPLE = "soakrig compare runs/prototype runs/reference --unit-a A1 --unit-b A1"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("first", metavar="A", help="the reference: a run, a folder (its newest) or s3://...")
    parser.add_argument("second", metavar="B", help="the run compared with it; may be the same run")
    parser.add_argument(
        "--unit-a", help="position or serial number in A; default: every position in both runs"
    )
    parser.add_argument("--unit-b", help="position or serial number in B; default: that of A")
    parser.add_argument("--confidence", type=float, default=0.95, help="default 0.95")
    parser.add_argument("--json", action="store_true", help=JSON)


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.endurance.comparison import compare
    from rig.render import comparison_text as report

    if not 0.5 <= args.confidence < 1:
        raise UsageError(f"--confidence {args.confidence:g}: expected a number from 0.5, below 1")
    pairs = _parties(args)
    found = [compare(one, two, args.confidence) for one, two in pairs]
    return 0, report.as_json(found) if args.json else report.text(found, width())


def _parties(args: argparse.Namespace) -> list[tuple[Party, Party]]:
    from rig.endurance.held_readings import HeldReadings
    from rig.endurance.sides import sides
    from rig.fleet import run_places as places

    one, two = places.single(args.first), places.single(args.second)
    here = readable(places.open_run(one))
    there = here if one == two else readable(places.open_run(two))
    return sides(
        (here.dir.name, HeldReadings(here)), (there.dir.name, HeldReadings(there)), args.unit_a, args.unit_b
    )
