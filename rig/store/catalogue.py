"""Which files make up a recording: told from their names alone, so it costs one look at each folder.

A sealed file is named ``DAY[Thh]-FIRST-LAST.parquet`` after the journals it holds; it counts from the
moment its name stands in ``events/``, which is given last. What a larger file holds, smaller files and
journals hold no more, whether or not they have been removed yet: nothing is ever counted twice.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from rig.store import journal
from rig.store.files import Disk

SEALED = re.compile(r"(?P<day>\d{4}-\d\d-\d\d)(T(?P<hour>\d\d))?-(?P<first>\d{6,})-(?P<last>\d{6,})\.parquet")


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Sealed:
    """A sealed file by its name: journals ``first`` to ``last``, of one UTC day or one hour of it."""

    first: int
    last: int
    name: str
    day: str
    hour: str | None

    def holds(self, other: Sealed) -> bool:
        """Return whether everything in ``other`` is in this file too."""
        return self.first <= other.first and other.last <= self.last


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """The files of a run that count, in recorded order, and those that do not, with the reason.

    superseded: sealed files whose content is in a larger one; covered: journals that are sealed;
    foreign: names that are no part of a recording; partial: readings whose sealing never ended, so that
    their content is elsewhere; orphans: kept readings whose events file is gone.
    """

    sealed: tuple[Sealed, ...]
    journals: tuple[int, ...]
    superseded: tuple[Sealed, ...]
    covered: tuple[int, ...]
    partial: tuple[str, ...]
    foreign: tuple[Path, ...]
    orphans: tuple[str, ...] = ()


def sealed_name(day: str, hour: str | None, first: int, last: int) -> str:
    """Return the name of the sealed file of a stretch of journals."""
    return f"{day}{f'T{hour}' if hour else ''}-{first:06d}-{last:06d}.parquet"


def parse(name: str) -> Sealed | None:
    """Return what a sealed file's name says, None if it is no such name."""
    match = SEALED.fullmatch(name)
    if match is None or int(match["first"]) > int(match["last"]):
        return None
    return Sealed(
        first=int(match["first"]), last=int(match["last"]), name=name, day=match["day"], hour=match["hour"]
    )


def look(run: Path, disk: Disk, bad: Collection[str] = ()) -> Catalogue:
    """Return the files of the run at ``run``; sealed files named in ``bad`` are taken as not there."""
    foreign: list[Path] = []
    numbers: list[int] = []
    # Journals first: one that is sealed and removed meanwhile is then found among the sealed ones.
    for name in _visible(disk, run / "journal"):
        number = journal.number(name)
        if number is None:
            foreign.append(run / "journal" / name)
        else:
            numbers.append(number)
    found: list[Sealed] = []
    for name in _visible(disk, run / "events"):
        sealed = parse(name)
        if sealed is None:
            foreign.append(run / "events" / name)
        elif name not in bad:
            found.append(sealed)
    committed = {sealed.name for sealed in found} | set(bad)
    loose: list[Sealed] = []
    for name in _visible(disk, run / "readings"):
        sealed = parse(name)
        if sealed is None:
            foreign.append(run / "readings" / name)
        elif name not in committed:
            loose.append(sealed)
    elsewhere = set(numbers).union(*(range(one.first, one.last + 1) for one in found))
    orphans = [one for one in loose if not elsewhere.issuperset(range(one.first, one.last + 1))]
    kept, superseded = choose(found + orphans)
    covered = [n for n in numbers if any(sealed.first <= n <= sealed.last for sealed in kept)]
    return Catalogue(
        sealed=tuple(kept), superseded=tuple(superseded), covered=tuple(covered),
        journals=tuple(n for n in sorted(numbers) if n not in set(covered)), foreign=tuple(foreign),
        partial=tuple(one.name for one in loose if one not in orphans),
        orphans=tuple(one.name for one in orphans),
    )  # fmt: skip


def choose(found: list[Sealed]) -> tuple[list[Sealed], list[Sealed]]:
    """Return the largest files, in order, and those whose content they hold."""
    kept: list[Sealed] = []
    superseded: list[Sealed] = []
    # At equal range the longer stretch of time (a day, no hour) comes first.
    for sealed in sorted(found, key=lambda one: (one.first, -one.last, one.hour is not None)):
        if kept and kept[-1].holds(sealed):
            superseded.append(sealed)
        else:
            kept.append(sealed)
    return kept, superseded


def _visible(disk: Disk, folder: Path) -> list[str]:
    return [name for name in disk.names(folder) if not name.startswith(".")]
