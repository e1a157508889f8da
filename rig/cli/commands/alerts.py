"""Record: send the alerts of a run; 'soakrig log' starts this by itself."""

from __future__ import annotations

import argparse

from rig.cli.arguments import NOT_READY, rig_file, run_argument, run_path

EXAMPLE = "soakrig alerts --test configs/alerts.yaml"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    run_argument(parser)
    parser.add_argument(
        "--test", metavar="FILE", help="send one test message by every notifier of this rig file, then end"
    )


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    if args.test:
        return _test(args.test)
    from rig.alerts.__main__ import main as follow

    return follow([str(run_path(args))]), ""


def _test(file: str) -> tuple[int, str]:
    from rig import alerts

    results = alerts.send_test(rig_file(file))
    lines = [
        f"{'delivered' if one.delivered else 'FAILED   '}  {one.notifier}  {one.note} ({one.took_s:.1f} s)"
        for one in results
    ]
    return 0 if all(one.delivered for one in results) else NOT_READY, "\n".join(lines)
