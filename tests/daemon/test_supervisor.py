"""What the supervisor sees and does: stuck calls, dead threads, clock steps, an ordered end."""

from __future__ import annotations

import errno
import os
import signal
import threading
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from drivers import Exchange
from rig.clock import SYSTEM, Clock
from rig.daemon import logger_watchers
from rig.daemon import poller as poller_module
from rig.daemon.intake import Intake
from rig.daemon.recorder import Recorder
from rig.domain.derived import DerivedChannels
from rig.domain.limit_evaluation import Evaluation
from rig.domain.model import Channel, ChannelKind, Event, EventKind, Scan
from rig.errors import StoreError
from rig.store.files import OS_DISK, Space
from tests.daemon.fakes import Gate, ScriptedWire, Supervision, polled, poller
from tests.store.rooms import new_run, pair, writer

BLOCKS = [("good",), ("bad",)]
CHANNELS = {
    name: Channel(name=name, unit_of_measure="V", unit=None, kind=ChannelKind.RESPONSE, formula="1")
    for (name,) in BLOCKS
}


class Memory:
    """A writer that keeps everything and can be told to fail."""

    def __init__(self) -> None:
        self.kept: list[Scan] = []
        self.events: list[Event] = []
        self.syncs = 0
        self.breaks = False
        self.journals: list[int] = []

    def scans(self, scans: Sequence[Scan]) -> None:
        if self.breaks:
            raise ZeroDivisionError("a bug in the store")
        self.kept += scans

    def event(self, kind: EventKind, boot_ns: int, subject: str, text: str, data: Mapping[str, Any]) -> Event:
        event = Event(kind=kind, t_ns=boot_ns, session=1, seq=0, subject=subject, text=text, data=data)
        self.events.append(event)
        return event

    def sync(self) -> None:
        self.syncs += 1


class SteppingClock:
    """The system's clocks, with a wall clock and a boot clock that a test can move."""

    def __init__(self) -> None:
        self.wall_step_ns = 0
        self.slept_ns = 0

    def monotonic_ns(self) -> int:
        return SYSTEM.monotonic_ns()

    def boot_ns(self) -> int:
        return SYSTEM.boot_ns() + self.slept_ns

    def utc_ns(self) -> int:
        return SYSTEM.utc_ns() + self.wall_step_ns + self.slept_ns

    def boot_id(self) -> str:
        return "boot"


class YoungClock(SteppingClock):
    """The clocks of a machine that started a moment before."""

    def __init__(self) -> None:
        super().__init__()
        self._start_ns = SYSTEM.boot_ns()

    def monotonic_ns(self) -> int:
        return SYSTEM.boot_ns() - self._start_ns

    def boot_ns(self) -> int:
        return SYSTEM.boot_ns() - self._start_ns


def _poller(wire: ScriptedWire, intake: Intake, name: str, *, block: int) -> poller_module.Poller:
    return poller(wire, intake, polled(name, block=block, poll_s=0.1 if name == "good" else 0.01), bus=name)


class Session:
    """A supervisor over scripted wires, run in a thread of its own."""

    def __init__(self, path: Path, clock: Clock = SYSTEM, **wires: ScriptedWire) -> None:
        self.memory = Memory()
        self.intake = intake = Intake()
        recorder = Recorder(
            intake=intake,
            writer=self.memory,
            evaluation=Evaluation(BLOCKS, CHANNELS, clock.boot_ns()),
            derived=DerivedChannels(BLOCKS, {}),
            clock=clock,
            sync_s=0.2,
        )
        blocks = {name: at for at, (name,) in enumerate(BLOCKS)}
        pollers = {
            name: partial(_poller, wire, intake, name, block=blocks[name]) for name, wire in wires.items()
        }
        watched = Supervision(
            pollers, recorder, self.memory, intake, run_path=path, clock=clock, each_look=self._look
        )
        self.supervisor, self.stop = watched.supervisor, watched.stop
        self.clock_watch, self.sealer = watched.clock_watch, watched.sealer
        self._conditions: list[tuple[Any, threading.Event]] = []

    def _look(self) -> None:
        for condition, met in self._conditions:
            if condition():
                met.set()

    def events(self, kind: EventKind) -> list[Event]:
        return [event for event in self.memory.events if event.kind is kind]

    def until(self, condition: Any) -> None:
        met = threading.Event()
        self._conditions.append((condition, met))
        assert met.wait(20), f"it did not come to pass; events: {self.memory.events}"

    def start(self) -> threading.Thread:
        thread = threading.Thread(target=self.supervisor.run, daemon=True)
        thread.start()
        return thread


