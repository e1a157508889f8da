"""The simulated room seen from another process: start it, disturb it, read its truth, end it."""

from __future__ import annotations

import contextlib
import json
import os
import select
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.errors import SoakrigError

READY_S = 20.0
END_S = 10.0
_ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunningRoom:
    """A room that serves. rig_file: what the logger reads."""

    folder: Path
    process: subprocess.Popen[bytes]

    @property
    def rig_file(self) -> Path:
        """The room's rig file."""
        return self.folder / "rig.yaml"

    def truth(self) -> dict[str, Any]:
        """Return what truly happened, at most about a second old; complete once the room has ended."""
        found: dict[str, Any] = json.loads((self.folder / "truth.json").read_text(encoding="utf-8"))
        return found

    def say(self, line: str) -> None:
        """Disturb the room by one of the lines that ``rig.simulator.server`` lists."""
        assert self.process.stdin is not None
        self.process.stdin.write(line.encode() + b"\n")
        self.process.stdin.flush()

    def end(self) -> None:
        """End the room and wait for its last truth. May be called again."""
        self.process.terminate()
        try:
            self.process.wait(END_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


def start(
    folder: Path,
    *,
    scenario: str = "fan-failure",
    seed: int = 1,
    speed: float = 60.0,
    units: int = 6,
    poll_s: float = 0.5,
    cold: bool = False,
    held: bool = False,
) -> RunningRoom:
    """Return a room that is ready. Raises SoakrigError with what it said if it does not get there."""
    folder.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-m", "rig.simulator.server", "--folder", str(folder), "--scenario", scenario]
    command += ["--seed", str(seed), "--speed", str(speed), "--units", str(units), "--poll", str(poll_s)]
    command += ["--cold"] * cold + ["--held"] * held
    path = os.pathsep.join(filter(None, [str(_ROOT), os.environ.get("PYTHONPATH", "")]))
    complaints = folder / "room.log"
    with complaints.open("wb") as said:
        process = subprocess.Popen(  # noqa: S603 - this interpreter and a module of our own
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=said,
            env={**os.environ, "PYTHONPATH": path},
        )
    assert process.stdout is not None
    ready = select.select([process.stdout], [], [], READY_S)[0]
    if not ready or process.stdout.readline() != b"ready\n":
        process.kill()
        process.communicate()
        tail = complaints.read_text(encoding="utf-8", errors="replace").strip()[-500:]
        raise SoakrigError(f"the simulated room did not start in {folder}: {tail or 'no output'}")
    return RunningRoom(folder=folder, process=process)


@contextlib.contextmanager
def running(
    folder: Path,
    *,
    scenario: str = "fan-failure",
    seed: int = 1,
    speed: float = 60.0,
    units: int = 6,
    poll_s: float = 0.5,
    cold: bool = False,
    held: bool = False,
) -> Iterator[RunningRoom]:
    """Yield a room that is ready; end it afterwards. ``truth()`` is complete then."""
    room = start(
        folder,
        scenario=scenario,
        seed=seed,
        speed=speed,
        units=units,
        poll_s=poll_s,
        cold=cold,
        held=held,
    )
    try:
        yield room
    finally:
        room.end()
        for pipe in (room.process.stdin, room.process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
