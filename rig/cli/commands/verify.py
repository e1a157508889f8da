"""Keep: check every byte of a run against its checksums."""

from __future__ import annotations

import argparse

from rig.cli import progress
from rig.cli.arguments import run_argument, run_path
from rig.errors import DamageError

EXAMPLE = "soakrig verify runs"


arguments = run_argument


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.domain.formatting import stamp
    from rig.store.verify import verify

    path = run_path(args)
    with progress.shown("reading every byte") as done:
        found = verify(path, on_progress=done)
    lines = []
    for one in found.faults:
        known = one.start_ns is not None
        span = f"  {stamp(one.start_ns or 0)} to {stamp(one.end_ns or one.start_ns or 0)}" if known else ""
        reason = one.reason.removeprefix(f"{one.path}").lstrip(": ")
        lines.append(f"DAMAGED  {one.path.relative_to(path)}: {reason}{span}")
    good = f"{found.files} files, {found.readings} readings and {found.events} events are good"
    count = len(found.faults)
    lines.append(f"{path}: {good}; {count or 'no'} fault{'s' if count != 1 else ''}")
    return DamageError.exit_code if found.faults else 0, "\n".join(lines)
