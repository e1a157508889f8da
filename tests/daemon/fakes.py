"""A wire whose answers a test decides: for what no real instrument can be made to do on demand."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from drivers import Exchange, Reply
from drivers.bus.exchange import Answer, Counts
from rig.clock import SYSTEM, Clock
from rig.daemon.intake import Intake
from rig.daemon.logger_watchers import ClockWatch, DiskSpaceWatch, JournalSealer, JournalWriter, LoggerHealth
from rig.daemon.observers.record_observer import Announcer
from rig.daemon.poller import PolledInstrument, Poller
from rig.daemon.recorder import Recorder
from rig.daemon.service_manager import ServiceManager
from rig.daemon.stop_request import StopRequest
from rig.daemon.supervised_bus import SupervisedBus
from rig.daemon.supervisor import Supervisor
from rig.domain.model import Status
from rig.domain.reply_mapping import Route
from rig.domain.schedule import Backoff, Cadence


@dataclass
class Question:
    """An exchange with one field."""

    label: str = "Q?"
    fields: tuple[str, ...] = ("x",)
    request_bytes: int = 2
    reply_bytes: int = 2

    def request(self) -> bytes:
        return b"Q\n"

    def parse(self, received: bytes) -> Reply | None:
        raise NotImplementedError(received)


@dataclass
class OneQuestion:
    """A driver with one question, perhaps an identity and an error queue."""

    polls: Sequence[Exchange] = field(default_factory=lambda: (Question(),))
    opening: Sequence[Exchange] = ()
    report: Exchange | None = None
    quiet_s: float = 0.0


Script = Callable[[Exchange], str]


class ScriptedWire:
    """Answers what ``say`` returns for an exchange; ``say`` may raise or block instead."""

    def __init__(self, say: Script = lambda _exchange: "1") -> None:
        self.say = say
        self.opens = 0
        self.closes = 0
        self.counts = Counts()
        self.abandoned = False
        self.asked: list[str] = []

    def open(self) -> None:
        self.opens += 1

    def close(self) -> None:
        self.closes += 1

    def abandon(self) -> None:
        self.abandoned = True

    def exchange(self, exchange: Exchange, timeout_s: float, quiet_s: float) -> Answer:
        self.asked.append(exchange.label)
        sent_ns = SYSTEM.boot_ns()
        text = self.say(exchange)
        values: tuple[float, ...] = ()
        if exchange.fields:
            values, text = (float(text),), ""
        statuses = tuple(Status.GOOD for _ in values)
        return Answer(Reply(values=values, statuses=statuses, used=1, text=text), sent_ns, SYSTEM.boot_ns())


def polled(
    name: str, *, block: int = 0, poll_s: float = 0.01, driver: OneQuestion | None = None
) -> PolledInstrument:
    """Return a station whose first poll is due now."""
    route = Route(field=0, cold_junction=None, curve=None, gain=1.0, offset=0.0, low=-1e9, high=1e9)
    return PolledInstrument(
        name=name,
        driver=driver or OneQuestion(),
        blocks=[(block, [route])],
        poll_s=poll_s,
        timeout_s=0.05,
        cadence=Cadence(period_ns=round(poll_s * 1e9), due_ns=SYSTEM.monotonic_ns()),
        backoff=Backoff(first_s=poll_s, cap_s=0.05),
    )


def poller(wire: ScriptedWire, intake: Intake, *instruments: PolledInstrument, bus: str = "line") -> Poller:
    return Poller(bus=bus, wire=wire, instruments=instruments, intake=intake, clock=SYSTEM)


class Supervision:
    """A supervisor and all that it looks at, as a session has them, but for the alerts."""

    def __init__(
        self,
        pollers: Mapping[str, Callable[[], Poller]],
        recorder: Recorder,
        writer: JournalWriter,
        intake: Intake,
        *,
        run_path: Path,
        clock: Clock = SYSTEM,
        duration_s: float | None = None,
        each_look: Callable[[], None] = lambda: None,
    ) -> None:
        announce = Announcer(intake, clock)
        self.stop = StopRequest()
        self.buses = {name: SupervisedBus(name, make, announce, clock) for name, make in pollers.items()}
        self.clock_watch = ClockWatch(announce, clock)
        self.sealer = JournalSealer(writer, run_path, announce)
        health = LoggerHealth(
            buses=self.buses, recorder=recorder, intake=intake, run_path=run_path, announce=announce,
            clock=clock,
        )  # fmt: skip
        self.supervisor = Supervisor(
            buses=self.buses, recorder=recorder, stop=self.stop, announce=announce, clock=clock,
            watchers=(self.clock_watch, health, self.sealer, DiskSpaceWatch(run_path, announce, clock)),
            service_manager=ServiceManager(clock, {}), duration_s=duration_s,
            each_look=lambda _supervisor: each_look(),
        )  # fmt: skip


class Gate:
    """Blocks a script until the test opens it."""

    def __init__(self) -> None:
        self.reached = threading.Event()
        self.opened = threading.Event()

    def wait(self) -> None:
        self.reached.set()
        self.opened.wait(30)
