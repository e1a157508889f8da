"""Shared by the commands that put an order: the run, checks, and the order itself."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.cli.arguments import rig_file
from rig.errors import UsageError

if TYPE_CHECKING:
    from rig.domain.orders import OrderKind
    from rig.store.rundir import RunDir

AT_HELP = "when, e.g. 14:05 (the last), '2026-03-01 14:05' (here), or with Z"
CLOCKS_DIFFER_NS = 3600 * 1_000_000_000
"""How far --at may lie in the future, for a wall clock that is fast; common practice, no source."""
RUN = "a run directory, a folder of runs (its newest run is taken), or a rig file"


def run_of(path: str) -> RunDir:
    """Return the run that an argument names: a run, a folder of runs, or a rig file. Raises FormatError."""
    from rig.store import rundir

    place = Path(path)
    if place.is_file():
        place = Path(rig_file(path).runs)
    return rundir.open_run(rundir.newest_run(place))


def demand_position(run: RunDir, unit: str) -> None:
    """Raise UsageError if the run has no such position: a slip of the pen need not stand in the record."""
    from rig.domain.layout_json import layout_from_json
    from rig.store import rundir

    sessions = rundir.read_sessions(run)
    if not sessions:
        return  # the handler of the order reports what is wrong
    known = layout_from_json(rundir.frozen_layout(run, sessions[max(sessions)].facts.config)).units
    if unit not in known:
        raise UsageError(
            f"there is no position {unit!r} in {run.path}; there are: {', '.join(known) or 'none'}"
        )


def demand_since_begin(run: RunDir, at: str, at_ns: int) -> None:
    """Raise UsageError if a stated time lies before the run."""
    from rig.domain.formatting import stamp
    from rig.store.reader import RunReader

    begin_ns = RunReader.open(run.path).span[0]
    if at_ns < begin_ns:
        raise UsageError(f"--at {at}: the run begins only at {stamp(begin_ns)}")


def demand_occupied(run: RunDir, unit: str, at_ns: int | None) -> None:
    """Raise UsageError if a position was empty at a moment (UTC; None: now): nobody can have failed there."""
    from rig.clock import SYSTEM
    from rig.domain.model import EventKind
    from rig.domain.positions import serial_at
    from rig.store.reader import RunReader

    reader = RunReader.open(run.path)
    changes = reader.events_of({EventKind.UNIT})
    if not serial_at(changes, reader.layout.units[unit], SYSTEM.utc_ns() if at_ns is None else at_ns):
        raise UsageError(
            f"by the record nobody sat in {unit} then; give a time at which a unit did, as --at 14:05, or "
            f"record first who is there: soakrig swap RUN {unit} SERIAL"
        )


def demand_logger(run: RunDir, else_: str) -> None:
    """Raise UsageError if no logger records the run."""
    from rig.store import rundir

    if not rundir.is_held(run.path / rundir.LOCK):
        raise UsageError(f"no logger is recording {run.path}, so {else_}")


def ask(run: str, kind: OrderKind, data: dict[str, Any]) -> str:
    """Ask something of a run; return in words how it was carried out. Raises UsageError if it was refused."""
    from rig.daemon import order_client

    return order_client.ask(run_of(run), kind, data)


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
            f"--at {text!r} is not a time; write it like 14:05, '2026-03-01 14:05' or 2026-03-01T13:05Z"
        ) from None
    return round(moment.astimezone().timestamp() * 1_000_000) * 1000


def past_ns(text: str, created_ns: int) -> int:
    """Return a moment that people can have seen. ``created_ns``: of the run, UTC. Raises UsageError."""
    from rig.clock import SYSTEM

    at_ns, now_ns = moment_ns(text), SYSTEM.utc_ns()
    # a run that is younger than now was recorded by another clock: then nothing is known of what is past
    if created_ns <= now_ns and at_ns > now_ns + CLOCKS_DIFFER_NS:
        raise UsageError(f"--at {text} is in the future; what is recorded is about the past")
    return at_ns
