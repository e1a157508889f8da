"""How asking grows with the number of runs: ``python -m tests.fleet.growth [--most 1000] [--folder DIR]``.

Prints a table: runs, readings, bytes on disk; seconds to list, to search, to account for all of them in one
process and in two, and to work out what they prove; the largest memory of the asking process.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

from rig.domain.jsonmap import printed
from rig.endurance.event_search import EventQuery, in_order
from rig.fleet import ask_runs, run_places
from rig.fleet.ask_runs import Workers
from rig.fleet.run_questions import DigestQuestion, Search, Summarise
from rig.reliability.design_evidence import demonstrate
from rig.reliability.run_digest import RunDigest, histories
from rig.store.reader import RunReader
from tests.fleet import makers

T = TypeVar("T")
STEPS = (10, 30, 100, 300, 1000)
COLUMNS = (
    "runs",
    "readings",
    "MB",
    "find s",
    "ls s",
    "search s",
    "account s",
    "2 proc. s",
    "prove s",
    "peak MB",
)


def timed(deed: Callable[[], T]) -> tuple[T, float]:
    began = time.perf_counter()
    return deed(), time.perf_counter() - began


def line(folder: Path, count: int) -> list[str]:
    """Ask everything of the first ``count`` runs; answers that disagree end the program."""
    addresses, found_s = timed(lambda: sorted(run_places.find([str(folder)]), key=_number)[:count])
    summaries, ls_s = timed(lambda: ask_runs.ask(Summarise(), addresses))
    hits, search_s = timed(lambda: ask_runs.ask(Search(EventQuery(channel="heatsink")), addresses))
    alone, account_s = timed(lambda: ask_runs.ask(DigestQuestion(), addresses))
    both, pair_s = timed(lambda: ask_runs.ask(DigestQuestion(), addresses, Workers(processes=2)))
    assert alone == both
    digests = [one.value for one in alone if one.value is not None]
    assert len(digests) == count
    proof, prove_s = timed(lambda: printed(demonstrate(digests)))
    _check(digests, proof, count)
    assert len(in_order(one.value or [] for one in hits)) == sum(n % 5 == 4 for n in range(count))
    size = sum(one.value.size for one in summaries if one.value is not None)
    first = RunReader.open(addresses[0])
    readings = count * sum(len(first.series(name)) for name in first.channels())
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    times = [f"{one:.2f}" for one in (found_s, ls_s, search_s, account_s, pair_s, prove_s)]
    return [str(count), f"{readings:,}", f"{size / 1e6:.1f}", *times, f"{peak:.0f}"]


def _number(address: str) -> str:
    return address.rpartition("-")[2]


def _check(digests: Sequence[RunDigest], proof: dict[str, object], count: int) -> None:
    dead = {one.serial for one in histories(digests) if one.died is not None}
    assert dead == {f"D{number}" for number in range(count) if number % 7 == 6}
    failures = proof["failures"]
    assert isinstance(failures, list)
    assert len(failures) == len(dead)


def main(arguments: Sequence[str] | None = None) -> int:
    """Make the runs, ask, print the table; return 0."""
    parser = argparse.ArgumentParser(prog="python -m tests.fleet.growth", description=__doc__)
    parser.add_argument("--most", type=int, default=STEPS[-1], help="largest number of runs")
    parser.add_argument("--folder", type=Path, help="where to make the runs, or where they are already")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.folder or Path(scratch)
        if not any(folder.glob("room-1/*")):
            folder.mkdir(parents=True, exist_ok=True)
            _, made_s = timed(lambda: makers.fleet(folder, options.most))
            sys.stdout.write(
                f"{options.most} runs made in {made_s:.0f} s: two units, 2 minutes at 1 Hz each\n"
            )
        sys.stdout.write("  ".join(f"{name:>9}" for name in COLUMNS) + "\n")
        for count in STEPS:
            if count <= options.most:
                sys.stdout.write("  ".join(f"{text:>9}" for text in line(folder, count)) + "\n")
                sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
