"""Catalogue of the files of a recording, from their names alone: one listing of each folder.

A sealed pair is named ``DAY[Thh]-FIRST-LAST`` after the journals it holds; it counts from the moment its
index stands in ``sealed/``, which is given last. What a larger pair holds, smaller pairs and journals hold
no more, whether or not they have been removed yet: nothing is ever counted twice.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from rig.store import journal
from rig.store.files import Disk

SEALED = re.compile(r"(?P<day>\d{4}-\d\d-\d\d)(T(?P<hour>\d\d))?-(?P<first>\d{6,})-(?P<last>\d{6,})")
INDEX = ".json"
PARQUET = ".parquet"
PAIR = ("readings", "events")
SUMMARY = "summary"
"""Folder of what is derived from the readings: a pair is whole without it."""


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Sealed:
    """A sealed pair by its name: journals ``first`` to ``last``, of one UTC day or one hour of it."""

    first: int
    last: int
    name: str
    day: str
    hour: str | None

    def holds(self, other: Sealed) -> bool:
        """Return whether everything in ``other`` is in this pair too."""
        return self.first <= other.first and other.last <= self.last

    def index_path(self, run: Path) -> Path:
        """Return the path of the index."""
        return run / "sealed" / f"{self.name}{INDEX}"

    def path(self, run: Path, folder: str) -> Path:
        """Return the path of the Parquet file in ``readings``, ``events`` or ``summary``."""
        return run / folder / f"{self.name}{PARQUET}"

    def paths(self, run: Path) -> list[Path]:
        """Return the paths of all its files, the index first, the summary last."""
        return [self.index_path(run), *(self.path(run, folder) for folder in (*PAIR, SUMMARY))]


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """The files of a run that count, in recorded order, and those that do not, with the reason.

    sealed: pairs that count; orphans: those of them whose index is gone. superseded: pairs whose content
    is in a larger one; covered: journals that are sealed; partial: Parquet files whose sealing never
    ended, so that their content is elsewhere; foreign: names that are no part of a recording;
    missing: journals that were begun and are neither there nor sealed nor set aside.
    """

    sealed: tuple[Sealed, ...]
    journals: tuple[int, ...]
    superseded: tuple[Sealed, ...] = ()
    covered: tuple[int, ...] = ()
    partial: tuple[Path, ...] = ()
    orphans: tuple[Sealed, ...] = ()
    foreign: tuple[Path, ...] = ()
    missing: tuple[int, ...] = ()


def sealed_name(day: str, hour: str | None, first: int, last: int) -> str:
    """Return the name of the sealed pair of a stretch of journals."""
    return f"{day}{f'T{hour}' if hour else ''}-{first:06d}-{last:06d}"


def parse(name: str) -> Sealed | None:
    """Return what the name of a pair says, None if it is no such name."""
    match = SEALED.fullmatch(name)
    if match is None or int(match["first"]) > int(match["last"]):
        return None
    return Sealed(
        first=int(match["first"]), last=int(match["last"]), name=name, day=match["day"], hour=match["hour"]
    )


def look(run: Path, disk: Disk, bad: Collection[str] = ()) -> Catalogue:
    """Return the files of the run at ``run``; pairs named in ``bad`` are taken as not there."""
    foreign: list[Path] = []
    numbers: list[int] = []
    # Journals first: one that is sealed and removed meanwhile is then found among the sealed ones.
    for name in _visible(disk, run / "journal"):
        number = journal.number(name)
        if number is None:
            foreign.append(run / "journal" / name)
        else:
            numbers.append(number)
    found = {sealed.name: sealed for sealed in _pairs(disk, run / "sealed", INDEX, foreign)}
    loose: dict[str, Sealed] = {}
    files: list[tuple[Sealed, Path]] = []
    for folder in PAIR:
        for sealed in _pairs(disk, run / folder, PARQUET, foreign):
            if sealed.name not in found and sealed.name not in bad:
                loose[sealed.name] = sealed
                files.append((sealed, sealed.path(run, folder)))
    summed = _pairs(disk, run / SUMMARY, PARQUET, foreign)
    files += [(one, one.path(run, SUMMARY)) for one in summed if one.name not in {*found, *bad}]
    good = [sealed for name, sealed in found.items() if name not in bad]
    elsewhere = set(numbers).union(*(range(one.first, one.last + 1) for one in good))
    orphans = [one for one in loose.values() if not elsewhere.issuperset(range(one.first, one.last + 1))]
    kept, superseded = choose(good + orphans)
    there = {*numbers, *_set_aside(disk, run / "damaged")}
    named = [*found.values(), *loose.values(), *(one for name in bad if (one := parse(name)))]
    there.update(*(range(one.first, one.last + 1) for one in named))
    covered = {n for n in numbers if any(sealed.first <= n <= sealed.last for sealed in kept)}
    return Catalogue(
        sealed=tuple(kept), superseded=tuple(superseded), covered=tuple(sorted(covered)),
        journals=tuple(n for n in sorted(numbers) if n not in covered), foreign=tuple(foreign),
        partial=tuple(path for sealed, path in files if sealed not in orphans), orphans=tuple(orphans),
        missing=tuple(n for n in range(1, max(there, default=0)) if n not in there),
    )  # fmt: skip


def _set_aside(disk: Disk, folder: Path) -> list[int]:
    return [number for name in _visible(disk, folder) if (number := journal.number(name))]


def _pairs(disk: Disk, folder: Path, suffix: str, foreign: list[Path]) -> list[Sealed]:
    pairs = []
    for name in _visible(disk, folder):
        sealed = parse(name.removesuffix(suffix)) if name.endswith(suffix) else None
        if sealed is None:
            foreign.append(folder / name)
        else:
            pairs.append(sealed)
    return pairs


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
