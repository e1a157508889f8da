"""A session is one graph of objects with one owner, built before anything of it runs."""

from __future__ import annotations

import gc
import re
import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from types import FunctionType, ModuleType

import pytest

import drivers
from rig.clock import SYSTEM
from rig.daemon.intake import Intake
from rig.daemon.preflight_session import Guide, PreflightSession
from rig.daemon.recording_session import RecordingSession
from rig.daemon.service_manager import ServiceManager
from rig.daemon.stop_request import StopRequest
from rig.domain.model import EventKind
from rig.rigfile import yaml_reader
from rig.rigfile.config import RigConfig
from rig.store import recover, rundir
from rig.store.rundir import Lock
from rig.store.tail import Tail

RIG_FILE = Path(__file__).parents[2] / "configs" / "three-mains.yaml"
"""The example that has everything a session can have: a program, a source, switching off, a pre-flight."""


@pytest.fixture
def ends() -> Iterator[list[socket.socket]]:
    """Listen where the four buses of the rig lead to: a connection would be noticed."""
    with ExitStack() as all_of_them:
        listening = [all_of_them.enter_context(socket.create_server(("127.0.0.1", 0))) for _ in range(4)]
        for one in listening:
            one.setblocking(False)
        yield listening


@pytest.fixture
def config(tmp_path: Path, ends: list[socket.socket]) -> RigConfig:
    text = RIG_FILE.read_text("utf-8")
    for one in ends:
        # written with a blank, so that the next one finds the next
        bus = f'{{tcp : "127.0.0.1:{one.getsockname()[1]}"}}'
        text, found = re.subn(r"\{(serial: /dev|tcp:).*\}$", bus, text, count=1, flags=re.MULTILINE)
        assert found == 1
    assert "/dev/" not in text
    file = tmp_path / "rig.yaml"
    file.write_text(text, "utf-8")
    return yaml_reader.read(file, drivers.spec)


def session(
    config: RigConfig, folder: Path, *, preflight: PreflightSession | None = None
) -> RecordingSession:
    run = rundir.create(
        folder / "runs", rig=config.rig, created_ns=SYSTEM.utc_ns(), software="test", name="one"
    )
    return RecordingSession(
        config,
        run,
        stop=StopRequest(),
        service_manager=ServiceManager(SYSTEM, {}),
        clock=SYSTEM,
        say=lambda _text: None,
        preflight=preflight,
    )


def parts() -> dict[int, object]:
    """Return all living objects of the daemon's classes, by their identity."""
    gc.collect()
    return {id(one): one for one in gc.get_objects() if str(type(one).__module__).startswith("rig.daemon.")}


def reached(owner: object) -> set[int]:
    """Return what is to be found from an object by attributes, containers and bound arguments alone.

    Not what a module, a class or a function's own variables hold: that belongs to no one.
    """
    found = {id(owner)}
    waiting = [owner]
    while waiting:
        for one in gc.get_referents(waiting.pop()):
            if id(one) not in found and not isinstance(one, (type, ModuleType, FunctionType)):
                found.add(id(one))
                waiting.append(one)
    return found


def test_a_session_is_built_without_opening_a_bus_or_starting_a_thread(
    config: RigConfig, ends: list[socket.socket], tmp_path: Path
) -> None:
    threads = set(threading.enumerate())
    made = session(config, tmp_path)
    assert set(threading.enumerate()) == threads
    for one in ends:
        with pytest.raises(BlockingIOError):  # nobody has connected
            one.accept()
    assert {name: bus.poller.is_alive() for name, bus in made.buses.items()} == dict.fromkeys(
        ["scanner-line", "meters", "source", "relays"], False
    )
    made.writer.close()


def test_every_part_of_a_session_is_found_from_its_one_owner(config: RigConfig, tmp_path: Path) -> None:
    before = parts()
    made = session(config, tmp_path)
    new = {at: one for at, one in parts().items() if at not in before}
    names = sorted(type(one).__name__ for one in new.values())
    # what the concept of threads names is there, each once, and a poller for each bus
    for once in ("Recorder", "Supervisor", "Intake", "Keeper", "Phases", "Inbox", "SwitchingOff", "Console"):
        assert names.count(once) == 1, names
    assert names.count("Poller") == names.count("CommandQueue") == 4
    stranger = Intake()
    found = reached(made)
    assert id(stranger) not in found, "what is reached is not simply everything"
    assert sorted(type(one).__name__ for at, one in new.items() if at not in found) == []
    made.writer.close()


def test_a_preflight_takes_the_place_of_the_program_and_of_the_console(
    config: RigConfig, tmp_path: Path
) -> None:
    preflight = PreflightSession(config, Guide(lambda _text: None, None))
    made = session(config, tmp_path, preflight=preflight)
    assert (made.console, made.phases) == (None, None)
    assert made.observers == (preflight, made.switching_off, made.inbox)
    # only the limits that trip hold: those of the heatsinks and the supplies, by the rig file
    held = {name for name, channel in made.limits.channels().items() if channel.limits}
    assert held == {"A1.heatsink", "A1.supply", "A2.heatsink", "A2.supply"}
    made.writer.close()


def test_a_stop_that_was_asked_for_during_start_up_ends_the_session_in_good_order(
    config: RigConfig, tmp_path: Path
) -> None:
    made = session(config, tmp_path)
    with Lock(made.run_dir.path / rundir.LOCK).acquire("test"):
        made.stop.make("signal SIGTERM")
        made.stop.make("a later one")
        made.begin(recover.Recovery())
        assert made.run() == "signal SIGTERM"
        health = made.end("signal SIGTERM")
    events = Tail(made.run_dir.path).poll().events
    assert [events[0].kind, events[-1].kind] == [EventKind.SESSION_START, EventKind.SESSION_STOP]
    assert EventKind.PHASE in {one.kind for one in events}, "what was said while it was built is recorded"
    assert events[-1].data["reason"] == "signal SIGTERM"
    assert events[-1].data["run_ended"] is False
    assert events[-1].data["queue"] == health["queue"] == 0
    assert not rundir.has_ended(made.run_dir)
