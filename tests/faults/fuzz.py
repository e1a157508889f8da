"""Millions of damaged inputs to everything that reads what others wrote: ``python -m tests.faults.fuzz``.

Four readers: replies of instruments (every driver's exchanges), rig files, journal bytes, tables to import.
For each input the reader must give something sound or refuse by one of soakrig's own errors, within 250 ms
of processor time. A journal must moreover never give a record that was not written. The same seed makes the
same inputs. Prints what was tried, the slowest input, and every input that broke a rule.
"""

from __future__ import annotations

import argparse
import contextlib
import multiprocessing
import random
import sys
import time
import traceback
from dataclasses import dataclass, field

from tests.faults.fuzz_readers import READERS, Reader

SLOW_S = 0.25
"""Processor time of one input that is too much: five times what the longest sound one takes when idle."""
READ_AGAIN = 3  # a first import or a busy neighbour costs one reading its time, not every one
SHOWN = 5
"""Most broken inputs kept per reader and process."""


@dataclass(slots=True)
class Tally:
    """What came of the inputs of one reader."""

    reader: str
    inputs: int = 0
    taken: int = 0
    refused: int = 0
    broken: int = 0
    slow: int = 0
    slowest_s: float = 0.0
    slowest: str = ""
    processor_s: float = 0.0
    shown: list[str] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Count what another process has seen."""
        for name in ("inputs", "taken", "refused", "broken", "slow", "processor_s"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        if other.slowest_s > self.slowest_s:
            self.slowest_s, self.slowest = other.slowest_s, other.slowest
        self.shown += other.shown

    def line(self) -> str:
        """Return the figures in words."""
        return (
            f"{self.reader}: {self.inputs} inputs, {self.taken} taken, {self.refused} refused, "
            f"{self.broken} broke a rule, {self.slow} over {SLOW_S * 1000:g} ms; "
            f"slowest {self.slowest_s * 1e3:.1f} ms, mean {self.processor_s / self.inputs * 1e3:.3f} ms"
        )


def fuzz(name: str, inputs: int, seed: int) -> Tally:
    """Return what came of so many inputs to one reader."""
    dice = random.Random(f"{name} {seed}")
    reader: Reader = READERS[name]()
    tally = Tally(name)
    try:
        for _ in range(inputs):
            _one(reader, reader.make(dice), tally)
    finally:
        reader.close()
    return tally


def _one(reader: Reader, given: object, tally: Tally) -> None:
    began_ns = time.thread_time_ns()
    try:
        taken = reader.read(given)
    except Exception:
        tally.broken += 1
        if len(tally.shown) < SHOWN:
            tally.shown.append(f"{given!r}\n{traceback.format_exc(limit=-6)}")
    else:
        tally.taken += taken
        tally.refused += not taken
    took_s = (time.thread_time_ns() - began_ns) / 1e9
    tally.inputs += 1
    tally.processor_s += took_s
    for _ in range(READ_AGAIN):
        if took_s <= SLOW_S:
            break
        began_ns = time.thread_time_ns()
        with contextlib.suppress(Exception):
            reader.read(given)
        took_s = min(took_s, (time.thread_time_ns() - began_ns) / 1e9)
    if took_s > SLOW_S:
        tally.slow += 1
    if took_s > tally.slowest_s:
        tally.slowest_s, tally.slowest = took_s, repr(given)[:2000]


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.faults.fuzz", description=__doc__)
    parser.add_argument("--inputs", type=int, default=20_000, help="inputs to each reader")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", choices=sorted(READERS), help="one reader alone")
    options = parser.parse_args()
    bad = 0
    with multiprocessing.Pool(options.jobs) as pool:
        for name in [options.only] if options.only else list(READERS):
            began = time.monotonic()
            piece = max(1, options.inputs // (options.jobs * 10))
            pieces = [(name, min(piece, options.inputs - at), options.seed + at)
                      for at in range(0, options.inputs, piece)]  # fmt: skip
            whole = Tally(name)
            for part in pool.starmap(fuzz, pieces, chunksize=1):
                whole.add(part)
            print(f"{whole.line()}, {time.monotonic() - began:.0f} s", flush=True)
            if whole.slow:
                print(f"  slowest: {whole.slowest}")
            for text in whole.shown[:SHOWN]:
                print(f"  {text}")
            bad += whole.broken + whole.slow
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
