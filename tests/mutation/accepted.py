"""Mutants that no test need notice, each with the reason why, from ``equivalent.toml``."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

from tests.mutation.mutants import Mutant

LIST = Path(__file__).parent / "equivalent.toml"


@dataclass(frozen=True)
class Accepted:
    """One reviewed mutant; ``nth`` None: all equal changes of the function."""

    module: str
    function: str
    before: str
    after: str
    reason: str
    nth: int | None = None

    def is_for(self, module: str, mutant: Mutant) -> bool:
        """Return whether this is the entry of a mutant."""
        return (self.module, self.function, self.before, self.after) == (
            module,
            mutant.function,
            mutant.before,
            mutant.after,
        ) and self.nth in {None, mutant.nth}


def accepted(place: Path = LIST) -> list[Accepted]:
    """Return all reviewed mutants; raise ValueError for an entry without a reason."""
    entries = [Accepted(**entry) for entry in tomllib.loads(place.read_text("utf-8")).get("mutant", [])]
    for entry in entries:
        if not entry.reason.strip():
            raise ValueError(
                f"{place.name}: {entry.module} {entry.function}: {entry.before}: no reason is given"
            )
    return entries


def stale(entries: list[Accepted], module: str, mutants: list[Mutant]) -> list[Accepted]:
    """Return the entries of a module that no longer stand for any of its mutants."""
    return [
        entry
        for entry in entries
        if entry.module == module and not any(entry.is_for(module, mutant) for mutant in mutants)
    ]
