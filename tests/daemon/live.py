"""The ordinary logger on the simulated room, watched through the files it writes."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import ClassVar

import pytest

from rig.domain.model import Event, EventKind
from rig.store.reader import RunReader
from rig.store.rundir import newest_run
from rig.store.tail import LiveScan, Tail

DEAF_RIG = """
rig: cold
runs: runs
planned: 1 d
buses: {net: {tcp: "127.0.0.1:9"}}
instruments:
  box: {bus: net, driver: lines, poll: 1 s, terminator: LF, reads: [{ask: "T?", fields: [t1]}]}
channels:
  ambient: {from: box.t1, unit: degC, limits: none}
"""
"""A rig whose one instrument is not there: whether it answers does not matter."""


def soakrig(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "rig.cli", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)


class Logger:
    """``soakrig log`` in a process of its own; ``events`` and ``scans`` gather what it has recorded."""

    started: ClassVar[list[Logger]] = []

    def __init__(self, rig_file: Path, *options: str) -> None:
        self.rig_file = rig_file
        self.runs = rig_file.parent / "runs"
        self.said = rig_file.parent / "log.txt"
        self.events: list[Event] = []
        self.scans: list[LiveScan] = []
        self._tail: Tail | None = None
        with self.said.open("ab") as output:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "rig.cli", "log", str(rig_file), *options],
                stdout=output,
                stderr=output,
            )
        self.started.append(self)

    @property
    def run(self) -> Path:
        return newest_run(self.runs)

    def look(self) -> None:
        if self._tail is None and self.runs.is_dir() and any(self.runs.glob("*/journal/*.journal")):
            self._tail = Tail(self.run)
        if self._tail is not None:
            update = self._tail.poll()
            self.events += update.events
            self.scans += update.scans

    def until(self, wanted: Callable[[], bool], what: str, patience_s: float = 30.0) -> None:
        """Wait until something is in the record; fail with what the logger said otherwise."""
        until = time.monotonic() + patience_s
        while time.monotonic() < until:
            assert self.process.poll() is None, self.said.read_text("utf-8")
            self.look()
            if wanted():
                return
            time.sleep(0.05)
        told = "\n".join(f"{one.kind} {one.subject}: {one.text}" for one in self.events)
        pytest.fail(f"no {what} within {patience_s} s; events:\n{told}\n{self.said.read_text('utf-8')}")

    def until_event(
        self, kind: EventKind, subject: str = "", patience_s: float = 30.0, **data: object
    ) -> Event:
        """Wait for an event of a kind, about a subject, with these data; return it."""

        def found() -> Event | None:
            return next(
                (
                    one
                    for one in self.events
                    if one.kind is kind
                    and (not subject or one.subject == subject)
                    and all(one.data.get(key) == value for key, value in data.items())
                ),
                None,
            )

        self.until(lambda: found() is not None, f"{kind} of {subject or 'anything'} with {data}", patience_s)
        event = found()
        assert event is not None
        return event

    def until_scans(self, count: int) -> None:
        """Wait for so many scans."""
        self.until(lambda: len(self.scans) >= count, f"{count} scans")

    def stop(self, number: int = signal.SIGTERM) -> int:
        self.process.send_signal(number)
        return self.process.wait(60)

    def end(self) -> None:
        """End it, whatever it is doing."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(10)

    def recorded(self) -> RunReader:
        """Return the run as a reader sees it."""
        return RunReader.open(self.run)


@pytest.fixture(autouse=True)
def no_logger_left() -> Iterator[None]:
    """End what a failed test left behind."""
    yield
    while Logger.started:
        Logger.started.pop().end()