@pytest.fixture
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(poller_module, "GRACE_S", 0.1)


@pytest.mark.usefixtures("_impatient")
def test_a_stuck_call_is_given_up_and_costs_its_own_bus_alone(tmp_path: Path) -> None:
    gate = Gate()
    calls = iter([True])

    def stuck_once(_exchange: Exchange) -> str:
        if next(calls, False):
            gate.wait()
        return "2"

    session = Session(tmp_path, good=ScriptedWire(), bad=ScriptedWire(stuck_once))
    thread = session.start()
    session.until(lambda: any(scan.block == 1 for scan in session.memory.kept))
    session.stop.make("test")
    thread.join(10)
    gate.opened.set()
    (stuck,) = session.events(EventKind.BUS_STUCK)
    assert stuck.subject == "bad"
    assert "bad: Q?" in stuck.text
    # the neighbour kept its cadence while the stuck bus was waited for: none of its polls is missing
    assert len([scan for scan in session.memory.kept if scan.block == 0]) >= 3
    assert [gap for gap in session.events(EventKind.GAP) if gap.subject == "good"] == []


@pytest.mark.slow
@pytest.mark.usefixtures("_impatient")
def test_a_bus_that_is_stuck_for_ever_is_left_alone_after_three_threads(tmp_path: Path) -> None:
    gate = Gate()

    def stuck(_exchange: Exchange) -> str:
        gate.wait()
        return "2"

    session = Session(tmp_path, bad=ScriptedWire(stuck))
    thread = session.start()
    session.until(lambda: len(session.events(EventKind.BUS_STUCK)) == 3)
    before = threading.active_count()
    looks = iter(range(4))
    session.until(lambda: next(looks, None) is None)
    assert threading.active_count() <= before
    session.stop.make("test")
    gate.opened.set()
    thread.join(10)


class LetsGo(ScriptedWire):
    """A wire whose first calls are stuck until it is abandoned, as a call is whose connection is cut."""

    def __init__(self, times: int) -> None:
        super().__init__(self._answer)
        self._left = times
        self._cut = threading.Event()

    def _answer(self, _exchange: Exchange) -> str:
        if self._left:
            self._left -= 1
            self._cut.clear()
            self._cut.wait(30)
        return "2"

    def abandon(self) -> None:
        super().abandon()
        self._cut.set()


@pytest.mark.slow
@pytest.mark.usefixtures("_impatient")
def test_threads_that_were_stuck_and_came_free_do_not_count_against_their_bus_for_ever(
    tmp_path: Path,
) -> None:
    """Four stuck calls in as many weeks must not cost a bus the rest of the run."""
    session = Session(tmp_path, bad=LetsGo(4))
    thread = session.start()
    session.until(lambda: bool(session.memory.kept))
    session.stop.make("test")
    thread.join(10)
    told = session.events(EventKind.BUS_STUCK)
    assert [one.data["wait_s"] for one in told] == [0.0, 0.0, 0.0, 1.0], "told each time, but not in a rush"
    assert session.supervisor.buses["bad"].abandoned == 0
    assert {scan.values for scan in session.memory.kept} == {(2.0,)}


