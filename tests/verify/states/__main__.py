"""``python -m tests.verify.states --runs 1000 --seed 7``: prints what the operating states are worth."""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

from tests.verify.states.judge import DATED_POLLS, Judged, judge
from tests.verify.states.tables import false_claims, tables, tellable


def run(runs: int, seed: int, jobs: int = 1) -> list[Judged]:
    """Return the judged rooms of consecutive seeds."""
    seeds = [seed * 1_000_000 + k for k in range(runs)]
    if jobs <= 1:
        return [judge(one) for one in seeds]
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        return list(pool.map(judge, seeds, chunksize=4))


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.verify.states", description=__doc__)
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--list", action="store_true", help="also list each false claim, miss and wrong date")
    asked = parser.parse_args()
    begun = time.monotonic()
    judged = run(asked.runs, asked.seed, asked.jobs)
    print(f"{asked.runs} simulated rooms, seed {asked.seed}, {time.monotonic() - begun:.0f} s\n")
    print(tables(judged))
    for one in judged if asked.list else ():
        amiss = [d for d in tellable([one]) if not d.found or d.off_polls > DATED_POLLS]
        for line in (*false_claims([one]), *amiss, *one.missed):
            print(one.seed, one.stratum["signals"], line)


if __name__ == "__main__":
    main()
