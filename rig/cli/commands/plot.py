"""Look: draw channels of a run with their limits; single-sample spikes stay visible."""

from __future__ import annotations

import argparse
from pathlib import Path

from rig.cli import progress
from rig.cli.arguments import duration_s, moment_arguments, moments_ns, readable, run_path, tell_left_out

EXAMPLE = "soakrig plot runs 'A*.heatsink' mains --last '2 h' --to heat.svg"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "run", metavar="RUN", help="a run directory, or a folder of runs (its newest is taken)"
    )
    parser.add_argument("channels", metavar="CHANNEL", nargs="+", help="a name, or a pattern with *")
    parser.add_argument(
        "--to", metavar="FILE", required=True, help="file to write: .svg or .png (extra: png)"
    )
    moment_arguments(parser)
    parser.add_argument("--last", metavar="TIME", help="only this much before the end, as '2 h'")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.render import plot
    from rig.store.reader import RunReader

    start, end = moments_ns(args, "--from or --until")
    run = readable(RunReader.open(run_path(args)))
    if args.last:
        start = (run.span[1] if end is None else end) - round(duration_s(args.last, "--last") * 1e9)
    with progress.shown("drawing"):
        plot.save(plot.plot(run, args.channels, start, end), Path(args.to))
    tell_left_out(run)
    return 0, f"written: {args.to}"
