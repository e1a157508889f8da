"""One run, one directory: its names, its manifest, its lock, its frozen configurations and sessions."""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import time
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from rig.clock import SYSTEM
from rig.domain.jsonmap import made, plain
from rig.errors import DamageError, FormatError, RunInUseError, StoreError, UsageError, shown
from rig.store import journal
from rig.store.files import OS_DISK, Disk, make_dirs, publish, there
from rig.store.journal import JournalFacts

FORMAT = 1
MANIFEST = "run.json"
LOCK = "lock"
END = "end.json"
FOLDERS = ("config", "sessions", "journal", "readings", "events", "sealed", "damaged", "inbox", "summary")
LOCK_PATIENCE_S = 0.5
"""How long to retry a lock that may be held just for a moment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunDir:
    """A run directory by its manifest. ``created_ns``: UTC; ``id``: a UUID, also in every data file."""

    path: Path
    id: str
    name: str
    rig: str
    created_ns: int
    software: str
    planned_s: float = 0.0

    def folder(self, name: str) -> Path:
        """Return one of the folders of the run."""
        return self.path / name


@dataclass(frozen=True, slots=True, kw_only=True)
class _Manifest:
    """The content of ``run.json``."""

    soakrig: str = "run"
    format: int = FORMAT
    id: str
    name: str
    rig: str
    created: str = ""
    created_ns: int
    software: str
    planned_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _SessionHead:
    """What stands in a session's file before its facts."""

    session: int
    offset_ns: int
    stopped_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionFacts:
    """Facts of a session from its start on.

    offset_ns: UTC minus CLOCK_BOOTTIME. stopped_ns: UTC of its recorded stop, None while it goes on and
    for ever if it ended without one.
    """

    number: int
    offset_ns: int
    facts: JournalFacts
    stopped_ns: int | None = None


def create(
    runs: Path,
    *,
    rig: str,
    created_ns: int,
    software: str,
    planned_s: float = 0.0,
    name: str | None = None,
    disk: Disk = OS_DISK,
) -> RunDir:
    """Return a new run directory under ``runs``, named after the rig and the moment in UTC.

    Raises UsageError if the name cannot be one, StoreError if the disk refuses.
    """
    moment = datetime.fromtimestamp(created_ns / 1e9, UTC)
    name = name or f"{rig}-{moment:%Y%m%dT%H%M%SZ}"
    if name != Path(name).name or name.startswith("."):
        raise UsageError(f"a run cannot be called {shown(name)}; use a plain name without / or a leading dot")
    path = runs / name
    if path.exists():
        raise StoreError(f"{path} already exists; a new run needs another name")
    run = RunDir(
        path=path, id=str(uuid.uuid4()), name=name, rig=rig, created_ns=created_ns,
        software=software, planned_s=planned_s,
    )  # fmt: skip
    manifest = _Manifest(
        id=run.id, name=name, rig=rig, created=moment.isoformat(), created_ns=created_ns, software=software,
        planned_s=planned_s,
    )  # fmt: skip
    try:
        make_dirs(disk, path)
        for folder in FOLDERS:
            disk.make_dir(path / folder)
        disk.create(path / LOCK).close()
        disk.sync_dir(path)
    except OSError as error:
        raise StoreError(
            f"could not make the run directory {path}: {error.strerror or error}; "
            "free space on that disk or name another runs folder"
        ) from error
    publish(disk, path / MANIFEST, _text(plain(manifest)))
    return run


def open_run(path: Path, disk: Disk = OS_DISK) -> RunDir:
    """Return the run at ``path``. Raises FormatError if it is none or from a newer soakrig."""
    manifest = path / MANIFEST
    try:
        raw = disk.read(manifest)
    except OSError as error:
        raise FormatError(
            f"{path} is not a run directory: {MANIFEST} could not be read ({error.strerror or error}); "
            "name the folder that holds run.json"
        ) from None
    try:
        facts = json.loads(raw)
        if not isinstance(facts, dict) or facts.get("soakrig") != "run":
            raise FormatError(f"{manifest} does not describe a run: {shown(raw)}")
        if facts["format"] > FORMAT:
            raise FormatError(
                f"{path} has run format {facts['format']}, this soakrig reads format {FORMAT}; "
                "install the newer soakrig that wrote it"
            )
        found = made(_Manifest, facts)
        return RunDir(
            path=path, id=str(uuid.UUID(found.id)), name=found.name, rig=found.rig,
            created_ns=found.created_ns, software=found.software, planned_s=found.planned_s,
        )  # fmt: skip
    except (ValueError, KeyError, TypeError) as error:
        raise DamageError(f"{manifest} is damaged ({error!r}): {shown(raw)}") from None


