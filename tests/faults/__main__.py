"""Run the catalogue and print its table: ``python -m tests.faults [--times N] [--only WORD]``."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import traceback
from pathlib import Path

from tests.faults.catalogue import Provocation, Unavailable, all_provocations


def tried(one: Provocation, times: int) -> tuple[str, bool]:
    """Return the outcome of a provocation in words, and whether all tries went well."""
    outcome = ""
    for k in range(times):
        with tempfile.TemporaryDirectory(prefix="faults-", ignore_cleanup_errors=True) as folder:
            try:
                outcome = one.run(Path(folder))
            except Unavailable as reason:
                return f"not tried: {reason}", True
            except Exception as error:
                traceback.print_exc()
                return f"FAILED at try {k + 1}: {error}", False
    return outcome, True


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--times", type=int, default=1, help="how often each is provoked")
    parser.add_argument("--only", default="", help="only those whose kind or fault holds this text")
    options = parser.parse_args()
    failed = 0
    print("| kind | fault | how provoked | times | outcome |\n|---|---|---|---|---|", flush=True)
    chosen = [one for one in all_provocations() if options.only in f"{one.kind}: {one.fault}"]
    began = time.monotonic()
    for one in chosen:
        outcome, good = tried(one, options.times)
        failed += not good
        print(f"| {one.kind} | {one.fault} | {one.how} | {options.times} | {outcome} |", flush=True)
    print(f"\n{len(chosen)} kinds, {failed} failed, {time.monotonic() - began:.0f} s")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
