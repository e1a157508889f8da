"""Everything that one session is made of, built once and from the bottom up, with one owner."""

from __future__ import annotations

import platform
from collections.abc import Callable
from functools import partial
from typing import Any

from rig import __version__
from rig.clock import Clock, apart, wall_clock_synchronised
from rig.daemon import assembly
from rig.daemon.alerts_process import AlertsProcess
from rig.daemon.instrument_commands import CommandDispatch, CommandQueue
from rig.daemon.intake import Intake
from rig.daemon.logger_watchers import ClockWatch, DiskSpaceWatch, JournalSealer, LoggerHealth
from rig.daemon.observers import order_inbox
from rig.daemon.observers.console import Console
from rig.daemon.observers.fast_polling import FastPolling
from rig.daemon.observers.order_inbox import Inbox
from rig.daemon.observers.phases import Phases
from rig.daemon.observers.record_observer import Announcer, LimitsInForce, RecordObserver
from rig.daemon.observers.stimulus_sources import Sources
from rig.daemon.observers.switching_off import SwitchingOff
from rig.daemon.observers.unit_states import UnitStates
from rig.daemon.order_client import requester
from rig.daemon.order_handlers import OrderHandlers
from rig.daemon.poller import FastPollRequests, Poller
from rig.daemon.preflight_session import ObserverTools, PreflightSession
from rig.daemon.recorder import Recorder
from rig.daemon.resume import Keeper, left_open, rests, said_meanwhile
from rig.daemon.service_manager import ServiceManager
from rig.daemon.stop_request import StopRequest
from rig.daemon.supervised_bus import SupervisedBus
from rig.daemon.supervisor import Supervisor
from rig.domain.derived import DerivedChannels
from rig.domain.formatting import duration
from rig.domain.limit_evaluation import Evaluation
from rig.domain.limit_history import PRE_FLIGHT
from rig.domain.model import EventKind
from rig.domain.operating_state import OperatingState, UnitCondition
from rig.domain.program import Program
from rig.domain.recorded_excursions import left_open_data
from rig.domain.state_machine import takes_part
from rig.rigfile import config as rig_config
from rig.rigfile.config import RigConfig
from rig.store import rundir
from rig.store.recover import Recovery
from rig.store.rundir import RunDir
from rig.store.writer import RunWriter

SOFTWARE = f"soakrig {__version__}"


