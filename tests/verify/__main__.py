"""``python -m tests.verify --runs 2000 --seed 7``: prints what the analyser is worth, table by table."""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context

from tests.verify.judge import Judged, judge
from tests.verify.tables import tables


def run(runs: int, seed: int, jobs: int, *, derived: bool = False) -> list[Judged]:
    """Return the judged cases of consecutive seeds."""
    seeds = [seed * 1_000_000 + k for k in range(runs)]
    one = partial(judge, derived=derived)
    if jobs <= 1:
        return [one(s) for s in seeds]
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        return list(pool.map(one, seeds, chunksize=4))


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.verify", description=__doc__)
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument(
        "--derived",
        action="store_true",
        help="deaths by heat, heatsinks that lag, and rises derived from them",
    )
    asked = parser.parse_args()
    begun = time.monotonic()
    judged = run(asked.runs, asked.seed, asked.jobs, derived=asked.derived)
    print(f"{asked.runs} simulated deaths, seed {asked.seed}, {time.monotonic() - begun:.0f} s\n")
    print(tables(judged))


if __name__ == "__main__":
    main()
