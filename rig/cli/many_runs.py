"""Shared by the commands over one run or many: places, workers, exit codes."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, TypeVar

from rig.cli import progress
from rig.cli.arguments import readable
from rig.errors import StoreError, UsageError

if TYPE_CHECKING:
    from rig.fleet.ask_runs import Workers
    from rig.fleet.run_questions import RunQuestion
    from rig.reliability.run_digest import RunDigest
    from rig.store.reader import RunReader

T = TypeVar("T")

PLACES = "runs, folders of runs at any depth, or s3://BUCKET/KEY; default: ./runs"
JSON = "print JSON; its field names are stable"


def width() -> int:
    """Return the width of the terminal."""
    from rig.render.text_layout import terminal_width

    return terminal_width()


def one_run_argument(parser: argparse.ArgumentParser) -> None:
    """Add RUN (one run) and --json."""
    parser.add_argument(
        "run",
        metavar="RUN",
        nargs="?",
        default="runs",
        help="a run, a folder of runs (its newest is taken) or s3://BUCKET/KEY; default: ./runs",
    )
    parser.add_argument("--json", action="store_true", help=JSON)


def places_arguments(parser: argparse.ArgumentParser) -> None:
    """Add PLACE (many runs) and how they are asked."""
    parser.add_argument("places", metavar="PLACE", nargs="*", default=["runs"], help=PLACES)
    worker_arguments(parser)


def worker_arguments(parser: argparse.ArgumentParser) -> None:
    """Add --json and how many runs are asked at a time."""
    parser.add_argument("--json", action="store_true", help=JSON)
    parser.add_argument(
        "--processes", type=int, default=1, metavar="N", help="read N runs in parallel; default 1"
    )
    parser.add_argument(
        "--scheduler", metavar="ADDRESS", help="read on a Dask cluster, as tcp://HOST:8786 (extra: cluster)"
    )


def ev_pm_argument(parser: argparse.ArgumentParser) -> None:
    """Add --ev-pm."""
    parser.add_argument("--ev-pm", type=float, default=0.0, metavar="EV", help="how far EV may be off")


def counting_argument(parser: argparse.ArgumentParser) -> None:
    """Add --count."""
    parser.add_argument(
        "--count",
        choices=("targets", "output", "observed"),
        help="which hours count: within the phases' targets, giving output, or observed; default: the "
        "strictest that the rig file supports",
    )


def _workers(args: argparse.Namespace) -> Workers:
    from rig.fleet.ask_runs import Workers

    if args.processes < 1:
        raise UsageError(f"--processes {args.processes}: expected 1 or more")
    return Workers(processes=args.processes, scheduler=args.scheduler)


def ask(question: RunQuestion[T], places: list[str], args: argparse.Namespace) -> tuple[list[T], list[str]]:
    """Return what the runs at ``places`` answered, and why others did not; progress goes to a terminal."""
    from rig.fleet import ask_runs
    from rig.fleet import run_places as where

    addresses = where.find(places)
    with progress.shown("reading runs") as on_progress:
        answers = ask_runs.ask(question, addresses, _workers(args), on_progress)
    return [one.value for one in answers if one.value is not None], [
        one.error if one.error.startswith(one.where) else f"{one.where}: {one.error}"
        for one in answers
        if one.error
    ]


def exit_code(unread: list[str]) -> int:
    """Return the exit code of an answer that some runs take no part in."""
    return StoreError.exit_code if unread else 0


def open_one(place: str) -> RunReader:
    """Return the run that a place names. Raises UsageError, FormatError or StoreError."""
    from rig.fleet import run_places as places

    return readable(places.open_run(places.single(place)))


def digests(args: argparse.Namespace, places: list[str]) -> tuple[list[RunDigest], list[str]]:
    """Return the digests of the runs at ``places``, and why others gave none."""
    from rig.fleet.run_questions import DigestQuestion
    from rig.reliability.service_hours import Counting

    return ask(DigestQuestion(Counting(args.count) if args.count else None), places, args)
