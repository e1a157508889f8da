"""Cache of results in a run, valid while nothing they were made of has changed.

``answers/NAME.json`` may be missing or damaged: it is then computed again. FORMAT.md, "Answers",
describes it.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any
from zlib import crc32

from rig.errors import StoreError
from rig.store import rundir
from rig.store.files import OS_DISK, publish

FOLDER = "answers"
FORMAT = 1
BESIDE = frozenset(
    {rundir.LOCK, "seal.lock", "upload.lock", "incidents.lock", "reserve", "standing.json", "uploads.json"}
)
ASIDE = frozenset({FOLDER, "alerts"})
"""Files and folders of a run that nothing is read from when it is looked at."""


def made_of(path: Path, also: Iterable[str]) -> str:
    """Return what an answer from the run at ``path`` is made of, in short: another if any file changed.

    By names, lengths and times of change of all its files. also: what else goes into it, as the program.
    Raises OSError.
    """
    lines = [*_of_run(path), "", *also]
    return hashlib.blake2b("\n".join(lines).encode("utf-8", "surrogateescape"), digest_size=16).hexdigest()


def _of_run(path: Path) -> list[str]:
    folders = [entry.name for entry in os.scandir(path) if entry.is_dir() and entry.name not in ASIDE]
    lines = [line for line in listed(path) if line.partition(" ")[0] not in BESIDE]
    for name in sorted(folders):
        lines += [f"{name}/{line}" for line in listed(path / name)]
    return lines


def listed(folder: Path, ending: str = "") -> list[str]:
    """Return name, length and time of change of the files in a folder, by name."""
    found = []
    for entry in os.scandir(folder):
        if entry.name.endswith(ending) and entry.is_file():
            facts = entry.stat()
            found.append(f"{entry.name} {facts.st_size} {facts.st_mtime_ns}")
    return sorted(found)


def load(path: Path, name: str, made_of: str) -> Any:
    """Return the answer ``name`` kept in the run at ``path``; None if there is none made of just this."""
    try:
        head, _, data = (path / FOLDER / f"{name}.json").read_bytes().partition(b"\n")
        facts = json.loads(head)
        if (facts["format"], facts["made_of"], facts["crc"]) != (FORMAT, made_of, crc32(data)):
            return None
        return json.loads(data)
    except (OSError, KeyError, TypeError, ValueError):
        return None


def keep(path: Path, name: str, made_of: str, answer: Any) -> bool:
    """Keep an answer; return whether that went: a run on a medium that cannot be written keeps none."""
    data = json.dumps(answer, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "surrogatepass")
    head = {"soakrig": "answer", "format": FORMAT, "made_of": made_of, "crc": crc32(data)}
    try:
        (path / FOLDER).mkdir(exist_ok=True)
        publish(OS_DISK, path / FOLDER / f"{name}.json", json.dumps(head).encode() + b"\n" + data)
    except (OSError, StoreError):
        return False
    return True
