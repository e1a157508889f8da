"""``python -m tests.mutation``: changes the code in small ways and counts which changes the tests notice."""

from __future__ import annotations

import argparse
import hashlib
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field

from tests.mutation.accepted import Accepted, accepted, stale
from tests.mutation.mutants import Mutant, mutants_of
from tests.mutation.running import NotTriedError, Outcome, tried, warm_up
from tests.mutation.table import ROOT, Target, targets


@dataclass
class Tally:
    """What came out for one module."""

    noticed: int = 0
    equivalent: int = 0
    survived: list[Mutant] = field(default_factory=list)

    @property
    def tried(self) -> int:
        """Return how many mutants should have been noticed."""
        return self.noticed + len(self.survived)

    @property
    def rate(self) -> str:
        """Return the share that was noticed of those that are not equivalent."""
        return f"{self.noticed / self.tried:6.1%}" if self.tried else "     -"


def _rank(seed: int, target: Target, mutant: Mutant) -> bytes:
    """Return a mutant's place in a sample: it depends on the seed and the mutant alone."""
    return hashlib.sha256(repr((seed, target.name, *mutant.key)).encode()).digest()


def chosen(found: Sequence[Target], sample: int | None, seed: int) -> list[tuple[Target, list[Mutant]]]:
    """Return the mutants to try, module by module: all of them, or a sample over all modules."""
    made = [(target, mutants_of(target.source)) for target in found]
    if sample is None:
        return made
    ranked = sorted(_rank(seed, target, mutant) for target, mutants in made for mutant in mutants)
    last = ranked[min(sample, len(ranked)) - 1] if ranked else b""
    return [(t, [m for m in mutants if _rank(seed, t, m) <= last]) for t, mutants in made]


def _told(target: Target, mutant: Mutant) -> str:
    place = f"{target.path.relative_to(ROOT)}:{mutant.line}"
    return f"{place} {mutant.function or 'module'} [{mutant.kind}] {mutant.before} -> {mutant.after}"


def _judge(
    target: Target, mutants: list[Mutant], entries: list[Accepted], options: argparse.Namespace
) -> Tally:
    """Try the mutants of one module."""
    tally = Tally()
    open_ones = [m for m in mutants if not any(e.is_for(target.name, m) for e in entries)]
    tally.equivalent = len(mutants) - len(open_ones)
    if not open_ones:
        return tally
    for mutant, outcome in tried(target, open_ones, options.jobs, shown=options.show):
        if outcome.noticed:
            tally.noticed += 1
        else:
            tally.survived.append(mutant)
        if options.verbose or not outcome.noticed:
            _say(target, mutant, outcome)
    return tally


def _say(target: Target, mutant: Mutant, outcome: Outcome) -> None:
    word = f"noticed by {outcome.by}" if outcome.noticed else "SURVIVED"
    print(f"{word} ({outcome.took_s:.1f} s): {_told(target, mutant)} #{mutant.nth}", flush=True)


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument(
        "--only",
        action="append",
        default=[],
        metavar="MODULE",
        help="a module of the table, or a part of its name",
    )
    parser.add_argument(
        "--sample", type=int, metavar="N", help="try N mutants, spread over the modules by size"
    )
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="which sample (default 1)")
    parser.add_argument(
        "--function", metavar="WORD", help="only mutants of functions whose name holds this word"
    )
    parser.add_argument(
        "--kind", metavar="WORD", help="only mutants of this kind, for example: named constant"
    )
    parser.add_argument("--list", action="store_true", help="list the mutants and try none")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="children side by side (default 1)")
    parser.add_argument("--verbose", action="store_true", help="say of each mutant which test noticed it")
    parser.add_argument("--show", action="store_true", help="show what the tests print")
    return parser.parse_args(arguments)


def main(arguments: Sequence[str] | None = None) -> int:
    """Try mutants, print what was noticed; return 1 where one survived, 2 where some could not be tried."""
    options = _options(arguments)
    found = [t for t in targets() if not options.only or any(word in t.name for word in options.only)]
    work = chosen(found, options.sample, options.seed)
    if options.function:
        work = [(t, [m for m in ms if options.function in m.function]) for t, ms in work]
    if options.kind:
        work = [(t, [m for m in ms if options.kind in m.kind]) for t, ms in work]
    if options.list:
        for target, mutants in work:
            for mutant in mutants:
                print(_told(target, mutant))
        print(f"{sum(len(m) for _, m in work)} mutants of {sum(1 for _, m in work if m)} modules")
        return 0
    entries = accepted()
    for target in found:
        for entry in stale(entries, target.name, mutants_of(target.source)):
            print(
                f"no such mutant any more: {entry.module} {entry.function}: {entry.before} -> {entry.after}"
            )
    warm_up()
    begun_s = time.monotonic()
    tallies: dict[str, Tally] = {}
    untried = 0
    for target, mutants in work:
        try:
            if mutants:
                tallies[target.name] = _judge(target, mutants, entries, options)
        except NotTriedError as error:
            print(error, file=sys.stderr)
            untried += 1
    _summary(tallies, time.monotonic() - begun_s, options)
    if untried:
        return 2
    return 1 if any(tally.survived for tally in tallies.values()) else 0


def _summary(tallies: dict[str, Tally], took_s: float, options: argparse.Namespace) -> None:
    whole = Tally()
    for tally in tallies.values():
        whole.noticed += tally.noticed
        whole.equivalent += tally.equivalent
        whole.survived += tally.survived
    print(f"\n{'module':24}{'noticed':>9}{'survived':>10}{'equivalent':>12}{'kill rate':>11}")
    for name, tally in [*tallies.items(), ("all", whole)]:
        print(f"{name:24}{tally.noticed:9}{len(tally.survived):10}{tally.equivalent:12}{tally.rate:>11}")
    drawn = f"a sample of {options.sample}, seed {options.seed}" if options.sample else "all mutants"
    print(f"{drawn}; {took_s:.0f} s")


if __name__ == "__main__":
    sys.exit(main())
