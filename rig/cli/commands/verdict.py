"""Explain: pass, fail or inconclusive, each reason with its evidence (exit code 0, 10 or 11)."""

from __future__ import annotations

import argparse

from rig.cli.arguments import tell_left_out
from rig.cli.many_runs import one_run_argument, open_one, width

EXAMPLE = "soakrig verdict runs && echo passed"


arguments = one_run_argument


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.endurance.run_account import account, judged
    from rig.render import verdict_text as report

    run = open_one(args.run)
    found = judged(run, account(run))
    tell_left_out(run)
    return found.outcome.exit_code, report.as_json(found) if args.json else report.text(
        found, run.layout.rig, width()
    )
