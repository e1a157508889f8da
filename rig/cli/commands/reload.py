"""Record: put the limits of another rig file in force; the change is on record."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from rig.cli.arguments import rig_file
from rig.cli.order_arguments import RUN, ask, demand_logger, run_of
from rig.errors import ConfigError, UsageError

if TYPE_CHECKING:
    from rig.rigfile.config import RigConfig
    from rig.store.rundir import RunDir

EXAMPLE = "soakrig reload runs configs/room.yaml --note 'hotter than planned, agreed'"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("run", metavar="RUN", help=RUN)
    parser.add_argument("file", metavar="FILE", help="rig file with the new limits")
    parser.add_argument("--note", default="", help="why")


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.domain.orders import OrderKind
    from rig.rigfile.config import to_json
    from rig.store import rundir

    config = rig_file(args.file)
    run = run_of(args.run)
    demand_logger(run, "no limit is in force; start soakrig log with the new file")
    _refuse_more_than_limits(run, config)
    digits = rundir.freeze_config(run, config.text, to_json(config.layout))
    how = ask(args.run, OrderKind.RELOAD, {"config": digits, "text": args.note})
    return 0, f"limits of {args.file} in force: {how}"


def _refuse_more_than_limits(run: RunDir, fresh: RigConfig) -> None:
    """Raise UsageError if the new rig file differs from the one in force in what a layout does not hold."""
    import drivers
    from rig.rigfile import yaml_reader
    from rig.store import session_state

    digits = session_state.read(run)[0].config
    path = run.folder("config") / f"{digits}.yaml"
    try:
        old = yaml_reader.read(path, drivers.spec)
    except (ConfigError, UsageError, OSError):
        return  # of an older soakrig: the logger compares what the recording depends on
    parts = ("buses", "instruments", "alerts", "switch_offs", "sync_s")
    differing = [part for part in parts if getattr(old, part) != getattr(fresh, part)]
    if differing:
        raise UsageError(
            f"only limits can be reloaded, and {', '.join(differing).replace('_', '-')} differ from {path}; "
            "stop the logger and start it with the new file"
        )
