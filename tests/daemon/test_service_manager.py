"""Signs of life to the service manager, over a real datagram socket: given only while the job gets done."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers import Exchange
from rig.clock import SYSTEM
from rig.daemon import poller as poller_module
from rig.daemon import supervisor as supervisor_module
from rig.daemon.service_manager import ServiceManager
from tests.daemon.fakes import Gate, ScriptedWire
from tests.daemon.live import DEAF_RIG, soakrig
from tests.daemon.test_supervisor import Session

WATCHDOG_S = 0.2


class Manager:
    """The service manager's end of the socket."""

    def __init__(self, path: Path) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(path))
        self.environment = {"NOTIFY_SOCKET": str(path), "WATCHDOG_USEC": str(round(WATCHDOG_S * 1e6))}

    def hears(self, within_s: float) -> str:
        """Return the next message, '' if none comes in time."""
        self.socket.settimeout(within_s)
        try:
            return self.socket.recv(4096).decode()
        except TimeoutError:
            return ""

    def hears_life(self, within_s: float = 1.0) -> bool:
        while message := self.hears(within_s):
            if message.startswith("WATCHDOG=1"):
                return True
        return False

    def hears_nothing_more(self) -> bool:
        """Whether signs of life cease: a second passes without one, within ten."""
        return any(self.hears(1.0) == "" for _ in range(60))


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    made = Manager(tmp_path / "notify")
    yield made
    made.socket.close()


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(poller_module, "GRACE_S", 0.1)
    monkeypatch.setattr(supervisor_module, "STALLED_S", 0.5)
    monkeypatch.setattr(supervisor_module, "LOOK_S", 0.05)


def watched(path: Path, manager: Manager, **wires: ScriptedWire) -> Session:
    session = Session(path, SYSTEM, **wires)
    session.supervisor._service_manager = ServiceManager(SYSTEM, manager.environment)
    return session


def test_a_healthy_session_is_ready_alive_and_says_when_it_ends(tmp_path: Path, manager: Manager) -> None:
    session = watched(tmp_path, manager, good=ScriptedWire())
    thread = session.start()
    assert manager.hears(5).startswith("READY=1")
    assert manager.hears_life()
    assert manager.hears_life()
    session.stop.make("test")
    thread.join(10)
    said = list(iter(lambda: manager.hears(0.2), ""))
    assert "STOPPING=1" in said


@pytest.mark.slow
def test_signs_of_life_stop_when_the_disk_hangs(tmp_path: Path, manager: Manager) -> None:
    session = watched(tmp_path, manager, good=ScriptedWire())
    gate = Gate()
    thread = session.start()
    assert manager.hears_life()
    session.memory.sync = gate.wait  # type: ignore[method-assign]
    assert gate.reached.wait(5)
    assert manager.hears_nothing_more()
    gate.opened.set()
    assert manager.hears_life()
    session.stop.make("test")
    thread.join(10)


def test_signs_of_life_go_on_when_an_instrument_or_a_bus_is_known_to_be_dead(
    tmp_path: Path, manager: Manager
) -> None:
    """A missing meter must not restart the logger of all the others."""
    gate = Gate()

    def stuck(_exchange: Exchange) -> str:
        gate.wait()
        return "2"

    session = watched(tmp_path, manager, good=ScriptedWire(), bad=ScriptedWire(stuck))
    thread = session.start()
    session.until(lambda: session.supervisor.buses["bad"].abandoned == 3)
    assert manager.hears_life()
    assert manager.hears_life()
    session.stop.make("test")
    gate.opened.set()
    thread.join(10)


@pytest.mark.slow
def test_the_logger_asks_for_time_before_it_makes_safe_what_a_crash_left(
    tmp_path: Path, manager: Manager, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "rig.yaml"
    file.write_text(DEAF_RIG, "utf-8")
    monkeypatch.setenv("NOTIFY_SOCKET", manager.environment["NOTIFY_SOCKET"])
    assert soakrig("log", file, "--for", "500 ms").returncode == 0
    said = list(iter(lambda: manager.hears(0.2), ""))
    # sd_notify(3): the time counts from the message, so it must come before the work
    assert said[0] == "EXTEND_TIMEOUT_USEC=300000000"
    assert said[1].startswith("READY=1")
    assert said[-1] == "STOPPING=1"


def test_without_a_manager_nothing_is_sent_and_nothing_fails() -> None:
    silent = ServiceManager(SYSTEM, {})
    silent.ready("up")
    silent.alive("well")
    assert not silent.watched


def test_a_manager_that_is_gone_is_no_reason_to_fail(tmp_path: Path) -> None:
    gone = ServiceManager(SYSTEM, {"NOTIFY_SOCKET": str(tmp_path / "gone"), "WATCHDOG_USEC": "1000"})
    gone.ready("up")
    gone.alive("well")
