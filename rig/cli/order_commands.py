"""Commands that ask something of a run: notes, swaps, other limits. Each returns what it has to say."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.errors import ConfigError, UsageError

if TYPE_CHECKING:
    from rig.rigfile.config import RigConfig
    from rig.store.rundir import RunDir

CLOCKS_DIFFER_NS = 3600 * 1_000_000_000
"""A clock on the wall may be fast by so much, and a note by it is still taken."""
RUN = "a run directory, a folder of runs (its newest run is taken), or a rig file"


@dataclass(frozen=True, slots=True, kw_only=True)
class CliCommand:
    """One command: its name, what it does in words, an example, its arguments, and what carries it out.

    run: returns the exit code and what is to be said.
    """

    name: str
    summary: str
    example: str
    arguments: Callable[[argparse.ArgumentParser], None]
    run: Callable[[argparse.Namespace], tuple[int, str]]


def _note_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("run", metavar="RUN", help=RUN)
    parser.add_argument("text", metavar="TEXT", help="what was seen or done")
    parser.add_argument("--unit", default="", help="the unit it is about")
    parser.add_argument("--died", action="store_true", help="the unit is dead: its account ends here")
    parser.add_argument(
        "--at", default="", help="when, e.g. 14:05 (the last), '2026-03-01 14:05' (here), or with Z"
    )


def _note(args: argparse.Namespace) -> tuple[int, str]:
    from rig.domain.orders import OrderKind

    data: dict[str, Any] = {"text": args.text, "unit": args.unit}
    if not args.text.strip():
        raise UsageError("the note is empty: write what was seen or done")
    if args.died and not args.unit:
        raise UsageError("--died: say which unit, as --unit A3")
    if args.unit:
        _demand_position(run_of(args.run), args.unit)
    if args.died:
        data["died"] = True
    if args.at:
        data["at_ns"] = _past_ns(args.at, run_of(args.run).created_ns)
    return 0, f"note {_asked(args.run, OrderKind.NOTE, data)}"


def _past_ns(text: str, created_ns: int) -> int:
    """Return a moment that people can have seen. ``created_ns``: of the run, UTC. Raises UsageError."""
    from rig.clock import SYSTEM

    at_ns, now_ns = moment_ns(text), SYSTEM.utc_ns()
    # a run that is younger than now was recorded by another clock: then nothing is known of what is past
    if created_ns <= now_ns and at_ns > now_ns + CLOCKS_DIFFER_NS:
        raise UsageError(f"--at {text}: that is still to come; a note tells what was seen or done")
    return at_ns


def moment_ns(text: str) -> int:
    """Return a moment written in ISO 8601, or as the last ``15:06``, in UTC ns.

    Without a zone it is this machine's. Raises UsageError.
    """
    from rig.clock import SYSTEM
    from rig.domain.time_of_day import last_time_of_day

    last_ns = last_time_of_day(text, SYSTEM.utc_ns())
    if last_ns is not None:
        return last_ns
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f"--at {text!r} is not a moment; write it like 14:05, '2026-03-01 14:05' or 2026-03-01T13:05Z"
        ) from None
    return round(moment.astimezone().timestamp() * 1_000_000) * 1000


def _swap_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("run", metavar="RUN", help=RUN)
    parser.add_argument("position", metavar="POSITION", help="the unit's name in the rig file")
    parser.add_argument("serial", metavar="SERIAL", help="serial number that sits there now; '' for nobody")
    parser.add_argument("--note", default="", help="why")


def _swap(args: argparse.Namespace) -> tuple[int, str]:
    from rig.domain.orders import OrderKind

    _demand_position(run_of(args.run), args.position)
    data = {"unit": args.position, "serial": args.serial, "text": args.note}
    how = _asked(args.run, OrderKind.SWAP, data)
    who = args.serial or "nobody"
    return 0, f"{who} sits in {args.position} from now on: {how}"


def _reload_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("run", metavar="RUN", help=RUN)
    parser.add_argument("file", metavar="FILE", help="rig file with the new limits")
    parser.add_argument("--note", default="", help="why")


def _reload(args: argparse.Namespace) -> tuple[int, str]:
    from rig.domain.orders import OrderKind
    from rig.rigfile.config import to_json
    from rig.store import rundir

    config = read(args.file)
    run = run_of(args.run)
    _demand_logger(run, "no limit is in force; start the logger with the new file")
    _refuse_more_than_limits(run, config)
    digits = rundir.freeze_config(run, config.text, to_json(config.layout))
    how = _asked(args.run, OrderKind.RELOAD, {"config": digits, "text": args.note})
    return 0, f"limits of {args.file} are in force: {how}"


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


def _demand_position(run: RunDir, unit: str) -> None:
    """Raise UsageError if the run has no such position: a slip of the pen need not stand in the record."""
    from rig.domain.layout_json import layout_from_json
    from rig.store import rundir

    sessions = rundir.read_sessions(run)
    if not sessions:
        return  # whoever is asked says what is wrong
    known = layout_from_json(rundir.frozen_layout(run, sessions[max(sessions)].facts.config)).units
    if unit not in known:
        raise UsageError(
            f"there is no position {unit!r} in {run.path}; there are: {', '.join(known) or 'none'}"
        )


def _demand_logger(run: RunDir, else_: str) -> None:
    """Raise UsageError if nobody records the run."""
    from rig.store import rundir

    if not rundir.is_held(run.path / rundir.LOCK):
        raise UsageError(f"nobody records {run.path} now, so {else_}")


def _asked(run: str, deed: Any, data: dict[str, Any]) -> str:
    from rig.daemon import order_client

    return order_client.ask(run_of(run), deed, data)


def run_of(path: str) -> RunDir:
    """Return the run that an argument names: a run, a folder of runs, or a rig file. Raises FormatError."""
    from rig.store import rundir

    place = Path(path)
    if place.is_file():
        place = Path(read(path).runs)
    return rundir.open_run(rundir.newest_run(place))


def read(path: str) -> RigConfig:
    """Return a rig file. Raises ConfigError with all its faults."""
    import drivers
    from rig.rigfile import yaml_reader

    return yaml_reader.read(Path(path), drivers.spec)


def _phase_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("run", metavar="RUN", help=RUN)
    parser.add_argument("to", metavar="TO", help="next, hold, go, or the name of a phase")
    parser.add_argument("--note", default="", help="why")


def _phase(args: argparse.Namespace) -> tuple[int, str]:
    from rig.domain.orders import OrderKind

    _demand_logger(run_of(args.run), "no test program is running; start it with 'soakrig log FILE'")
    how = _asked(args.run, OrderKind.PHASE, {"to": args.to, "text": args.note})
    return 0, f"program: {args.to}: {how}"


COMMANDS = (
    CliCommand(
        name="note",
        summary="write down in the run what somebody saw or did",
        example="soakrig note runs 'fan filter cleaned' --unit A3",
        arguments=_note_arguments,
        run=_note,
    ),
    CliCommand(
        name="swap",
        summary="record that another serial number sits in a position from now on",
        example="soakrig swap runs A3 0019 --note 'the old one hums'",
        arguments=_swap_arguments,
        run=_swap,
    ),
    CliCommand(
        name="reload",
        summary="judge by the limits of another rig file from now on; the recording says who, when and what",
        example="soakrig reload runs configs/room.yaml --note 'hotter than planned, agreed'",
        arguments=_reload_arguments,
        run=_reload,
    ),
    CliCommand(
        name="phase",
        summary="move in the test program by hand: to the next phase or a named one, hold it, let it go on",
        example="soakrig phase runs next --note 'the variac is at its end'",
        arguments=_phase_arguments,
        run=_phase,
    ),
)
