"""One session from rig file to clean stop: find or make the run, recover, record, seal."""

from __future__ import annotations

import faulthandler
import platform
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drivers.bus.exchange import Link
from drivers.bus.opening import open_transport
from rig import __version__
from rig.clock import SYSTEM, Clock, wall_clock_synchronised
from rig.daemon import assembly
from rig.daemon.alerts_process import AlertsProcess
from rig.daemon.instrument_commands import CommandQueue
from rig.daemon.intake import Intake
from rig.daemon.observers.fast_polling import FastPolling
from rig.daemon.observers.record_observer import Announcer
from rig.daemon.observers.session_observers import observers
from rig.daemon.order_client import requester
from rig.daemon.poller import FastPollRequests, Poller
from rig.daemon.preflight_session import PreflightSession
from rig.daemon.realtime_priority import raised_priority
from rig.daemon.recorder import Recorder
from rig.daemon.resume import Keeper, refuse_other_measures
from rig.daemon.service_manager import ServiceManager
from rig.daemon.supervisor import Supervisor, on_signals
from rig.domain.derived import DerivedChannels
from rig.domain.formatting import counted, duration
from rig.domain.limit_evaluation import Evaluation
from rig.domain.model import EventKind
from rig.rigfile import config as rig_config
from rig.rigfile.config import RigConfig
from rig.store import recover, rundir
from rig.store.rundir import Lock, RunDir
from rig.store.writer import RunWriter

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
    stops: list[Supervisor] = []
    stops_before: list[str] = []
    # before the first file is opened: a signal during start-up must end in good order too
    on_signals(lambda reason: stops[0].stop(reason) if stops else stops_before.append(reason))
    faulthandler.enable()
    faulthandler.register(signal.SIGUSR1)  # where every thread is now, on stderr: for one that hangs
    run, resumed = _run_of(config, new=new, clock=clock)
    with Lock(run.path / rundir.LOCK).acquire(f"soakrig log {config.rig}"):
        say(f"{'resuming' if resumed else 'new'} run {run.path}")
        refuse_other_measures(run, config.layout)  # first: what recovery finds must be recorded
        ServiceManager(clock).starting(RECOVERY_S)
        found = recover.recover(run)
        for line in found.lines:
            say(line)
        plan = assembly.plan(config)
        session = rundir.next_session(run)
        frozen = rundir.freeze_config(run, config.text, rig_config.to_json(config.layout))
        keeper = Keeper(run, config.layout, frozen, requester())
        writer = RunWriter(
            run,
            session=session,
            boot_id=clock.boot_id(),
            boot_ns=clock.boot_ns(),
            utc_ns=clock.utc_ns(),
            synchronised=wall_clock_synchronised(),
            blocks=plan.blocks,
            software=f"soakrig {__version__}",
            host=platform.node(),
            config=frozen,
        )
        alerts_process = AlertsProcess(run.path, clock)
        supervisor = _supervisor(
            config=config,
            plan=plan,
            run=run,
            writer=writer,
            keeper=keeper,
            clock=clock,
            duration_s=duration_s,
            each_look=each_look,
            preflight=preflight,
            alerts_process=alerts_process,
            say=say,
        )
        stops.append(supervisor)
        _begin(writer, found, session, config, clock)
        _go_on(writer, keeper, clock)
        for reason in stops_before:
            supervisor.stop(reason)
        if preflight is None and config.alerts is not None:
            alerts_process.start()
        channels = counted(len(config.layout.channels), "channel")
        say(f"session {session}: {channels} on {counted(len(config.buses), 'bus', 'buses')}")
        say(f"live view: soakrig watch {run.path}")
        with raised_priority():
            reason = supervisor.run()
        health = supervisor.health()
        ended = reason == "duration reached"
        writer.event(
            EventKind.SESSION_STOP,
            clock.boot_ns(),
            "run",
            f"session {session} stopped: {reason}",
            {"reason": reason, "run_ended": ended, **health},
        )
        writer.close()
        if ended:
            rundir.end_run(run, clock.utc_ns(), reason)
        alerts_process.end()
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
        software=f"soakrig {__version__}",
        planned_s=config.planned_s,
    )
    return made, False