def list_runs(runs: Path, disk: Disk = OS_DISK) -> list[Path]:
    """Return the run directories under ``runs``, by name; only their manifests' presence is looked at."""
    return [runs / name for name in disk.names(runs) if (runs / name / MANIFEST).is_file()]


def newest_run(path: Path, disk: Disk = OS_DISK) -> Path:
    """Return the run that ``path`` means: itself, or the newest run in it.

    Raises FormatError if it is neither a run nor a folder with runs.
    """
    if (path / MANIFEST).is_file():
        return path
    runs = list_runs(path, disk) if path.is_dir() else []
    if not runs:
        below = _runs_below(path, disk)
        raise FormatError(
            f"{path} is neither a run directory nor a folder with runs in it; "
            + (f"did you mean {below}?" if below else "name one, or the folder that the rig file calls runs")
        )
    return max(runs, key=lambda one: open_run(one, disk).created_ns)


def _runs_below(path: Path, disk: Disk) -> Path | None:
    """Return a folder of runs in ``path``, None where there is none that can be looked into."""
    try:
        return next((one for one in sorted(path.glob("*")) if one.is_dir() and list_runs(one, disk)), None)
    except OSError:
        return None


def end_run(run: RunDir, ended_ns: int, reason: str, disk: Disk = OS_DISK) -> None:
    """Mark a run as over: no session will be added to it. ``ended_ns``: UTC. Raises StoreError."""
    publish(disk, run.path / END, _text({"ended_ns": ended_ns, "reason": reason}))


def has_ended(run: RunDir, disk: Disk = OS_DISK) -> bool:
    """Return whether a run is over, by duration or because a new one was asked for."""
    return there(disk, run.path / END)


def freeze_config(run: RunDir, text: str, layout: Mapping[str, Any], disk: Disk = OS_DISK) -> str:
    """Keep a rig file and the layout read from it; return the 12 hex digits that name it in the run.

    The digits begin the SHA-256 of the text. What is there already is left alone.
    """
    encoded = text.encode()
    sha = hashlib.sha256(encoded).hexdigest()[:12]
    folder = run.folder("config")
    for name, data in ((f"{sha}.yaml", encoded), (f"{sha}.json", _text(layout))):
        if not (folder / name).exists():
            publish(disk, folder / name, data)
    return sha


def frozen_layout(run: RunDir, sha: str, disk: Disk = OS_DISK) -> dict[str, Any]:
    """Return the layout frozen under ``sha`` as JSON values. Raises DamageError naming the file."""
    path = run.folder("config") / f"{sha}.json"
    try:
        layout = json.loads(frozen_text(run, sha, disk))
    except ValueError as error:
        raise DamageError(f"{path}: the frozen layout could not be read ({error})") from None
    if not isinstance(layout, dict):
        raise DamageError(f"{path}: the frozen layout is not a mapping: {shown(str(layout))}")
    return layout


def frozen_text(run: RunDir, sha: str, disk: Disk = OS_DISK) -> bytes:
    """Return the layout frozen under ``sha`` as it lies there. Raises DamageError naming the file."""
    path = run.folder("config") / f"{sha}.json"
    try:
        return disk.read(path)
    except OSError as error:
        raise DamageError(f"{path}: the frozen layout could not be read ({error})") from None


def session_name(number: int) -> str:
    """Return the file name of a session's facts."""
    return f"s{number:04d}.json"


def write_session(run: RunDir, session: SessionFacts, disk: Disk = OS_DISK) -> None:
    """Keep a session's facts. Raises StoreError."""
    head = _SessionHead(session=session.number, offset_ns=session.offset_ns, stopped_ns=session.stopped_ns)
    content = {**plain(head), **plain(session.facts)}
    publish(disk, run.folder("sessions") / session_name(session.number), _text(content))


def read_sessions(run: RunDir, disk: Disk = OS_DISK) -> dict[int, SessionFacts]:
    """Return every session whose facts can be read, by number; damaged ones are left out."""
    sessions = {}
    folder = run.folder("sessions")
    for name in disk.names(folder):
        if name.startswith(".") or not name.endswith(".json"):
            continue
        try:
            raw = json.loads(disk.read(folder / name))
            head = made(_SessionHead, raw)
            facts = SessionFacts(
                number=head.session, offset_ns=head.offset_ns, facts=made(JournalFacts, raw),
                stopped_ns=head.stopped_ns,
            )  # fmt: skip
        except (OSError, ValueError):
            continue
        sessions[facts.number] = facts
    return dict(sorted(sessions.items()))


