"""The seam between the store and the disk: append, sync, rename, remove, and nothing else.

Every byte that the store keeps goes through a ``Disk``. The real one is ``OsDisk``; tests put one in
its place that records each step and builds what a power cut could leave behind.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, runtime_checkable
from zlib import crc32

from rig.errors import StoreError


@dataclass(frozen=True, slots=True, kw_only=True)
class Space:
    """Room left for this user on a file system. ``inodes`` is -1 where the file system has no count."""

    free_bytes: int
    inodes: int


class File(Protocol):
    """A file open for appending. Every method raises OSError when the disk refuses."""

    def append(self, data: bytes) -> None:
        """Write all of ``data`` at the end; after an OSError the end of the file is unknown."""
        ...

    def sync(self) -> None:
        """Return when everything appended is durable; after an OSError it never will be."""
        ...

    def truncate(self, size: int) -> None:
        """Cut the file to ``size`` bytes."""
        ...

    def is_at(self, path: Path) -> bool:
        """Return whether this file is still what has that name."""
        ...

    def close(self) -> None:
        """Give the descriptor back. Says nothing about durability."""
        ...


class Disk(Protocol):
    """What the store needs of a file system. Every method raises OSError when it fails."""

    def create(self, path: Path) -> File:
        """Return a new, empty file; FileExistsError if the name is taken."""
        ...

    def reopen(self, path: Path) -> File:
        """Return an existing file, open for appending."""
        ...

    def read(self, path: Path, offset: int = 0, size: int = -1) -> bytes:
        """Return ``size`` bytes (-1: all) from ``offset``; fewer at the end of the file."""
        ...

    def size(self, path: Path) -> int:
        """Return the length of a file in bytes."""
        ...

    def rename(self, old: Path, new: Path) -> None:
        """Give a file a new name, replacing what had it."""
        ...

    def remove(self, path: Path) -> None:
        """Remove a name."""
        ...

    def make_dir(self, path: Path) -> None:
        """Make a directory whose parent exists; nothing happens if it is there already."""
        ...

    def sync_dir(self, path: Path) -> None:
        """Return when the names in a directory are durable."""
        ...

    def names(self, path: Path) -> list[str]:
        """Return the sorted names in a directory, none if there is no such directory."""
        ...

    def space(self, path: Path) -> Space:
        """Return how much room is left where ``path`` is."""
        ...


@runtime_checkable
class OpensInput(Protocol):
    """What a Disk has besides, if its files cannot be opened by their path (an object store)."""

    def open_input(self, path: Path) -> Any:
        """Return a file object to read and seek in; the caller closes it."""
        ...


class OsFile:
    """A real file, opened for appending only; no child process inherits it."""

    __slots__ = ("_descriptor",)

    def __init__(self, path: Path, flags: int) -> None:
        self._descriptor = os.open(path, os.O_WRONLY | os.O_APPEND | flags, 0o644)

    def append(self, data: bytes) -> None:
        """Write all of ``data``, in as many calls as the kernel wants."""
        done = os.write(self._descriptor, data)
        while done < len(data):
            done += os.write(self._descriptor, memoryview(data)[done:])

    def sync(self) -> None:
        """Return when data and length are on the medium."""
        os.fsync(self._descriptor)

    def truncate(self, size: int) -> None:
        """Cut the file to ``size`` bytes."""
        os.ftruncate(self._descriptor, size)

    def is_at(self, path: Path) -> bool:
        """Return whether the name still leads to this file: same file system, same inode."""
        try:
            there = path.stat()
        except OSError:
            return False
        return os.path.samestat(there, os.fstat(self._descriptor))

    def close(self) -> None:
        """Close the descriptor; a second call does nothing."""
        if self._descriptor != -1:
            descriptor, self._descriptor = self._descriptor, -1
            os.close(descriptor)


class OsDisk:
    """The file systems of this machine."""

    def create(self, path: Path) -> File:
        """Return a new file; the name must be free."""
        return OsFile(path, os.O_CREAT | os.O_EXCL)

    def reopen(self, path: Path) -> File:
        """Return an existing file for appending."""
        return OsFile(path, 0)

    def read(self, path: Path, offset: int = 0, size: int = -1) -> bytes:
        """Return bytes of a file."""
        with path.open("rb") as file:
            file.seek(offset)
            return file.read(size)

    def size(self, path: Path) -> int:
        """Return the length of a file."""
        return path.stat().st_size

    def rename(self, old: Path, new: Path) -> None:
        """Rename, replacing what had the new name."""
        old.replace(new)

    def remove(self, path: Path) -> None:
        """Remove a name."""
        path.unlink()

    def make_dir(self, path: Path) -> None:
        """Make one directory."""
        path.mkdir(exist_ok=True)

    def sync_dir(self, path: Path) -> None:
        """Make the names in a directory durable."""
        descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def names(self, path: Path) -> list[str]:
        """Return the sorted names in a directory."""
        try:
            return sorted(os.listdir(path))  # noqa: PTH208 - names only, the fastest call there is
        except FileNotFoundError:
            return []

    def space(self, path: Path) -> Space:
        """Return what an unprivileged writer may still use."""
        facts = os.statvfs(path)
        inodes = facts.f_favail if facts.f_files else -1
        return Space(free_bytes=facts.f_bavail * facts.f_frsize, inodes=inodes)


OS_DISK = OsDisk()

TEMPORARY = ".tmp"


def temporary(path: Path) -> Path:
    """Return the name under which a file is written until it is whole.

    It is in the same folder and begins with a dot: readers of a Parquet folder ignore such names.
    """
    return path.with_name(f".{path.name}{TEMPORARY}")


def publish(disk: Disk, path: Path, data: bytes) -> None:
    """Write a whole file so that its name never stands for less than all of it, even after a power cut.

    Temporary name, write, sync, rename, sync of the directory. Raises StoreError.
    """
    part = temporary(path)
    try:
        discard(disk, part)
        file = disk.create(part)
        try:
            file.append(data)
            file.sync()
        finally:
            file.close()
        disk.rename(part, path)
        disk.sync_dir(path.parent)
    except OSError as error:
        discard(disk, part)
        raise StoreError(
            f"could not write {path} ({len(data)} bytes): {error.strerror or error}; "
            "free space on that disk or make the folder writable"
        ) from error


def discard(disk: Disk, path: Path) -> None:
    """Remove a file that nobody needs; a failure is left to the next clean-up."""
    try:
        disk.remove(path)
    except OSError:
        return


def there(disk: Disk, path: Path) -> bool:
    """Return whether there is a file at ``path``, as far as the disk can tell."""
    try:
        disk.size(path)
    except OSError:
        return False
    return True


def checksum(disk: Disk, path: Path, piece: int = 1 << 22) -> tuple[int, int]:
    """Return length and CRC-32 of a file, read piece by piece. Raises OSError."""
    size = crc = 0
    while data := disk.read(path, size, piece):
        size += len(data)
        crc = crc32(data, crc)
    return size, crc


def clear_temporary(disk: Disk, folders: Sequence[Path]) -> list[Path]:
    """Remove files that were never finished from ``folders``; return what was removed."""
    found = [
        folder / name
        for folder in folders
        for name in disk.names(folder)
        if name.startswith(".") and name.endswith(TEMPORARY)
    ]
    for path in found:
        discard(disk, path)
    return found


def make_dirs(disk: Disk, path: Path) -> None:
    """Make a directory and its missing parents, each durable. Raises OSError."""
    if path.is_dir():
        return
    make_dirs(disk, path.parent)
    disk.make_dir(path)
    disk.sync_dir(path.parent)


def why_not_writable(path: Path, disk: Disk = OS_DISK) -> str:
    """Return why nothing can be written into a folder, '' if it can: by writing, syncing and removing."""
    trial = path / ".trial"
    try:
        file = disk.create(trial)
        try:
            file.append(b"trial")
            file.sync()
        finally:
            file.close()
            disk.remove(trial)
    except OSError as error:
        return f"{path}: {error.strerror or error}"
    return ""