def test_a_thread_that_ends_by_a_bug_is_reported_and_replaced(tmp_path: Path) -> None:
    calls = iter([True])

    def bug_once(_exchange: Exchange) -> str:
        if next(calls, False):
            raise ZeroDivisionError("a bug in a driver")
        return "2"

    session = Session(tmp_path, bad=ScriptedWire(bug_once))
    thread = session.start()
    session.until(lambda: bool(session.memory.kept))
    session.stop.make("test")
    thread.join(10)
    (told,) = session.events(EventKind.BUS_STUCK)
    assert "ZeroDivisionError" in told.text


@pytest.mark.slow
def test_a_thread_that_ends_again_and_again_is_started_after_longer_waits_and_told_each_time(
    tmp_path: Path,
) -> None:
    def bug(_exchange: Exchange) -> str:
        raise ZeroDivisionError("a bug in a driver")

    session = Session(tmp_path, bad=ScriptedWire(bug))
    thread = session.start()
    session.until(lambda: len(session.events(EventKind.BUS_STUCK)) == 3)
    assert session.supervisor.well(), "what is known and waited for is no reason to restart everything"
    session.stop.make("test")
    thread.join(10)
    waits = [event.data["wait_s"] for event in session.events(EventKind.BUS_STUCK)]
    assert waits == [0.0, 2.0, 4.0]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("error", "said"),
    [
        (OSError(errno.EMFILE, os.strerror(errno.EMFILE)), "Too many open files"),
        (ZeroDivisionError("a bug in the look"), "a bug in the look"),
    ],
)
def test_a_look_that_fails_is_told_and_does_not_end_the_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, said: str
) -> None:
    session = Session(tmp_path, good=ScriptedWire())
    look = session.clock_watch.look
    failing = iter([True] * 3)

    def refused() -> None:
        if next(failing, False):
            raise error
        look()

    monkeypatch.setattr(session.clock_watch, "look", refused)
    thread = session.start()
    session.until(lambda: bool(session.events(EventKind.HEALTH)))
    before = len(session.memory.kept)
    session.until(lambda: len(session.memory.kept) > before)
    session.stop.make("test")
    thread.join(10)
    (told,) = session.events(EventKind.LOGGER_FAULT)  # once, not at each look
    assert said in told.text


@pytest.mark.slow
@pytest.mark.parametrize("step_s", [3600.0, -3600.0, 0.2, -0.2])
def test_a_step_of_the_wall_clock_is_an_event_and_moves_no_reading(tmp_path: Path, step_s: float) -> None:
    clock = SteppingClock()
    session = Session(tmp_path, clock, good=ScriptedWire())
    thread = session.start()
    session.until(lambda: len(session.memory.kept) > 5)
    clock.wall_step_ns = round(step_s * 1e9)
    session.until(lambda: bool(session.events(EventKind.CLOCK_STEP)))
    session.stop.make("test")
    thread.join(10)
    (told,) = session.events(EventKind.CLOCK_STEP)
    assert abs(told.data["step_ns"] - clock.wall_step_ns) < 20_000_000
    times = [scan.sent_ns for scan in session.memory.kept]
    assert times == sorted(times)


def test_a_suspended_machine_is_a_gap_with_its_length(tmp_path: Path) -> None:
    clock = SteppingClock()
    session = Session(tmp_path, clock, good=ScriptedWire())
    thread = session.start()
    session.until(lambda: len(session.memory.kept) > 5)
    clock.slept_ns = 3_600_000_000_000
    session.until(lambda: bool(session.events(EventKind.GAP)))
    session.stop.make("test")
    thread.join(10)
    (gap,) = session.events(EventKind.GAP)
    assert gap.data["cause"] == "suspend"
    assert gap.data["to_ns"] - gap.data["from_ns"] == pytest.approx(3.6e12, rel=1e-3)
    assert session.events(EventKind.CLOCK_STEP) == []


