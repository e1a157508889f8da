"""Recordings of the simulated room to keep: ``python -m tests.samples --to DIR SCENARIO[:SEED] ...``.

Each is made as a user would make it: the room serves, the ordinary logger records over its ports until
everything has been shown, and the run directory is kept beside the room's truth. The recording holds
the rig file with the paths of its serial ports, so the room is put where ``--room`` says.
"""

from __future__ import annotations

import argparse
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

from rig.errors import SoakrigError
from rig.simulator.running_room import running
from rig.simulator.scenarios import scenario
from rig.simulator.server import PACE

LEAD_S = 3.0
"""What the logger needs until every instrument has answered."""
END_S = 60.0
_PASSING = shutil.ignore_patterns("*.lock", "lock")


def record(to: Path, *, name: str, seed: int, room: Path, poll_s: float = 0.5) -> Path:
    """Record one scenario; return the folder ``to/NAME-SEED`` with ``run/`` and ``truth.json``.

    room: new folder for the room while it serves, removed afterwards. Raises SoakrigError if the logger
    fails.
    """
    chosen = scenario(name)
    kept = to / f"{name}-{seed}"
    if kept.exists():
        raise SoakrigError(f"{kept} already exists; remove it first")
    if room.exists():
        raise SoakrigError(f"{room} already exists; the room needs a folder of its own, which is removed")
    with running(room, scenario=name, seed=seed, poll_s=poll_s) as served:
        _log(served.rig_file, chosen.end_s / PACE + LEAD_S)
    runs = sorted((room / "runs").iterdir())
    if len(runs) != 1:
        raise SoakrigError(f"expected one run in {room / 'runs'}, found {len(runs)}")
    shutil.copytree(runs[0], kept / "run", ignore=_PASSING)
    shutil.copy(room / "truth.json", kept / "truth.json")
    shutil.rmtree(room)
    return kept


def _log(rig_file: Path, seconds: float) -> None:
    """Run the ordinary logger on a rig file for a while."""
    command = [sys.executable, "-m", "rig.cli", "log", str(rig_file)]
    logger = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    threading.Timer(seconds, logger.send_signal, args=(signal.SIGTERM,)).start()
    try:
        said = logger.communicate(timeout=seconds + END_S)[0]
    except subprocess.TimeoutExpired:
        logger.kill()
        said = logger.communicate()[0]
    if logger.returncode:
        tail = said.decode(errors="replace").strip()[-500:]
        raise SoakrigError(f"the logger ended with exit code {logger.returncode}: {tail}")


def main(argv: Sequence[str] | None = None) -> int:
    """Record what is asked for; return 0."""
    parser = argparse.ArgumentParser(prog="python -m tests.samples", description="Record simulated rooms.")
    parser.add_argument("scenarios", nargs="+", metavar="SCENARIO[:SEED]")
    parser.add_argument("--to", type=Path, required=True, help="folder for the recordings")
    parser.add_argument("--room", type=Path, required=True, help="new folder for the room while it serves")
    asked = parser.parse_args(argv)
    for text in asked.scenarios:
        name, _, seed = text.partition(":")
        kept = record(asked.to, name=name, seed=int(seed or 1), room=asked.room)
        sys.stdout.write(f"{kept}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
