"""Files attached to incidents of a run: ``incidents/NUMBER/NAME``, written once and never overwritten."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from rig.domain.incident_entries import AttachedFile, attached, safe_name
from rig.domain.model import Event
from rig.errors import StoreError, UsageError
from rig.store.files import OS_DISK, Disk, discard, make_dirs, publish, there
from rig.store.notes import Skipped
from rig.store.rundir import Lock, RunDir

FOLDER = "incidents"
LOCK = "incidents.lock"
LARGEST_BYTES = 50_000_000
"""Largest attached file: photographs and measurements, not films; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptFile:
    """A file that is in the run now. fresh: it was put there just now, and was not there before."""

    file: AttachedFile
    path: Path
    fresh: bool


def keep(run: RunDir, number: int, sources: Iterable[Path], disk: Disk = OS_DISK) -> list[KeptFile]:
    """Copy files into the run for an incident; all of them or, with an error, none.

    A file of the same name and content that is there already is taken as it is. Raises UsageError for a
    source that is none, is too large or whose name another file has; StoreError if the disk refuses.
    """
    kept: list[KeptFile] = []
    try:
        with Lock(run.path / LOCK).acquire("attaching a file"):
            for source in sources:
                kept.append(_kept(run, number, source, disk))  # noqa: PERF401 - what was kept is undone below
    except (UsageError, StoreError):
        forget(kept, disk)
        raise
    return kept


def forget(kept: Iterable[KeptFile], disk: Disk = OS_DISK) -> None:
    """Remove what was just put there: the order that names it was refused."""
    for one in kept:
        if one.fresh:
            discard(disk, one.path)


def faults(run: RunDir, event: Event, disk: Disk = OS_DISK) -> tuple[int, list[Skipped]]:
    """Return how many files that an event names are good, and what is wrong with the others."""
    good, wrong = 0, []
    for file in attached(event.data):
        path = path_of(run, file)
        try:
            length, sha256 = _sum(disk, path)
        except OSError as error:
            wrong.append(Skipped(path=path, reason=f"attached file not readable ({error.strerror or error})"))
            continue
        if (length, sha256) == (file.size, file.sha256):
            good += 1
            continue
        reason = (
            f"{length} bytes with SHA-256 {sha256[:12]}...; {file.size} with {file.sha256[:12]}... on record"
        )
        wrong.append(Skipped(path=path, reason=reason))
    return good, wrong


def names(run: RunDir, disk: Disk = OS_DISK) -> list[str]:
    """Return the names of all attached files, relative to the run."""
    return [
        f"{FOLDER}/{number}/{name}"
        for number in disk.names(run.folder(FOLDER))
        if number.isdecimal()
        for name in disk.names(run.folder(FOLDER) / number)
        if not name.startswith(".")
    ]


def path_of(run: RunDir, file: AttachedFile) -> Path:
    """Return where an attached file is."""
    return run.folder(FOLDER) / str(file.number) / file.name


def _kept(run: RunDir, number: int, source: Path, disk: Disk) -> KeptFile:
    try:
        name = safe_name(source.name)
        if not source.is_file():
            what = "is no ordinary file" if source.exists() else "there is no such file"
            raise UsageError(f"--attach {source}: {what}; name a photograph, a table, a text")
        length = source.stat().st_size
        if length > LARGEST_BYTES:
            raise UsageError(
                f"--attach {source} has {length:,} bytes; at most {LARGEST_BYTES:,} are taken: attach a "
                "smaller copy, or write in the note where the file is"
            )
        data = source.read_bytes()
        file = AttachedFile(number=number, name=name, sha256=hashlib.sha256(data).hexdigest(), size=len(data))
        path = path_of(run, file)
        make_dirs(disk, path.parent)
        if not there(disk, path):
            publish(disk, path, data)
            return KeptFile(file=file, path=path, fresh=True)
        if _sum(disk, path) == (file.size, file.sha256):
            return KeptFile(file=file, path=path, fresh=False)
    except ValueError as error:
        raise UsageError(f"--attach {source}: {error}") from error
    except OSError as error:
        raise StoreError(
            f"--attach {source}: {error.filename or source}: {error.strerror or error}"
        ) from error
    raise UsageError(
        f"--attach {source}: another file is attached as {path}; rename yours, nothing is replaced"
    )


def _sum(disk: Disk, path: Path, piece: int = 1 << 22) -> tuple[int, str]:
    """Return length and SHA-256 of a file, read piece by piece. Raises OSError."""
    digest, length = hashlib.sha256(), 0
    while data := disk.read(path, length, piece):
        digest.update(data)
        length += len(data)
    return length, digest.hexdigest()
