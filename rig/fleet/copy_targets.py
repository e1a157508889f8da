"""Where copies of runs are put: a folder (another disk, a network share) or an object store.

A file appears under its name when all of it is there, and not before.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from rig.errors import StoreError
from rig.fleet import object_store
from rig.fleet.object_store import SCHEME, Bucket, refused
from rig.store.files import OS_DISK, discard, make_dirs, temporary

PIECE = 1 << 22


class CopyTarget(Protocol):
    """A place for the files of one run. Names are relative, with ``/``. Methods raise StoreError."""

    @property
    def address(self) -> str:
        """Where the run will be found."""
        ...

    def sizes(self) -> dict[str, int]:
        """Return the length of every file that is there, by name."""
        ...

    def put(self, name: str, pieces: Iterable[bytes]) -> None:
        """Write a file; it replaces what had its name."""
        ...

    def read(self, name: str) -> Iterator[bytes]:
        """Yield a file's content piece by piece, as it is there now."""
        ...

    def remove(self, name: str) -> None:
        """Remove a file; nothing happens if it is not there."""
        ...


def target(place: str, run: str) -> CopyTarget:
    """Return the place of a run below ``place``, a folder or ``s3://BUCKET/KEY``. Raises UsageError."""
    if object_store.is_address(place):
        return StoreTarget(bucket=object_store.connect(), key=f"{object_store.parsed(place)}/{run}")
    return FolderTarget(folder=Path(place).resolve() / run)


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderTarget:
    """A folder of this machine's file systems; files are synced before their names are given."""

    folder: Path

    @property
    def address(self) -> str:
        """The folder."""
        return str(self.folder)

    def sizes(self) -> dict[str, int]:
        """Return the length of every file below the folder; hidden ones are left out."""
        found = {}
        for here, folders, files in os.walk(self.folder):
            folders[:] = [one for one in folders if not one.startswith(".")]
            for name in files:
                path = Path(here) / name
                if not name.startswith("."):
                    found[path.relative_to(self.folder).as_posix()] = path.stat().st_size
        return found

    def put(self, name: str, pieces: Iterable[bytes]) -> None:
        """Write, sync, rename, sync the folder. Raises StoreError."""
        path = self.folder / name
        part = temporary(path)
        try:
            make_dirs(OS_DISK, path.parent)
            discard(OS_DISK, part)
            file = OS_DISK.create(part)
            try:
                for piece in pieces:
                    file.append(piece)
                file.sync()
            finally:
                file.close()
            OS_DISK.rename(part, path)
            OS_DISK.sync_dir(path.parent)
        except OSError as error:
            discard(OS_DISK, part)
            raise StoreError(
                f"could not write {path}: {error.strerror or error}; free space there or make it writable"
            ) from error

    def read(self, name: str) -> Iterator[bytes]:
        """Yield the file's content. Raises StoreError."""
        path = self.folder / name
        try:
            with path.open("rb") as file:
                while piece := file.read(PIECE):
                    yield piece
        except OSError as error:
            raise StoreError(f"could not read back {path}: {error.strerror or error}") from error

    def remove(self, name: str) -> None:
        """Remove the file. Raises StoreError."""
        path = self.folder / name
        try:
            path.unlink(missing_ok=True)
        except OSError as error:
            raise StoreError(f"could not remove {path}: {error.strerror or error}") from error


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreTarget:
    """A key of an object store. An object is there once its upload has been completed."""

    bucket: Bucket
    key: str

    @property
    def address(self) -> str:
        """The address of the run."""
        return f"{SCHEME}://{self.key}"

    def sizes(self) -> dict[str, int]:
        """Return the length of every object below the key."""
        return self.bucket.listed(self.key)

    def put(self, name: str, pieces: Iterable[bytes]) -> None:
        """Upload an object. Raises StoreError; then no new object is there."""
        key = f"{self.key}/{name}"
        try:
            stream = self.bucket.system.open_output_stream(key)
            try:
                for piece in pieces:
                    stream.write(piece)
            except BaseException:
                stream.abort()
                raise
            stream.close()
        except OSError as error:
            raise StoreError(refused("put", key, error)) from error

    def read(self, name: str) -> Iterator[bytes]:
        """Yield the object's content. Raises StoreError."""
        key = f"{self.key}/{name}"
        try:
            with self.bucket.system.open_input_file(key) as file:
                while piece := file.read(PIECE):
                    yield piece
        except OSError as error:
            raise StoreError(refused("read back", key, error)) from error

    def remove(self, name: str) -> None:
        """Remove the object. Raises StoreError."""
        key = f"{self.key}/{name}"
        try:
            self.bucket.system.delete_file(key)
        except FileNotFoundError:
            return
        except OSError as error:
            raise StoreError(refused("remove", key, error)) from error
