"""``python -m tests.bench [NAME...] [--short] [--scratch FOLDER]``: figures beside their targets."""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.bench import answers, buses, loggers, screens, states
from tests.bench.figures import Figure, machine

Bench = Callable[..., list[Figure] | list[Figure | str]]
BENCHES: dict[str, tuple[str, Bench]] = {
    "buses": ("1, buses", buses.buses),
    "punctuality": ("2, punctuality", loggers.punctuality),
    "cost": ("3, cost", loggers.cost),
    "disk": ("4, disk", answers.disk),
    "postmortem": ("5, post-mortem", answers.postmortem),
    "screens": ("6, live", screens.screens),
    "pictures": ("7, plots and frames", screens.pictures),
    "growth": ("8, growth", answers.growth),
    "states": ("9, operating states", states.states),
}


def main() -> int:
    """Run the benches asked for; return 1 if a target was missed."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("names", metavar="NAME", nargs="*", help=f"of {', '.join(BENCHES)}; default: all")
    parser.add_argument("--short", action="store_true", help="small recordings, few turns")
    parser.add_argument("--scratch", type=Path, help="where recordings are made and kept; default: not kept")
    asked = parser.parse_args()
    unknown = set(asked.names) - set(BENCHES)
    if unknown:
        parser.error(f"no bench named {', '.join(sorted(unknown))}; there are {', '.join(BENCHES)}")
    with tempfile.TemporaryDirectory(prefix="soakrig-bench-") as made:
        scratch = asked.scratch or Path(made)
        scratch.mkdir(parents=True, exist_ok=True)
        print(machine(), flush=True)
        missed = [_one(name, scratch, short=asked.short) for name in asked.names or BENCHES]
    return 1 if any(missed) else 0


def _one(name: str, scratch: Path, *, short: bool) -> bool:
    title, bench = BENCHES[name]
    begun = time.monotonic()
    print(f"\nTarget {title}", flush=True)
    found = bench(scratch, short=short)
    print("\n".join(str(one) for one in found))
    print(f"  ({time.monotonic() - begun:.0f} s)", flush=True)
    return any(isinstance(one, Figure) and one.good is False for one in found)


if __name__ == "__main__":
    raise SystemExit(main())
