"""The real logger in a process of its own, watched through the files it writes and nothing else."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from rig.domain.model import Event, EventKind
from rig.errors import SoakrigError
from rig.store.rundir import newest_run
from rig.store.tail import LiveScan, Tail

ROOT = Path(__file__).resolve().parents[2]
PATIENCE_S = 30.0


class Logger:
    """``soakrig log FILE``. events, scans: what was seen in its journals so far, in recorded order."""

    def __init__(
        self,
        rig_file: Path,
        *options: str,
        prefix: Sequence[str] = (),
        environment: Mapping[str, str] | None = None,
        before: Callable[[], None] | None = None,
        stdout: int | None = None,
    ) -> None:
        self.runs = rig_file.parent / "runs"
        self.events: list[Event] = []
        self.scans: list[LiveScan] = []
        self._tail: Tail | None = None
        self._said = rig_file.parent / f"said-{time.monotonic_ns()}.txt"
        command = [*prefix, sys.executable, "-m", "rig.cli", "log", str(rig_file), *options]
        with self._said.open("wb") as output:
            self.process = subprocess.Popen(
                command,
                cwd=rig_file.parent,
                env={**os.environ, "PYTHONPATH": str(ROOT), **(environment or {})},
                stdin=subprocess.DEVNULL,
                stdout=output if stdout is None else stdout,
                stderr=output,
                preexec_fn=before,  # noqa: PLW1509 - sets limits of the child, takes no lock
            )

    @property
    def said(self) -> str:
        return self._said.read_text("utf-8", "replace")

    @property
    def pid(self) -> int:
        """The process of the logger itself, below whatever command it was started through."""
        found = self.process.pid
        while children := _children(found):
            inside = [one for one in children if b"rig.cli" in _command(one)]
            if not inside:
                break
            found = inside[0]
        return found

    def look(self) -> None:
        """Take in what has been recorded since the last look."""
        if self._tail is None:
            with contextlib.suppress(SoakrigError, OSError):
                path = newest_run(self.runs)
                if any((path / "journal").glob("j*.journal")):
                    self._tail = Tail(path)
        if self._tail is not None:
            update = self._tail.poll()
            self.events += update.events
            self.scans += update.scans

    def until(self, what: str, holds: Callable[[], bool], patience_s: float = PATIENCE_S) -> float:
        """Wait until something holds; return how long it took in seconds."""
        began = time.monotonic()
        while True:
            self.look()
            if holds():
                return time.monotonic() - began
            ended = self.process.poll()
            assert ended is None, f"the logger ended with {ended} before {what}: {self.said}"
            waited = time.monotonic() - began
            assert waited < patience_s, (
                f"not within {patience_s:g} s: {what}; events {[e.text for e in self.events]}; {self.said}"
            )
            time.sleep(0.02)

    def count(self, channel: str) -> int:
        """Return how many good readings of a channel were seen."""
        return sum(
            1 for scan in self.scans if channel in scan.channels
            and scan.statuses[scan.channels.index(channel)] == 0
        )  # fmt: skip

    def until_readings(self, channel: str, more: int, patience_s: float = PATIENCE_S) -> float:
        """Wait for so many more good readings of a channel."""
        self.look()
        wanted = self.count(channel) + more
        return self.until(
            f"{more} more readings of {channel}", lambda: self.count(channel) >= wanted, patience_s
        )

    def of(self, kind: EventKind, subject: str | None = None) -> list[Event]:
        """Return the events of a kind seen so far."""
        return [one for one in self.events if one.kind is kind and subject in (None, one.subject)]

    def until_event(
        self, kind: EventKind, subject: str | None = None, *, count: int = 1, patience_s: float = PATIENCE_S
    ) -> Event:
        """Wait for the ``count``-th event of a kind; return it."""
        self.until(
            f"event {kind} of {subject or 'anything'} ({count})",
            lambda: len(self.of(kind, subject)) >= count,
            patience_s,
        )
        return self.of(kind, subject)[count - 1]

    def send(self, number: int) -> None:
        os.kill(self.pid, number)

    def stop(self, number: int = signal.SIGTERM, patience_s: float = 60.0) -> int:
        """Send a signal and return the exit code."""
        if self.process.poll() is None:
            self.send(number)
        return self.process.wait(patience_s)

    def clear_away(self) -> None:
        """Make sure nothing is left running."""
        if self.process.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, signal.SIGCONT)
                os.kill(self.pid, signal.SIGKILL)
            with contextlib.suppress(ProcessLookupError):
                self.process.kill()
            self.process.wait(10.0)


def _children(pid: int) -> list[int]:
    found: list[int] = []
    with contextlib.suppress(OSError):
        for task in Path(f"/proc/{pid}/task").iterdir():
            found += map(int, (task / "children").read_text(encoding="ascii").split())
    return found


def _command(pid: int) -> bytes:
    with contextlib.suppress(OSError):
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    return b""
