"""One session from rig file to clean stop: find or make the run, recover, record, seal."""

from __future__ import annotations

import faulthandler
import platform
import signal
import subprocess
import sys
from collections.abc import Callable, Collection, Mapping
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
from rig.daemon.observers.session_observers import attendants
from rig.daemon.order_client import whoever
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
from rig.domain.recorded_excursions import Key, left_open_data
from rig.errors import SoakrigError
from rig.rigfile import config as rig_config
from rig.rigfile.config import RigConfig
from rig.store import recover, rundir
from rig.store.reader import RunReader
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
    guest: PreflightSession | None = None,
) -> SessionResult:
    """Record until stopped by a signal or after ``duration_s``; return how it ended.

    Goes on with the open run of this rig; ``new`` ends that run first and begins another. Raises
    StoreError (RunInUseError if another soakrig has the run), BusError and UsageError. guest: a
    pre-flight, which ends the session when it is through; nobody is alerted meanwhile.
    """
    stops: list[Supervisor] = []
    early: list[str] = []
    # before the first file is opened: a signal during start-up must end in good order too
    on_signals(lambda reason: stops[0].stop(reason) if stops else early.append(reason))
    faulthandler.enable()
    faulthandler.register(signal.SIGUSR1)  # where every thread is now, on stderr: for one that hangs
    run, resumed = _run_of(config, new=new, clock=clock)
    with Lock(run.path / rundir.LOCK).acquire(f"soakrig log {config.rig}"):
        say(f"{'going on with' if resumed else 'new'} run {run.path}")
        refuse_other_measures(run, config.layout)  # first: what recovery finds must be recorded
        ServiceManager(clock).starting(RECOVERY_S)
        found = recover.recover(run)
        for line in found.lines:
            say(line)
        plan = assembly.plan(config)
        session = rundir.next_session(run)
        frozen = rundir.freeze_config(run, config.text, rig_config.to_json(config.layout))
        keeper = Keeper(run, config.layout, frozen, whoever())
        left_open = _left_open(run)
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
        telling = AlertsProcess(run.path, clock)
        supervisor = _supervisor(
            config=config,
            plan=plan,
            run=run,
            writer=writer,
            keeper=keeper,
            clock=clock,
            duration_s=duration_s,
            each_look=each_look,
            guest=guest,
            telling=telling,
            say=say,
            left_open=left_open or (),
        )
        stops.append(supervisor)
        goes_on_with = {} if left_open is None else left_open_data(left_open)
        _begin(writer, found, session, config, clock, goes_on_with=goes_on_with)
        _go_on(writer, keeper, clock)
        for reason in early:
            supervisor.stop(reason)
        if guest is None and config.alerts is not None:
            telling.start()
        channels = counted(len(config.layout.channels), "channel")
        say(f"session {session}: {channels} on {counted(len(config.buses), 'bus', 'buses')}")
        say(f"what comes in, and what does not: soakrig watch {run.path}")
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
        telling.end()
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
                rundir.end_run(candidate, clock.utc_ns(), "a new run was asked for")
    made = rundir.create(
        runs,
        rig=config.rig,
        created_ns=clock.utc_ns(),
        software=f"soakrig {__version__}",
        planned_s=config.planned_s,
    )
    return made, False


def _left_open(run: RunDir) -> list[Key] | None:
    """Return channel and side of what the record says is still out; None where it cannot be read."""
    try:
        return RunReader.open(run.path).told().open_keys
    except (SoakrigError, OSError):
        return None


def _begin(
    writer: RunWriter,
    found: recover.Recovery,
    session: int,
    config: RigConfig,
    clock: Clock,
    *,
    goes_on_with: Mapping[str, Any],
) -> None:
    now_ns = clock.boot_ns()
    for one in found.events:
        writer.event(one.kind, now_ns, one.subject, one.text, one.data)
    behind_ns = (found.last_ns or 0) - (now_ns + writer.offset_ns)
    if behind_ns > 0:
        writer.event(
            EventKind.CLOCK_STEP,
            now_ns,
            "run",
            f"the wall clock stands {duration(behind_ns / 1e9)} before the last record of an earlier "
            "session; "
            "sessions are in the order of their numbers, their times cannot be compared",
            {"step_ns": -behind_ns, "offset_ns": writer.offset_ns, "between_sessions": True},
        )
    writer.event(
        EventKind.SESSION_START,
        now_ns,
        "run",
        f"session {session} started by {whoever()}",
        {
            "software": f"soakrig {__version__}",
            "python": platform.python_version(),
            "rig_file_sha256": config.sha256,
            "synchronised": wall_clock_synchronised(),
            "utc_ns": clock.utc_ns(),
            "boot_ns": now_ns,
            "boot_id": clock.boot_id(),
            **goes_on_with,
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
    guest: PreflightSession | None,
    telling: AlertsProcess,
    say: Say,
    left_open: Collection[Key],
) -> Supervisor:
    stops: list[Supervisor] = []

    def stop(reason: str) -> None:
        stops[0].stop(reason)

    intake = Intake()
    announce = Announcer(intake, clock)

    def look(supervisor: Supervisor) -> None:
        telling.look(announce)
        each_look(supervisor)

    haste = FastPollRequests()
    errands = {name: CommandQueue() for name in config.buses}

    def maker(name: str) -> Callable[[], Poller]:
        def make() -> Poller:
            return Poller(
                bus=name,
                wire=Link(open_transport(config.buses[name]), settle_s=config.buses[name].settle_s),
                stations=assembly.stations(config, plan, name, clock),
                intake=intake,
                clock=clock,
                haste=haste,
                settle_s=config.buses[name].settle_s,
                errands=errands[name],
            )

        return make

    fast = FastPolling(config, plan.blocks, haste, intake, clock)
    evaluation = Evaluation(plan.blocks, config.layout.channels, clock.boot_ns(), left_open)
    recorder = Recorder(
        fast=fast if fast.wanted else None,
        intake=intake,
        writer=writer,
        evaluation=evaluation,
        derived=DerivedChannels(plan.blocks, plan.formulas),
        clock=clock,
        sync_s=config.sync_s,
        essential=guest,
        attendants=attendants(
            config=config,
            plan=plan,
            run=run,
            writer=writer,
            keeper=keeper,
            evaluation=evaluation,
            fast=fast,
            intake=intake,
            errands=errands,
            clock=clock,
            say=say,
            guest=guest,
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
    """Turn what is left in journals into Parquet, and have the post-mortem ready for whoever asks.

    What cannot be turned stays readable as it is, and a post-mortem can be worked out at any time.
    """
    command = [sys.executable, "-m", "rig.render.stored_answers", str(run.path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603 - our own module
    if done.returncode:
        say(
            f"not all of the run was sealed and explained (exit {done.returncode}); it is recorded and can "
            f"be read as it is: {done.stderr.strip()[-500:]}"
        )
