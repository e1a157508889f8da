"""Record: record an observation or action in the run."""

from __future__ import annotations

import argparse
from typing import Any

from rig.cli.order_arguments import RUN, ask, demand_position, moment_ns, run_of
from rig.errors import UsageError

EXAMPLE = "soakrig note runs 'fan filter cleaned' --unit A3"
CLOCKS_DIFFER_NS = 3600 * 1_000_000_000
"""How far --at may lie in the future, for a wall clock that is fast; common practice, no source."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("run", metavar="RUN", help=RUN)
    parser.add_argument("text", metavar="TEXT", help="what was seen or done")
    parser.add_argument("--unit", default="", help="the unit it is about")
    parser.add_argument(
        "--died", action="store_true", help="the unit has failed for good: its account ends here"
    )
    parser.add_argument(
        "--at", default="", help="when, e.g. 14:05 (the last), '2026-03-01 14:05' (here), or with Z"
    )


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.domain.orders import OrderKind

    data: dict[str, Any] = {"text": args.text, "unit": args.unit}
    if not args.text.strip():
        raise UsageError("the note is empty: write what was seen or done")
    if args.died and not args.unit:
        raise UsageError("--died: say which unit, as --unit A3")
    if args.unit:
        demand_position(run_of(args.run), args.unit)
    if args.died:
        data["died"] = True
    if args.at:
        data["at_ns"] = _past_ns(args.at, run_of(args.run).created_ns)
    return 0, f"note {ask(args.run, OrderKind.NOTE, data)}"


def _past_ns(text: str, created_ns: int) -> int:
    """Return a moment that people can have seen. ``created_ns``: of the run, UTC. Raises UsageError."""
    from rig.clock import SYSTEM

    at_ns, now_ns = moment_ns(text), SYSTEM.utc_ns()
    # a run that is younger than now was recorded by another clock: then nothing is known of what is past
    if created_ns <= now_ns and at_ns > now_ns + CLOCKS_DIFFER_NS:
        raise UsageError(f"--at {text} is in the future; a note is about the past")
    return at_ns