def next_session(run: RunDir, disk: Disk = OS_DISK) -> int:
    """Return the number for a new session: one more than any that left a trace."""
    traces = [0, *read_sessions(run, disk)]
    for name in disk.names(run.folder("sessions")):
        digits = name.lstrip(".").removeprefix("s").split(".")[0]
        if digits.isdecimal():
            traces.append(int(digits))
    return 1 + max(traces)


def boot_offset(run: RunDir, boot_id: str, disk: Disk = OS_DISK) -> int | None:
    """Return UTC minus CLOCK_BOOTTIME (ns) as the run's first session of this boot fixed it, or None."""
    for session in read_sessions(run, disk).values():
        if session.facts.boot_id == boot_id:
            return session.offset_ns
    return None


def next_journal(run: RunDir, disk: Disk = OS_DISK) -> int:
    """Return the number for a new journal: one more than any that was ever used."""
    used = [0]
    for folder in ("journal", "damaged"):
        for name in disk.names(run.folder(folder)):
            stem = name.lstrip(".").split(".")[0].split("-")[0]
            used.append(journal.number(stem + journal.SUFFIX) or 0)
    for folder in ("sealed", "readings", "events"):
        for name in disk.names(run.folder(folder)):
            digits = name.lstrip(".").split(".")[0].rpartition("-")[2]
            used.append(int(digits) if digits.isdecimal() else 0)
    return 1 + max(used)


def _text(content: Mapping[str, Any]) -> bytes:
    return json.dumps(content, indent=1, ensure_ascii=False).encode() + b"\n"


class Lock:
    """Lock of a run, for writing; as a context manager it is released at the end.

    flock on a file that is never deleted: it dies with the process, whatever kills it, and cannot be
    left behind. The file's text names the holder, for messages only.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._descriptor = self._folder = -1

    def acquire(self, owner: str = "soakrig") -> Self:
        """Take the lock. Raises RunInUseError naming its holder, StoreError if it cannot be opened or had."""
        try:
            descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise StoreError(f"could not open the lock {self._path}: {error.strerror or error}") from error
        try:
            _lock(descriptor)
            self._folder = self._hold_folder()
        except BlockingIOError:
            os.close(descriptor)
            raise RunInUseError(
                f"{self._path.parent} is in use by {holder(self._path)}; stop that process first"
            ) from None
        except RunInUseError:
            os.close(descriptor)
            raise
        except OSError as error:
            os.close(descriptor)
            raise StoreError(f"could not lock {self._path}: {error.strerror or error}") from error
        self._descriptor = descriptor
        try:
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, f"{owner}, process {os.getpid()}\n".encode(), 0)
        except OSError:
            pass  # a full disk must not keep the lock from being held; only the name is missing
        return self

    def _hold_folder(self) -> int:
        """Lock the run's folder too, which nobody deletes by mistake as he may the lock file.

        Returns its descriptor, -1 where the file system locks no folders (network file systems).
        """
        if self._path.name != LOCK:
            return -1
        try:
            folder = os.open(self._path.parent, os.O_RDONLY | os.O_DIRECTORY)
        except OSError:
            return -1
        try:
            _lock(folder)
        except BlockingIOError:
            os.close(folder)
            raise RunInUseError(
                f"{self._path.parent} is in use by a process whose lock file was deleted; find it and stop it"
            ) from None
        except OSError:
            os.close(folder)
            return -1
        return folder

    def release(self) -> None:
        """Give the lock back; a second call does nothing."""
        # the folder first: the next holder of the file must find it free
        for descriptor in (self._folder, self._descriptor):
            if descriptor != -1:
                os.close(descriptor)
        self._descriptor = self._folder = -1

    def __enter__(self) -> Self:
        return self if self._descriptor != -1 else self.acquire()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()


def _lock(descriptor: int) -> None:
    """Take the flock of an open file, waiting for one who holds it only for a moment.

    Such are a process that tests the lock, and a child of a dead holder until it has become another
    program. Raises BlockingIOError if it is held longer than that, OSError if it cannot be locked.
    """
    deadline_ns = SYSTEM.monotonic_ns() + round(LOCK_PATIENCE_S * 1e9)
    while True:
        try:
            return fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if SYSTEM.monotonic_ns() >= deadline_ns:
                raise
            time.sleep(0.02)


def holder(path: Path) -> str:
    """Return who wrote his name into a lock file, in words."""
    try:
        text = path.read_text("utf-8", "replace").strip()
    except OSError:
        text = ""
    return text or "an unnamed process"


def is_held(path: Path) -> bool:
    """Return whether this lock is held now. Asks for it, shared, for an instant."""
    try:
        descriptor = os.open(path, os.O_RDONLY)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    else:
        return False
    finally:
        os.close(descriptor)
