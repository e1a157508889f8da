"""The long proofs of the store: ``python -m tests.store [--jobs N] [--kills N]``.

Every state a power cut could leave, more than ten thousand, each cut again during its recovery; then a
recording child killed at random. Prints what was tried; any loss ends it with an error.
"""

from __future__ import annotations

import argparse
import multiprocessing
import tempfile
import time
from pathlib import Path

from tests.store.rooms import new_run
from tests.store.test_kill import assert_nothing_lost, kill_often
from tests.store.test_powercut import WAYS, enumerate_states

PARTS = 64


def part(number: int) -> tuple[int, int]:
    """Return how many states of one part were built, and how many were cut again."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        return enumerate_states(Path(folder), each=WAYS, seed=2, part=number, parts=PARTS)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.store", description=__doc__)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--kills", type=int, default=300)
    asked = parser.parse_args()
    began = time.monotonic()
    with multiprocessing.Pool(asked.jobs) as pool:
        found = list(pool.imap_unordered(part, range(PARTS)))
    states, again = (sum(column) for column in zip(*found, strict=True))
    print(
        f"{states} power-cut states, {again} of them cut again in recovery: none lost an acknowledged record"
    )
    print(f"{time.monotonic() - began:.0f} s", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        run = new_run(Path(folder))
        known = kill_often(run.path, asked.kills, seed=4)
        assert_nothing_lost(run.path, known)
    print(f"{asked.kills} kills: {sum(known.values())} acknowledged scans, none lost")


if __name__ == "__main__":
    main()
