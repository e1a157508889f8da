"""A disk that remembers every step, and every state in which a power cut could leave it.

What is assumed of a file system is no more than POSIX promises: data are safe once ``fsync`` of the file
has returned, names once ``fsync`` of the directory has; everything else may be there, be missing, be
torn at any byte, be zeros, or have come without what was written before it. A rename is atomic.
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rig.store.files import OS_DISK, File, Space

PAGE = 64
"""Size of the stretch that may be missing from the middle of a file; small, as the files are."""
DATA = ("lost", "kept", "torn", "zeros", "hole", "mixed")
NAMES = ("lost", "kept", "prefix", "some")


@dataclass(frozen=True, slots=True)
class Step:
    """One thing the disk was asked to do, or a mark the test made."""

    deed: str
    inode: int = -1
    path: str = ""
    to: str = ""
    data: bytes = b""
    size: int = 0
    mark: Any = None


class _LoggedFile:
    def __init__(self, disk: LoggedDisk, inode: int, file: File) -> None:
        self._disk, self._inode, self._file = disk, inode, file

    def append(self, data: bytes) -> None:
        self._disk.note(Step("append", self._inode, data=bytes(data)))
        self._file.append(data)

    def sync(self) -> None:
        # The real medium is not what is tested: what counts is that it was asked for.
        self._disk.note(Step("sync", self._inode))

    def truncate(self, size: int) -> None:
        self._disk.note(Step("truncate", self._inode, size=size))
        self._file.truncate(size)

    def is_at(self, path: Path) -> bool:
        return self._file.is_at(path)

    def close(self) -> None:
        self._file.close()


class LoggedDisk:
    """A real folder; ``steps`` holds all that was done to it since, ``base`` what it held before."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.steps: list[Step] = []
        self.inodes: dict[str, int] = {}
        self.base: dict[int, bytes] = {}
        self.dirs: set[str] = {"."}
        for path in sorted(root.rglob("*")):
            name = str(path.relative_to(root))
            if path.is_dir():
                self.dirs.add(name)
            else:
                self.inodes[name] = len(self.base)
                self.base[self.inodes[name]] = path.read_bytes()
        self.base_names = dict(self.inodes)
        self._next = len(self.base)

    def note(self, step: Step) -> None:
        self.steps.append(step)

    def mark(self, mark: Any) -> None:
        self.note(Step("mark", mark=mark))

    def _name(self, path: Path) -> str:
        return str(path.relative_to(self.root))

    def create(self, path: Path) -> File:
        file = OS_DISK.create(path)
        inode, self._next = self._next, self._next + 1
        self.inodes[self._name(path)] = inode
        self.note(Step("create", inode, self._name(path)))
        return _LoggedFile(self, inode, file)

    def reopen(self, path: Path) -> File:
        return _LoggedFile(self, self.inodes[self._name(path)], OS_DISK.reopen(path))

    def read(self, path: Path, offset: int = 0, size: int = -1) -> bytes:
        return OS_DISK.read(path, offset, size)

    def size(self, path: Path) -> int:
        return OS_DISK.size(path)

    def rename(self, old: Path, new: Path) -> None:
        OS_DISK.rename(old, new)
        inode = self.inodes.pop(self._name(old))
        self.inodes[self._name(new)] = inode
        self.note(Step("rename", inode, self._name(old), self._name(new)))

    def remove(self, path: Path) -> None:
        OS_DISK.remove(path)
        self.note(Step("remove", self.inodes.pop(self._name(path)), self._name(path)))

    def make_dir(self, path: Path) -> None:
        OS_DISK.make_dir(path)
        self.note(Step("mkdir", path=self._name(path)))

    def sync_dir(self, path: Path) -> None:
        self.note(Step("sync_dir", path=self._name(path)))

    def names(self, path: Path) -> list[str]:
        return OS_DISK.names(path)

    def space(self, _path: Path) -> Space:
        return Space(free_bytes=1 << 40, inodes=-1)


@dataclass(slots=True)
class _Inode:
    durable: bytes = b""
    pending: list[Step] = field(default_factory=list)


