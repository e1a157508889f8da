"""What several commands share: the RUN argument, rig files, spans of time, and speaking while at work."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from rig.errors import UsageError

if TYPE_CHECKING:
    from rig.core.config import RigConfig


def run_argument(parser: argparse.ArgumentParser) -> None:
    """Add the RUN argument."""
    parser.add_argument(
        "run",
        metavar="RUN",
        nargs="?",
        default="runs",
        help="a run directory, or a folder of runs (its newest run is taken); default: ./runs",
    )


def run_path(args: argparse.Namespace) -> Path:
    """Return the run that RUN names. Raises FormatError."""
    from rig.store.rundir import newest_run

    return newest_run(Path(args.run))


def file_argument(parser: argparse.ArgumentParser) -> None:
    """Add the FILE argument of a rig file."""
    parser.add_argument("file", metavar="FILE", help="the rig file")


def rig_file(path: str) -> RigConfig:
    """Return a rig file. Raises ConfigError with all its faults."""
    import drivers
    from rig import rigfile

    return rigfile.read(Path(path), drivers.spec)


def duration_s(text: str, option: str) -> float:
    """Return a span of time in seconds; ``option`` is named where it is none. Raises UsageError."""
    from rig.core.units import UnitError, amount

    try:
        return amount(text).to("s")
    except UnitError as error:
        raise UsageError(f"{option} {text!r}: {error}") from error


def moments_ns(
    args: argparse.Namespace, options: str, zone: str | None = None
) -> tuple[int | None, int | None]:
    """Return ``args.start`` and ``args.end`` in UTC ns (None where not given). Raises UsageError."""
    from rig.interchange import limits, stamps

    try:
        place = limits.zone(zone) if zone else None
        start, end = (stamps.moment(one, place) if one else None for one in (args.start, args.end))
    except ValueError as error:
        raise UsageError(f"{options}: {error}") from error
    return start, end


def say(text: str) -> None:
    """Print while at work; where nobody can read (closed pipe, full device), go on in silence."""
    try:
        print(text, flush=True)
    except OSError:
        pass


def aside(text: str) -> None:
    """Print a remark beside the result, where it disturbs nobody who reads the result by machine."""
    print(text, file=sys.stderr)
