"""Two groups of units on the real logger: an instrument over TCP, orders through the inbox, real files."""

from __future__ import annotations

import socketserver
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

import drivers
from rig.clock import SYSTEM
from rig.daemon import order_client
from rig.daemon.recording_session import RecordingSession
from rig.daemon.service_manager import ServiceManager
from rig.daemon.stop_request import StopRequest
from rig.domain.accounting import LevelPlan
from rig.domain.model import Event, EventKind, Signals
from rig.domain.orders import OrderKind
from rig.endurance.account_options import account_options
from rig.endurance.exposure import exposures
from rig.rigfile import yaml_reader
from rig.rigfile.config import RigConfig
from rig.store import recover, rundir
from rig.store.reader import RunReader
from rig.store.rundir import Lock, RunDir
from rig.store.tail import Tail

pytestmark = pytest.mark.slow
FIELDS = ("mains_a", "mains_b", "a1", "a2", "b1")
RIG = """
rig: two-variacs
runs: runs
planned: 1 d
buses: {{net: {{tcp: "127.0.0.1:{port}"}}}}
instruments:
  box:
    bus: net
    driver: lines
    poll: 200 ms
    terminator: LF
    reads: [{{ask: "READ?", fields: [mains_a, mains_b, a1, a2, b1]}}]
units:
  A1: {{serial: "1", load: none, channels: {{volts: {{from: box.a1, unit: V, limits: none}}}}}}
  A2: {{serial: "2", load: none, channels: {{volts: {{from: box.a2, unit: V, limits: none}}}}}}
  B1: {{serial: "3", load: none, channels: {{volts: {{from: box.b1, unit: V, limits: none}}}}}}
channels:
  mains_a: {{from: box.mains_a, unit: V, limits: none}}
  mains_b: {{from: box.mains_b, unit: V, limits: none}}
program:
  settle: 500 ms
  phases:
    low:
      targets: {{mains_a: 207 V +- 3 V, mains_b: 207 V +- 3 V, "{{unit}}.volts": 28 V +- 2 V}}
      duration: 2 s
      time-out: 2 s
"""


class Box(socketserver.StreamRequestHandler):
    """Answers each line with the readings of the bench."""

    def handle(self) -> None:
        for _line in self.rfile:
            bench = self.server
            assert isinstance(bench, Bench)
            self.wfile.write(",".join(f"{bench.reads[name]:.2f}" for name in FIELDS).encode() + b"\n")


class Bench(socketserver.ThreadingTCPServer):
    """Two variacs and three units, as an instrument reads them."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Box)
        self.reads = {"mains_a": 230.0, "mains_b": 230.0, "a1": 28.0, "a2": 28.0, "b1": 28.0}


@pytest.fixture
def bench() -> Iterator[Bench]:
    with Bench() as bench:
        thread = threading.Thread(target=bench.serve_forever, daemon=True)
        thread.start()
        yield bench
        bench.shutdown()
        thread.join()


def config(bench: Bench, folder: Path) -> RigConfig:
    file = folder / "rig.yaml"
    file.write_text(RIG.format(port=bench.server_address[1]), "utf-8")
    read = yaml_reader.read(file, drivers.spec)
    units = {
        name: replace(
            one,
            signals=Signals(
                mains=LevelPlan(channel=f"mains_{name[0].lower()}", on_above=100.0, off_below=90.0)
            ),
        )
        for name, one in read.layout.units.items()
    }
    return replace(read, layout=replace(read.layout, units=units))


class Watcher:
    """Reads along what the logger writes."""

    def __init__(self, run: RunDir) -> None:
        self.run = run
        self.tail = Tail(run.path)
        self.events: list[Event] = []

    def until(self, what: str, unit: str, patience_s: float = 30.0) -> Event:
        """Return the newest event of the program about a unit, once it says this."""
        until_s = time.monotonic() + patience_s
        while time.monotonic() < until_s:
            self.events += self.tail.poll().events
            mine = [one for one in self.events if unit in one.data.get("group", ())]
            if mine and mine[-1].data["what"] == what:
                return mine[-1]
            time.sleep(0.05)
        raise AssertionError(f"no {what} of {unit}: {[one.text for one in self.events]}")


def test_each_group_goes_by_its_own_variac_and_a_dead_unit_stops_nobody(bench: Bench, tmp_path: Path) -> None:
    rig = config(bench, tmp_path)
    run = rundir.create(
        tmp_path / "runs", rig=rig.rig, created_ns=SYSTEM.utc_ns(), software="test", name="one"
    )
    stop = StopRequest()
    problems: list[BaseException] = []
    overdue: list[Event] = []

    def people() -> None:
        """Turn the variacs, see one unit die, take it out."""
        watch = Watcher(run)
        watch.until("due", "B1")
        bench.reads |= {"mains_a": 207.0, "a2": 0.0}  # A2 is dead, and B's variac is left where it was
        overdue.append(watch.until("overdue", "B1"))
        overdue.append(watch.until("overdue", "A2"))
        order_client.ask(run, OrderKind.SWAP, {"unit": "A2", "serial": "", "text": "dead"})
        watch.until("ended", "A1")
        bench.reads["mains_b"] = 207.0
        watch.until("ended", "B1")

    def script(act: Callable[[], None]) -> None:
        try:
            act()
        except BaseException as error:
            problems.append(error)
        stop.make("the script is over")

    session = RecordingSession(
        rig, run, stop=stop, service_manager=ServiceManager(SYSTEM, {}), clock=SYSTEM, say=lambda _text: None
    )
    with Lock(run.path / rundir.LOCK).acquire("test"):
        session.begin(recover.Recovery())
        thread = threading.Thread(target=script, args=(people,))
        thread.start()
        session.run()
        thread.join()
        session.end("the script is over")
    assert problems == []

    assert [one.data["group"] for one in overdue] == [["B1"], ["A1", "A2"]]
    assert all(one.data["action"] is True and "a variac does not isolate" in one.text for one in overdue)
    assert overdue[0].text.startswith("ACTION: set mains_b to 207 ± 3 V")
    recorded = RunReader.open(run.path)
    told = [(one.data["what"], tuple(one.data["group"])) for one in recorded.events() if "group" in one.data]
    assert told.index(("ended", ("A1", "A2"))) < told.index(("reached", ("B1",)))
    assert ("leaves", ("A1", "A2")) in told
    assert any(one.kind is EventKind.UNIT and one.subject == "A2" for one in recorded.events())
    # the account finds what the logger counted, each unit by its own source
    hours = {one.unit: one.phases[0] for one in exposures(recorded, account_options(recorded.layout).phases)}
    assert hours["A1"].within_s >= 2.0
    assert hours["B1"].within_s >= 2.0
    assert hours["A2"].within_s == pytest.approx(0.0, abs=0.5)
    assert {one.channel for one in hours["B1"].targets} == {"mains_b", "B1.volts"}