class RecordingSession:
    """The parts of a session, each made of those before it. Making them opens no bus and starts no thread.

    The caller holds the run's lock and has recovered the run; a journal of the new session is begun here.
    preflight: checks that end the session when they are through; only limits that trip hold meanwhile.
    """

    def __init__(
        self,
        config: RigConfig,
        run: RunDir,
        *,
        stop: StopRequest,
        service_manager: ServiceManager,
        clock: Clock,
        say: Callable[[str], None],
        duration_s: float | None = None,
        each_look: Callable[[Supervisor], None] = lambda _supervisor: None,
        preflight: PreflightSession | None = None,
    ) -> None:
        self.config = config
        self.run_dir = run
        self.stop = stop
        self.service_manager = service_manager
        self.clock = clock
        self.preflight = preflight
        self._build_store()
        self._build_ways_between_threads()
        self._build_limits()
        self._build_observers(say)
        self._build_recorder()
        self._build_watchers()
        self.supervisor = Supervisor(
            buses=self.buses,
            recorder=self.recorder,
            watchers=(self.clock_watch, self.health, self.sealer, self.disk_space, self.alerts),
            stop=stop,
            announce=self.announce,
            clock=clock,
            service_manager=service_manager,
            duration_s=duration_s,
            each_look=each_look,
        )

    # ---- the parts, in the order of dependence

    def _build_store(self) -> None:
        """What is recorded, where the run stands, and the journal."""
        config, run, clock = self.config, self.run_dir, self.clock
        self.plan = assembly.plan(config)
        self.number = rundir.next_session(run)
        frozen = rundir.freeze_config(run, config.text, rig_config.to_json(config.layout))
        self.keeper = Keeper(run, config.layout, frozen, requester())
        self.left_open = left_open(run)
        began = apart(clock.utc_ns, clock.boot_ns)
        self.writer = RunWriter(
            run,
            session=self.number,
            boot_id=clock.boot_id(),
            boot_ns=began.boot_ns,
            utc_ns=began.boot_ns + began.offset_ns,
            synchronised=wall_clock_synchronised(),
            blocks=self.plan.blocks,
            software=SOFTWARE,
            host=platform.node(),
            config=frozen,
        )

    def _build_ways_between_threads(self) -> None:
        """What is read goes up to the recorder; commands and requests for fast polls go down to the buses."""
        self.intake = Intake()
        self.announce = Announcer(self.intake, self.clock)
        self.fast_requests = FastPollRequests()
        self.commands = {name: CommandQueue() for name in self.config.buses}
        self.dispatch = CommandDispatch(
            bus_of={name: one.bus for name, one in self.config.instruments.items()},
            drivers_of=self.plan.drivers_of,
            command_queues=self.commands,
        )

    def _build_limits(self) -> None:
        """What goes by the limits in force, and what says which those are."""
        channels = self.config.layout.channels
        self.fast_polling = FastPolling(
            self.config, self.plan.blocks, self.fast_requests, self.intake, self.clock
        )
        self.evaluation = Evaluation(self.plan.blocks, channels, self.clock.boot_ns(), self.left_open or ())
        self.limits = LimitsInForce(
            layout=self.config.layout,
            evaluation=self.evaluation,
            announce=self.announce,
            clock=self.clock,
            others=[self.fast_polling],
        )
        self.limits.rest(rests(self.run_dir, self.config.layout))
        self.limits.seat(self.keeper.serials)

    def _build_observers(self, say: Callable[[str], None]) -> None:
        """What sees every record once it is written, in the order in which it does."""
        program = self.config.layout.program
        self.console = Console(say, self.clock) if self.preflight is None else None
        self.phases = self._phases(program) if program is not None and self.preflight is None else None
        if self.preflight is not None:
            self._begin_preflight(self.preflight)
        self.switching_off = self._switching_off() if self.config.switch_offs else None
        self.unit_states = self._unit_states() if self.preflight is None else None
        self.inbox = self._inbox()
        every: tuple[RecordObserver | None, ...] = (
            self.console,
            self.preflight,
            self.unit_states,
            self.phases,
            self.switching_off,
            self.inbox,
        )
        self.observers = tuple(one for one in every if one is not None)

    def _build_recorder(self) -> None:
        self.recorder = Recorder(
            fast=self.fast_polling if self.fast_polling.wanted else None,
            intake=self.intake,
            writer=self.writer,
            evaluation=self.evaluation,
            derived=DerivedChannels(self.plan.blocks, self.plan.formulas),
            clock=self.clock,
            sync_s=self.config.sync_s,
            essential=self.preflight,
            observers=self.observers,
        )

    def _build_watchers(self) -> None:
        """The buses with their pollers, and what else the supervisor looks at."""
        path, announce, clock = self.run_dir.path, self.announce, self.clock
        self.buses = {
            name: SupervisedBus(name, self._poller_maker(name), announce, clock)
            for name in assembly.polled_buses(self.config)
        }
        self.clock_watch = ClockWatch(announce, clock)
        self.health = LoggerHealth(
            buses=self.buses,
            recorder=self.recorder,
            intake=self.intake,
            run_path=path,
            announce=announce,
            clock=clock,
        )
        self.sealer = JournalSealer(self.writer, path, announce)
        self.disk_space = DiskSpaceWatch(path, announce, clock)
        self.alerts = AlertsProcess(path, announce, clock)

    # ---- single parts

    def _phases(self, program: Program) -> Phases:
        sources = Sources(
            specs=program.sources,
            channels=self.config.layout.channels,
            blocks=self.plan.blocks,
            send=self.dispatch.send,
            announce=self.announce,
            clock=self.clock,
            hurry=self.fast_polling.hurry,
        )
        return Phases(
            program=program,
            layout=self.config.layout,
            blocks=self.plan.blocks,
            stale_s=assembly.stale_s(self.config, self.plan),
            limits=self.limits,
            sources=sources,
            keeper=self.keeper,
            announce=self.announce,
            clock=self.clock,
        )

    def _begin_preflight(self, preflight: PreflightSession) -> None:
        """Hold the test program off, and let only limits that trip count.

        Nothing else is wrong with a unit that is off, or just switched on.
        """
        tools = ObserverTools(
            blocks=self.plan.blocks,
            send=self.dispatch.send,
            announce=self.announce,
            stop=self.stop.make,
            clock=self.clock,
        )
        preflight.begin(tools)
        trips = {
            name: tuple(one for one in channel.limits if one.trip)
            for name, channel in self.limits.base.items()
        }
        self.limits.enter(trips)
        data = {"what": PRE_FLIGHT, "phase": "", **self.limits.data()}
        self.announce(EventKind.PHASE, "run", "pre-flight: only trip limits in force", data)

    def _switching_off(self) -> SwitchingOff:
        return SwitchingOff(
            specs=self.config.switch_offs,
            channels=self.config.layout.channels,
            blocks=self.plan.blocks,
            send=self.dispatch.send,
            announce=self.announce,
            clock=self.clock,
            hurry=self.fast_polling.hurry,
        )

    def _unit_states(self) -> UnitStates:
        return UnitStates(
            layout=self.config.layout,
            blocks=self.plan.blocks,
            keeper=self.keeper,
            limits=self.limits,
            announce=self.announce,
            clock=self.clock,
            offset_ns=self.writer.offset_ns,
            told=self._took_part,
        )

    def _took_part(self, unit: str, condition: UnitCondition) -> None:
        """Let the test program go on without a unit that cannot take part, and with it again."""
        if self.phases is not None and condition.state is not OperatingState.UNOBSERVED:
            self.phases.take_part(unit, takes_part(condition))

    def _inbox(self) -> Inbox:
        orders = OrderHandlers(
            run=self.run_dir,
            layout=self.config.layout,
            keeper=self.keeper,
            announce=self.announce,
            limits=self.limits,
            phases=self.phases,
        )
        return Inbox(
            run=self.run_dir,
            handlers=orders.handlers(),
            announce=self.announce,
            clock=self.clock,
            writer=self.writer,
            already=order_inbox.carried_out(self.run_dir),
        )

    def _poller_maker(self, bus: str) -> Callable[[], Poller]:
        return partial(
            assembly.poller,
            self.config,
            self.plan,
            bus,
            intake=self.intake,
            fast_requests=self.fast_requests,
            commands=self.commands[bus],
            clock=self.clock,
        )

    # ---- its life

    def begin(self, found: Recovery) -> None:
        """Record what was recovered, the start and what the rig file changed, and start the alerts.

        During a pre-flight nobody is alerted.
        """
        if self.console is not None:
            self.console.start()
        self._record_recovery(found)
        self._record_start()
        self.writer.sync()
        for one in self.keeper.findings:
            self.writer.event(one.kind, self.clock.boot_ns(), one.subject, one.text, one.data)
        self.writer.sync()
        self.keeper.save()
        if self.unit_states is not None:
            last_ns, meanwhile = said_meanwhile(self.run_dir)
            self.unit_states.begin(found.last_ns if last_ns is None else last_ns, meanwhile)
        if self.preflight is None and self.config.alerts is not None:
            self.alerts.start()

    def run(self) -> str:
        """Record; return why it ended. Raises StoreError if nothing can be recorded any more."""
        try:
            return self.supervisor.run()
        finally:
            self.sealer.finish()

    def end(self, reason: str) -> dict[str, Any]:
        """Record the stop, close everything, end the run if its time is over; return the last health."""
        health = self.health.report()
        ended = reason == "duration reached"
        self.writer.event(
            EventKind.SESSION_STOP,
            self.clock.boot_ns(),
            "run",
            f"session {self.number} stopped: {reason}",
            {"reason": reason, "run_ended": ended, **health},
        )
        self.writer.close()
        if ended:
            rundir.end_run(self.run_dir, self.clock.utc_ns(), reason)
        self.alerts.end()
        return health

    def _record_recovery(self, found: Recovery) -> None:
        now_ns = self.clock.boot_ns()
        for one in found.events:
            self.writer.event(one.kind, now_ns, one.subject, one.text, one.data)
        behind_ns = (found.last_ns or 0) - (now_ns + self.writer.offset_ns)
        if behind_ns > 0:
            self.writer.event(
                EventKind.CLOCK_STEP,
                now_ns,
                "run",
                f"wall clock is {duration(behind_ns / 1e9)} behind the last record of an earlier session; "
                "sessions are ordered by number, their times cannot be compared",
                {"step_ns": -behind_ns, "offset_ns": self.writer.offset_ns, "between_sessions": True},
            )

    def _record_start(self) -> None:
        now_ns = self.clock.boot_ns()
        self.writer.event(
            EventKind.SESSION_START,
            now_ns,
            "run",
            f"session {self.number} started by {requester()}",
            {
                "software": SOFTWARE,
                "python": platform.python_version(),
                "rig_file_sha256": self.config.sha256,
                "synchronised": wall_clock_synchronised(),
                "utc_ns": self.clock.utc_ns(),
                "boot_ns": now_ns,
                "boot_id": self.clock.boot_id(),
                **({} if self.left_open is None else left_open_data(self.left_open)),
            },
        )
