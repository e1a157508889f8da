"""Keep: write readings to a CSV, XLSX or Parquet file."""

from __future__ import annotations

import argparse
from pathlib import Path

from rig.cli.arguments import duration_s, moment_arguments, moments_ns, run_argument, run_path, say

EXAMPLE = "soakrig export runs --to a3.xlsx --unit A3 --every '10 s'"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    run_argument(parser)
    parser.add_argument("--to", metavar="FILE", required=True, help="file to write: .csv, .xlsx or .parquet")
    parser.add_argument("--channels", metavar="NAME", nargs="+", default=(), help="names, or patterns with *")
    parser.add_argument("--unit", help="only the channels of this unit")
    moment_arguments(parser)
    parser.add_argument("--every", metavar="TIME", help="step of the grid (default: the shortest poll)")
    parser.add_argument("--age", metavar="TIME", help="how old a value may be (default: 2.5 polls)")
    parser.add_argument("--long", action="store_true", help="a row per reading instead of a grid")
    parser.add_argument("--no-status", action="store_true", help="no status columns; blank where not good")
    parser.add_argument("--zone", help="zone of local time (default: this machine's)")
    parser.add_argument("--decimal", choices=("point", "comma"), default="point", help="decimal sign in CSV")
    parser.add_argument("--force", action="store_true", help="replace an existing file")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.interchange import export, limits_file

    start, end = moments_ns(args, "--from or --until", args.zone)
    wanted = export.ExportSelection(
        channels=tuple(args.channels), unit=args.unit, start_ns=start, end_ns=end, long=args.long,
        every_s=duration_s(args.every, "--every") if args.every else None,
        age_s=duration_s(args.age, "--age") if args.age else None,
        statuses=not args.no_status, zone=limits_file.zone(args.zone) if args.zone else None,
        decimal="," if args.decimal == "comma" else ".",
    )  # fmt: skip
    rows = export.export(run_path(args), Path(args.to), wanted, force=args.force, say=say)
    return 0, f"{rows:,} rows in {args.to}"
