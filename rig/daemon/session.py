"""One session from rig file to clean stop: find or make the run, recover, record, seal."""

from __future__ import annotations

import faulthandler
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.clock import SYSTEM, Clock
from rig.daemon.preflight_session import PreflightSession
from rig.daemon.realtime_priority import raised_priority
from rig.daemon.recording_session import SOFTWARE, RecordingSession
from rig.daemon.resume import refuse_other_measures
from rig.daemon.service_manager import ServiceManager
from rig.daemon.stop_request import StopRequest
from rig.daemon.supervisor import Supervisor
from rig.domain.formatting import counted
from rig.rigfile.config import RigConfig
from rig.store import recover, rundir
from rig.store.recover import Recovery
from rig.store.rundir import Lock, RunDir

Say = Callable[[str], None]

RECOVERY_S = 300.0
"""How long the service manager is asked to wait while what a crash left is made safe, on a slow disk."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionResult:
    """How a session ended: why, where the run is, and the logger's last word about itself."""

    reason: str
    path: Path
    health: dict[str, Any]


def record(
    config: RigConfig,
    *,
    new: bool = False,
    duration_s: float | None = None,
    say: Say = lambda _text: None,
    clock: Clock = SYSTEM,
    each_look: Callable[[Supervisor], None] = lambda _supervisor: None,
    preflight: PreflightSession | None = None,
) -> SessionResult:
    """Record until stopped by a signal or after ``duration_s``; return how it ended.

    Goes on with the open run of this rig; ``new`` ends that run first and begins another. Raises
    StoreError (RunInUseError if another soakrig has the run), BusError and UsageError. preflight:
    checks that end the session when they are complete; no alerts are sent meanwhile.
    """
    stop = StopRequest()
    stop.on_signals()  # before the first file is opened: a signal during start-up must end in good order too
    faulthandler.enable()
    faulthandler.register(signal.SIGUSR1)  # where every thread is now, on stderr: for one that hangs
    run, resumed = _run_of(config, new=new, clock=clock)
    with Lock(run.path / rundir.LOCK).acquire(f"soakrig log {config.rig}"):
        say(f"{'resuming' if resumed else 'new'} run {run.path}")
        service_manager = ServiceManager(clock)
        found = _recovered(run, config, service_manager, say)
        session = RecordingSession(
            config,
            run,
            stop=stop,
            service_manager=service_manager,
            clock=clock,
            say=say,
            duration_s=duration_s,
            each_look=each_look,
            preflight=preflight,
        )
        session.begin(found)
        channels = counted(len(config.layout.channels), "channel")
        say(f"session {session.number}: {channels} on {counted(len(config.buses), 'bus', 'buses')}")
        say(f"live view: soakrig watch {run.path}")
        with raised_priority():
            reason = session.run()
        health = session.end(reason)
        _close(run, say)
    return SessionResult(reason=reason, path=run.path, health=health)


def _run_of(config: RigConfig, *, new: bool, clock: Clock) -> tuple[RunDir, bool]:
    """Return the run to record into and whether it was there before."""
    runs = Path(config.runs)
    for path in reversed(rundir.list_runs(runs) if runs.is_dir() else []):
        candidate = rundir.open_run(path)
        if candidate.rig == config.rig and not rundir.has_ended(candidate):
            if not new:
                return candidate, True
            with Lock(candidate.path / rundir.LOCK).acquire("soakrig log --new"):
                rundir.end_run(candidate, clock.utc_ns(), "new run requested")
    made = rundir.create(
        runs,
        rig=config.rig,
        created_ns=clock.utc_ns(),
        software=SOFTWARE,
        planned_s=config.planned_s,
    )
    return made, False


def _recovered(run: RunDir, config: RigConfig, manager: ServiceManager, say: Say) -> Recovery:
    """Make safe what a crash left, and say so; return what the new session has to record of it."""
    refuse_other_measures(run, config.layout)  # first: what recovery finds must be recorded
    manager.starting(RECOVERY_S)
    found = recover.recover(run)
    for line in found.lines:
        say(line)
    return found


def _close(run: RunDir, say: Say) -> None:
    """Turn what is left in journals into Parquet, and have the post-mortem ready.

    What cannot be turned stays readable as it is, and a post-mortem can be worked out at any time.
    """
    command = [sys.executable, "-m", "rig.render.stored_answers", str(run.path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603 - our own module
    if done.returncode:
        say(
            f"sealing or post-mortem incomplete (exit {done.returncode}); the recording is complete and "
            "can be "
            f"read: {done.stderr.strip()[-500:]}"
        )
