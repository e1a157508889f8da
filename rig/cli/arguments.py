"""Arguments shared by several commands: RUN, rig files, time spans; and output while at work."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from rig.errors import StoreError, UsageError

if TYPE_CHECKING:
    from rig.rigfile.config import RigConfig
    from rig.store.reader import RunReader

SOAKRIG = (sys.executable, "-m", "rig.cli")
"""How this command line is started in a process of its own."""
NOT_READY = 4
"""Exit code: the rig is not ready."""
_MOST_LISTED = 8
"""Damaged places that are listed beside an answer."""


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
    from rig.rigfile import yaml_reader

    return yaml_reader.read(Path(path), drivers.spec)


def duration_s(text: str, option: str) -> float:
    """Return a span of time in seconds; ``option`` is named where it is none. Raises UsageError."""
    from rig.domain.units import UnitError, amount

    try:
        return amount(text).to("s")
    except UnitError as error:
        raise UsageError(f"{option} {text!r}: {error}") from error


def moment_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the first and the last moment of what is wanted."""
    parser.add_argument(
        "--from", dest="start", metavar="TIME",
        help="start time, as 2031-02-03T04:05:06, or 03:12 (the last in the run)",
    )  # fmt: skip
    parser.add_argument("--until", "--to-time", dest="end", metavar="TIME", help="end time")


def moments_ns(
    args: argparse.Namespace, options: str, zone: str | None = None
) -> tuple[int | None, int | None]:
    """Return ``args.start`` and ``args.end`` in UTC ns (None where not given).

    A time of day is the last such in the run that RUN names. Raises UsageError, FormatError.
    """
    from rig.domain.time_of_day import last_time_of_day
    from rig.interchange import limits_file, text_stamps
    from rig.store.reader import RunReader

    def moment_ns(text: str) -> int:
        if ":" in text[:3]:
            last_ns = last_time_of_day(text, RunReader.open(run_path(args)).span[1], place)
            if last_ns is not None:
                return last_ns
        return text_stamps.moment(text, place)

    try:
        place = limits_file.zone(zone) if zone else None
    except ValueError as error:
        raise UsageError(f"--zone: {error}") from error
    try:
        start, end = (moment_ns(one) if one else None for one in (args.start, args.end))
    except ValueError as error:
        raise UsageError(f"{options}: {error}; write 2031-02-03T04:05:06, or 03:12") from error
    return start, end


def readable(run: RunReader) -> RunReader:
    """Return the run. Raises StoreError if nothing of it can be read: no answer is made from nothing."""
    if run.span == (0, 0):
        reasons = "; ".join(left_out(run))
        what = f"has nothing readable: {reasons}" if reasons else "has no records yet"
        raise StoreError(f"{run.path} {what}; 'soakrig verify' lists what is there")
    return run


def left_out(run: RunReader) -> list[str]:
    """Return what reading a run leaves out, and why, as far as it was read so far."""
    found = [f"{one.path.name}: {one.reason.removeprefix(f'{one.path}').lstrip(': ')}" for one in run.skipped]
    return [
        *found[:_MOST_LISTED],
        *([f"and {len(found) - _MOST_LISTED} more"] if len(found) > _MOST_LISTED else []),
    ]


def tell_left_out(*runs: RunReader) -> None:
    """Say beside the result what an answer from these runs leaves out."""
    for text in dict.fromkeys(text for run in runs for text in left_out(run)):
        aside(f"not read, left out of this answer: {text}")


def say(text: str) -> None:
    """Print while at work; where nobody can read (closed pipe, full device), go on in silence."""
    try:
        print(text, flush=True)
    except OSError:
        pass


def aside(text: str) -> None:
    """Print a remark beside the result, where it disturbs nobody who reads the result by machine."""
    print(text, file=sys.stderr)
