"""A disk that refuses on command."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from rig.store.files import File, OsDisk, Space

Refusal = Callable[[str, Path], int]
"""(deed, path) -> errno, 0 for none."""


def refusal_of(deed: str, number: int) -> Refusal:
    """Return the refusal of one kind of deed."""
    return lambda asked, _path: number if asked == deed else 0


def open_files() -> set[str]:
    """Return the descriptors that this process has open."""
    return set(os.listdir("/proc/self/fd"))  # noqa: PTH208 - names only


class _File:
    def __init__(self, disk: FaultyDisk, path: Path, file: File) -> None:
        self._disk, self._path, self._file = disk, path, file

    def append(self, data: bytes) -> None:
        if self._disk.refuse("append", self._path) == errno.ENOSPC:
            self._file.append(data[: len(data) // 2])  # a full disk takes what fits
        self._disk.judge("append", self._path)
        self._file.append(data)

    def sync(self) -> None:
        self._disk.judge("sync", self._path)
        self._file.sync()

    def truncate(self, size: int) -> None:
        self._file.truncate(size)

    def is_at(self, path: Path) -> bool:
        return self._file.is_at(path)

    def close(self) -> None:
        self._file.close()


class FaultyDisk(OsDisk):
    """The real disk, but ``refuse`` decides which deeds fail; ``deeds`` lists those that were asked for."""

    def __init__(self) -> None:
        self.refuse: Refusal = lambda _deed, _path: 0
        self.deeds: list[tuple[str, str]] = []
        self.free_bytes: int | None = None

    def judge(self, deed: str, path: Path) -> None:
        self.deeds.append((deed, path.name))
        number = self.refuse(deed, path)
        if number:
            raise OSError(number, os.strerror(number), str(path))

    def create(self, path: Path) -> File:
        self.judge("create", path)
        return _File(self, path, super().create(path))

    def reopen(self, path: Path) -> File:
        self.judge("reopen", path)
        return _File(self, path, super().reopen(path))

    def rename(self, old: Path, new: Path) -> None:
        self.judge("rename", old)
        super().rename(old, new)

    def sync_dir(self, path: Path) -> None:
        self.judge("sync_dir", path)
        super().sync_dir(path)

    def space(self, path: Path) -> Space:
        self.judge("space", path)
        real = super().space(path)
        return real if self.free_bytes is None else replace(real, free_bytes=self.free_bytes)