def _begin(writer: RunWriter, found: recover.Recovery, session: int, config: RigConfig, clock: Clock) -> None:
    now_ns = clock.boot_ns()
    for one in found.events:
        writer.event(one.kind, now_ns, one.subject, one.text, one.data)
    behind_ns = (found.last_ns or 0) - (now_ns + writer.offset_ns)
    if behind_ns > 0:
        writer.event(
            EventKind.CLOCK_STEP,
            now_ns,
            "run",
            f"wall clock is {duration(behind_ns / 1e9)} behind the last record of an earlier session; "
            "sessions "
            "are ordered by number, their times cannot be compared",
            {"step_ns": -behind_ns, "offset_ns": writer.offset_ns, "between_sessions": True},
        )
    writer.event(
        EventKind.SESSION_START,
        now_ns,
        "run",
        f"session {session} started by {requester()}",
        {
            "software": f"soakrig {__version__}",
            "python": platform.python_version(),
            "rig_file_sha256": config.sha256,
            "synchronised": wall_clock_synchronised(),
            "utc_ns": clock.utc_ns(),
            "boot_ns": now_ns,
            "boot_id": clock.boot_id(),
        },
    )
    writer.sync()


def _go_on(writer: RunWriter, keeper: Keeper, clock: Clock) -> None:
    """Record what the rig file changed since the session before, and keep where the run stands."""
    for one in keeper.findings:
        writer.event(one.kind, clock.boot_ns(), one.subject, one.text, one.data)
    writer.sync()
    keeper.save()


def _supervisor(
    *,
    config: RigConfig,
    plan: assembly.PollingPlan,
    run: RunDir,
    writer: RunWriter,
    keeper: Keeper,
    clock: Clock,
    duration_s: float | None,
    each_look: Callable[[Supervisor], None],
    preflight: PreflightSession | None,
    alerts_process: AlertsProcess,
    say: Say,
) -> Supervisor:
    stops: list[Supervisor] = []

    def stop(reason: str) -> None:
        stops[0].stop(reason)

    intake = Intake()
    announce = Announcer(intake, clock)

    def look(supervisor: Supervisor) -> None:
        alerts_process.look(announce)
        each_look(supervisor)

    fast_requests = FastPollRequests()
    command_queues = {name: CommandQueue() for name in config.buses}

    def maker(name: str) -> Callable[[], Poller]:
        def make() -> Poller:
            return Poller(
                bus=name,
                wire=Link(open_transport(config.buses[name]), settle_s=config.buses[name].settle_s),
                instruments=assembly.polled_instruments(config, plan, name, clock),
                intake=intake,
                clock=clock,
                fast_requests=fast_requests,
                settle_s=config.buses[name].settle_s,
                commands=command_queues[name],
            )

        return make

    fast = FastPolling(config, plan.blocks, fast_requests, intake, clock)
    evaluation = Evaluation(plan.blocks, config.layout.channels, clock.boot_ns())
    recorder = Recorder(
        fast=fast if fast.wanted else None,
        intake=intake,
        writer=writer,
        evaluation=evaluation,
        derived=DerivedChannels(plan.blocks, plan.formulas),
        clock=clock,
        sync_s=config.sync_s,
        essential=preflight,
        observers=observers(
            config=config,
            plan=plan,
            run=run,
            writer=writer,
            keeper=keeper,
            evaluation=evaluation,
            fast=fast,
            intake=intake,
            command_queues=command_queues,
            clock=clock,
            say=say,
            preflight=preflight,
            stop=stop,
        ),
    )
    used = [name for name in config.buses if any(one.bus == name for one in config.instruments.values())]
    stops.append(
        Supervisor(
            pollers={name: maker(name) for name in used},
            recorder=recorder,
            intake=intake,
            clock=clock,
            run_path=run.path,
            closed_journals=lambda: len(writer.journals),
            duration_s=duration_s,
            notifier=ServiceManager(clock),
            each_look=look,
        )
    )
    return stops[0]


def _close(run: RunDir, say: Say) -> None:
    """Turn what is left in journals into Parquet, and have the post-mortem ready for requester asks.

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
