"""A library that keeps its deadlines by the wall clock, and a wall clock that is set back meanwhile."""

from __future__ import annotations

import gc
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from drivers.bus.exchange import Link
from drivers.bus.visa import VisaTransport
from rig.clock import SYSTEM
from rig.daemon import poller as poller_module
from rig.daemon.intake import Intake
from rig.daemon.poller import Poller
from rig.daemon.recorder import Recorder
from rig.domain.derived import DerivedChannels
from rig.domain.limit_evaluation import Evaluation
from rig.domain.model import Channel, ChannelKind, EventKind
from tests.daemon.fakes import OneQuestion, Supervision, polled
from tests.daemon.test_supervisor import Memory
from tests.drivers.peers import Conn, Tagged
from tests.drivers.vxi11_peer import Instrument, vxi11_peer

VOLTS = Channel(name="volts", unit_of_measure="V", unit=None, kind=ChannelKind.STIMULUS, formula="1")
HOUR_S = 3600.0


class WallClock:
    """What the library reads; set back by an hour once ``armed``, just after a deadline was worked out."""

    def __init__(self) -> None:
        self.armed = threading.Event()
        self.behind_s = 0.0

    def time(self) -> float:
        now_s = time.time() - self.behind_s
        if self.armed.is_set():
            self.behind_s = HOUR_S
        return now_s


class FallsSilent(Instrument):
    """Answers 230; from the fifth question on says nothing over that connection, and works over the next."""

    def __init__(self, wall: WallClock) -> None:
        self.questions = 0
        self._wall = wall
        self._silent = False
        super().__init__(self._answer)

    def _answer(self, _message: bytes) -> tuple[bytes, float]:
        self.questions += 1
        return b"230\n", 0.0

    def read(self, conn: Conn, timeout_s: float) -> bytes:
        if self.questions == 5:
            self.questions += 1
            self._wall.armed.set()
            while conn.ask():
                pass  # until whoever asks lets go
            self._silent = True
        return super().read(conn, timeout_s)

    def reply(self, conn: Conn, call: bytes) -> bytes:
        said = super().reply(conn, call)
        silent, self._silent = self._silent, False
        return b"" if silent else said


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_bus_that_would_wait_an_hour_is_opened_anew_and_its_thread_does_not_stay_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(poller_module, "GRACE_S", 0.3)
    wall = WallClock()
    monkeypatch.setattr("pyvisa_py.protocols.rpc.time", SimpleNamespace(time=wall.time))
    instrument = FallsSilent(wall)
    memory, intake = Memory(), Intake()
    pollers: list[Poller] = []

    def make() -> Poller:
        one = polled("meter", poll_s=0.05, driver=OneQuestion(polls=(Tagged(1),)))
        one.timeout_s = 0.3
        link = Link(VisaTransport(resource=resource))
        pollers.append(Poller(bus="meters", wire=link, instruments=[one], intake=intake, clock=SYSTEM))
        return pollers[-1]

    with vxi11_peer(instrument) as resource:
        recorder = Recorder(
            intake=intake, writer=memory, clock=SYSTEM, sync_s=0.2,
            evaluation=Evaluation([("volts",)], {"volts": VOLTS}, SYSTEM.boot_ns()),
            derived=DerivedChannels([("volts",)], {}),
        )  # fmt: skip
        watched = Supervision(
            {"meters": make}, recorder, memory, intake, run_path=tmp_path, duration_s=40.0,
            each_look=lambda: watched.stop.make("seen") if instrument.questions > 12 else None,
        )  # fmt: skip
        assert watched.supervisor.run() == "seen", memory.events
        (stuck,) = [one for one in memory.events if one.kind is EventKind.BUS_STUCK]
        assert "meter: tag 1" in stuck.text
        pollers[0].join(10)
        assert not pollers[0].is_alive(), "it goes round and round until the hour is over"
    values = [scan.values[0] for scan in memory.kept if scan.statuses == b"\0"]
    assert set(values) == {230.0}
    assert len(values) >= 8
    gc.collect()  # the library leaves its socket to the garbage collector