@dataclass(slots=True)
class Medium:
    """What is durable and what is not after some steps; ``states`` builds what a power cut may leave."""

    inodes: dict[int, _Inode] = field(default_factory=dict)
    names: dict[str, int] = field(default_factory=dict)
    dirs: set[str] = field(default_factory=lambda: {"."})
    pending: list[Step] = field(default_factory=list)
    marks: list[Any] = field(default_factory=list)

    def do(self, step: Step) -> None:
        if step.deed == "mark":
            self.marks.append(step.mark)
        elif step.deed in {"append", "truncate"}:
            self.inodes[step.inode].pending.append(step)
        elif step.deed == "sync":
            inode = self.inodes[step.inode]
            inode.durable, inode.pending = _after(inode.durable, inode.pending), []
        elif step.deed == "sync_dir":
            here = [one for one in self.pending if step.path in _folders(one)]
            for one in here:
                self._apply(one, self.names, self.dirs)
            self.pending = [one for one in self.pending if one not in here]
        else:
            if step.deed == "create":
                self.inodes[step.inode] = _Inode()
            self.pending.append(step)

    @staticmethod
    def _apply(step: Step, names: dict[str, int], dirs: set[str]) -> None:
        if step.deed == "mkdir":
            dirs.add(step.path)
        elif step.deed == "create":
            names[step.path] = step.inode
        elif step.deed == "remove":
            names.pop(step.path, None)
        else:
            names.pop(step.path, None)
            names[step.to] = step.inode

    def state(self, data: str, names: str, dice: random.Random) -> tuple[dict[str, bytes], set[str]]:
        """Return files and folders as one power cut could leave them."""
        kept, dirs = dict(self.names), set(self.dirs)
        count = dice.randint(0, len(self.pending)) if names == "prefix" else len(self.pending)
        for step in self.pending[:count]:
            if names in {"kept", "prefix"} or (names == "some" and dice.random() < 0.5):
                self._apply(step, kept, dirs)
        files = {}
        for name, inode in kept.items():
            one = self.inodes[inode]
            how = dice.choice(DATA[:-1]) if data == "mixed" else data
            if all(str(parent) in dirs for parent in Path(name).parents):
                files[name] = _left(one, how, dice)
        return files, {one for one in dirs if all(str(parent) in dirs for parent in Path(one).parents)}


def _folders(step: Step) -> set[str]:
    return {str(Path(name).parent) for name in (step.path, step.to) if name}


def _after(content: bytes, steps: list[Step]) -> bytes:
    for step in steps:
        content = content[: step.size] if step.deed == "truncate" else content + step.data
    return content


def _left(one: _Inode, how: str, dice: random.Random) -> bytes:
    if how == "lost" or not one.pending:
        return one.durable
    whole = _after(one.durable, one.pending)
    if how == "kept" or len(whole) <= len(one.durable):
        return whole if how == "kept" or dice.random() < 0.5 else one.durable
    # A cut that is not durable yet takes nothing from what comes before it.
    safe = next(
        (k for k, (a, b) in enumerate(zip(one.durable, whole, strict=False)) if a != b), len(one.durable)
    )
    safe = min(safe, len(whole))
    cut = dice.randint(safe, len(whole))
    if how == "torn":
        return whole[:cut]
    if how == "zeros":
        return whole[:cut] + bytes(len(whole) - cut)
    return whole[:cut] + bytes(len(whole[cut : cut + PAGE])) + whole[cut + PAGE :]


def states(
    disk: LoggedDisk, each: int, seed: int
) -> Iterator[tuple[int, Medium, dict[str, bytes], set[str]]]:
    """Yield (steps done, medium, files, folders) for ``each`` ways to fail after every single step."""
    medium = Medium(names=dict(disk.base_names), dirs=set(disk.dirs))
    medium.inodes = {inode: _Inode(durable=raw) for inode, raw in disk.base.items()}
    for done, step in enumerate(disk.steps, 1):
        medium.do(step)
        if step.deed == "mark":
            continue
        seen = set()
        for k in range(each):
            dice = random.Random(f"{seed}-{done}-{k}")
            data, names = DATA[k % len(DATA)], NAMES[(k // len(DATA) + k) % len(NAMES)]
            files, dirs = medium.state(data, names, dice)
            key = (tuple(sorted(files.items())), tuple(sorted(dirs)))
            if key not in seen:
                seen.add(key)
                yield done, medium, files, dirs


def lay_out(root: Path, files: dict[str, bytes], dirs: set[str]) -> None:
    """Make ``root`` hold exactly these files and folders."""
    shutil.rmtree(root, ignore_errors=True)
    root.mkdir(parents=True)
    for name in sorted(dirs):
        (root / name).mkdir(exist_ok=True)
    for name, raw in files.items():
        (root / name).write_bytes(raw)


def one_state(disk: LoggedDisk, dice: random.Random) -> tuple[Medium, dict[str, bytes], set[str]]:
    """Return one random state after one random step."""
    medium = Medium(names=dict(disk.base_names), dirs=set(disk.dirs))
    medium.inodes = {inode: _Inode(durable=raw) for inode, raw in disk.base.items()}
    for step in disk.steps[: dice.randint(0, len(disk.steps))]:
        medium.do(step)
    return medium, *medium.state(dice.choice(DATA), dice.choice(NAMES), dice)