def test_everything_handed_over_before_a_stop_is_written_and_synced(tmp_path: Path) -> None:
    session = Session(tmp_path, good=ScriptedWire())
    thread = session.start()
    session.until(lambda: len(session.memory.kept) > 5)
    session.stop.make("signal SIGTERM")
    session.stop.make("a later reason")
    thread.join(10)
    assert session.stop.reason == "signal SIGTERM"
    assert session.intake.depth() == 0
    assert session.memory.syncs > 0


def test_a_recorder_that_fails_ends_the_session_with_an_error(tmp_path: Path) -> None:
    session = Session(tmp_path, good=ScriptedWire())
    session.memory.breaks = True
    with pytest.raises(StoreError, match="a bug in the store"):
        session.supervisor.run()


@pytest.mark.parametrize("clock", [SYSTEM, YoungClock()])
def test_health_names_memory_descriptors_threads_disk_buses_and_lateness(
    tmp_path: Path, clock: Clock
) -> None:
    wire = ScriptedWire()
    wire.counts.failures, wire.counts.discarded = 3, 17
    session = Session(tmp_path, clock, good=wire)
    thread = session.start()
    session.until(lambda: bool(session.events(EventKind.HEALTH)))
    session.stop.make("test")
    thread.join(10)
    (event,) = session.events(EventKind.HEALTH)
    assert event.data["resident_kib"] > 1000
    assert event.data["descriptors"] > 2
    assert event.data["disk_free_bytes"] > 0
    assert len(event.data["lateness_ms"]["good"]) == 3
    assert event.data["buses"] == {
        "good": {"opened": 0, "exchanges": 0, "failures": 3, "resyncs": 0, "discarded": 17}
    }


@pytest.mark.slow
def test_a_disk_with_little_room_is_told_before_it_refuses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    room = Space(free_bytes=100_000_000, inodes=50_000)
    monkeypatch.setattr(logger_watchers, "ROOM_NS", 0)
    monkeypatch.setattr(type(OS_DISK), "space", lambda _disk, _path: room)
    session = Session(tmp_path, good=ScriptedWire())
    thread = session.start()
    session.until(lambda: bool(session.events(EventKind.STORE_LOW)))
    looks = iter(range(4))
    session.until(lambda: next(looks, None) is None)
    session.stop.make("test")
    thread.join(10)
    (told,) = session.events(EventKind.STORE_LOW)  # once, however often it looks
    assert "100 MB free" in told.text
    assert told.data["disk_free_bytes"] == 100_000_000


@pytest.mark.slow
@pytest.mark.parametrize(
    ("pyarrow", "exit_code", "said"),
    [
        ("raise ImportError('no wheel for this machine')", 1, "no wheel for this machine"),
        # as compiled code ends on a processor that lacks one of its instructions: no traceback, no word
        ("import os, signal; os.kill(os.getpid(), signal.SIGILL)", -signal.SIGILL, ""),
    ],
)
def test_where_parquet_cannot_be_written_the_recording_goes_on_in_journals_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pyarrow: str, exit_code: int, said: str
) -> None:
    (tmp_path / "libraries" / "pyarrow").mkdir(parents=True)
    (tmp_path / "libraries" / "pyarrow" / "__init__.py").write_text(pyarrow, "utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "libraries"))
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(0))
    recorder.close()
    (journal,) = run.folder("journal").iterdir()
    whole = journal.read_bytes()
    session = Session(run.path, good=ScriptedWire())
    session.memory.journals.append(1)
    thread = session.start()
    session.until(lambda: bool(session.events(EventKind.STORE_FAULT)))
    before = len(session.memory.kept)
    session.until(lambda: len(session.memory.kept) > before + 2)
    session.stop.make("test")
    thread.join(10)
    (told,) = session.events(EventKind.STORE_FAULT)
    assert told.data["cause"] == "seal"
    assert told.data["exit"] == exit_code
    assert said in told.data["said"]
    assert "they are kept for later" in told.text
    assert journal.read_bytes() == whole
