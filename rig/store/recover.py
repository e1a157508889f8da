"""Recovery after a crash or power cut: secures, closes and reports what the last session left.

Loads no Parquet library and reads only the journals that were never closed, so that logging goes on
within moments of a start. Killed at any point it can be run again; run twice it does nothing twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from rig.domain.model import EventKind
from rig.errors import DamageError, StoreError
from rig.store import catalogue, journal, journal_frames, rundir, segments
from rig.store.files import OS_DISK, Disk, clear_temporary
from rig.store.journal import JournalReader
from rig.store.rundir import RunDir, SessionFacts

DAEMON_FOLDERS = ("journal", "sessions", "config", "damaged")
"""Folders in which the holder of the run's lock may clear unfinished files."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecoveryFinding:
    """One thing to be recorded by the next session: the arguments of ``RunWriter.event`` but the time."""

    kind: EventKind
    subject: str
    text: str
    data: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovery:
    """What recovery found: ``events`` for the next session to record, ``lines`` of the same for a person.

    last_ns: UTC of the latest thing known of earlier sessions, None for a new run.
    """

    events: tuple[RecoveryFinding, ...] = ()
    last_ns: int | None = None

    @property
    def lines(self) -> tuple[str, ...]:
        """The findings in words, one line each."""
        return tuple(finding.text for finding in self.events)


def _make_folders(run: RunDir, disk: Disk) -> None:
    """Make the folders that are not there: copies lack those that were empty. Raises StoreError."""
    try:
        there = set(disk.names(run.path))
        missing = [name for name in rundir.FOLDERS if name not in there]
        for name in missing:
            disk.make_dir(run.folder(name))
        if missing:
            disk.sync_dir(run.path)
    except OSError as error:
        raise StoreError(
            f"could not make the folders of {run.path}: {error.strerror or error}; make it writable"
        ) from error


def recover(run: RunDir, disk: Disk = OS_DISK) -> Recovery:
    """Make safe what earlier sessions left and return what the next one is to record.

    Torn tails are copied to ``damaged/`` and cut off; journals that were not closed are closed. The
    caller holds the run's lock. Raises StoreError if the disk refuses, FormatError if a newer soakrig
    wrote the newest journal.
    """
    _make_folders(run, disk)
    found = catalogue.look(run.path, disk)
    sessions = rundir.read_sessions(run, disk)
    findings: list[RecoveryFinding] = []
    readers: list[JournalReader] = []
    clear_temporary(disk, [run.path, *(run.folder(name) for name in DAEMON_FOLDERS)])
    try:
        for number in found.journals:
            path = run.folder("journal") / journal.name(number)
            try:
                begun = sessions.get(journal.read_head(disk, path).session)
                readers.append(JournalReader(path, disk, begun.facts if begun else None))
            except DamageError as error:
                findings.append(_unreadable(str(error), path.name))
        for reader, successor_seq in zip(readers, journal.successor_seqs(readers), strict=True):
            findings += _close(run, reader, successor_seq, disk)
    except OSError as error:
        raise StoreError(
            f"could not secure the records of an earlier session in {run.path}: {error.strerror or error}; "
            "free space on that disk or make the folder writable"
        ) from error
    newest = max(sessions, default=None)
    if newest is not None and sessions[newest].stopped_ns is None:
        findings += _broken(newest, [reader for reader in readers if reader.head.session == newest])
    return Recovery(events=tuple(findings), last_ns=_last_ns(sessions, findings))


def _last_ns(sessions: Mapping[int, SessionFacts], findings: list[RecoveryFinding]) -> int | None:
    """Return the latest moment that the sessions so far are known to have reached (UTC ns)."""
    known = [one.facts.boot_ns + one.offset_ns for one in sessions.values()]
    known += [one.stopped_ns for one in sessions.values() if one.stopped_ns is not None]
    known += [
        one.data["last_ns"]
        for one in findings
        if one.kind is EventKind.SESSION_BROKEN and one.data["last_ns"] is not None
    ]
    return max(known, default=None)


def _unreadable(reason: str, name: str) -> RecoveryFinding:
    return RecoveryFinding(
        kind=EventKind.DAMAGE, subject="run", data={"file": name}, text=f"a journal cannot be read: {reason}"
    )


def _close(
    run: RunDir, reader: JournalReader, successor_seq: int | None, disk: Disk
) -> list[RecoveryFinding]:
    """Close one journal unless it is closed; return a finding for each stretch that is lost."""
    if journal.ends_closed(disk, reader.path, reader.head):
        return []
    reader.advance()
    notes = segments.set_aside(run, reader, successor_seq, disk)
    findings = [
        RecoveryFinding(
            kind=EventKind.DAMAGE, subject="run", data=note,
            text=f"{note['journal']}: {note['size']} bytes at offset {note['offset']} are {note['reason']}; "
            f"records from {note['after_seq']} on are lost"
            + (f" up to {note['next_seq'] - 1}" if note["next_seq"] is not None else ""),
        )
        for note in notes
    ]  # fmt: skip
    if successor_seq is not None:
        return findings  # the next journal holds again what was not durable here
    records, _, end = reader.settled(None)
    next_seq = records[-1].seq + 1 if records else reader.head.first_seq
    file = disk.reopen(reader.path)
    try:
        if end < reader.size:
            file.truncate(end)
        for part in journal.ending(next_seq, reader.head.salt):
            file.append(part)
            file.sync()  # with what was read too: perhaps only the process had died, not the machine
    finally:
        file.close()
    return findings


def _broken(session: int, readers: list[JournalReader]) -> list[RecoveryFinding]:
    """Return a finding if a session ended without a recorded stop; ``readers``: its unsealed journals."""
    data: dict[str, Any] = {"session": session, "last_ns": None, "records": None}
    text = f"session {session} ended without a stop"
    if readers:
        newest = readers[-1]
        newest.advance()  # one that was closed has not been read yet
        records = newest.settled(None)[0]
        if any(_kind(frame) is EventKind.SESSION_STOP for frame in records[-64:]):
            return []
        data["records"] = records[-1].seq + 1 if records else newest.head.first_seq
        if records:
            data["last_ns"] = last_ns = journal.stamp(records[-1], newest.head.offset_ns)
            moment = datetime.fromtimestamp(last_ns / 1e9, UTC)
            text += f"; its last record is of {moment:%Y-%m-%d %H:%M:%S} UTC"
    return [RecoveryFinding(kind=EventKind.SESSION_BROKEN, subject="run", text=text, data=data)]


def _kind(frame: journal_frames.JournalFrame) -> EventKind | None:
    if frame.type != journal_frames.FrameType.EVENT:
        return None
    try:
        return journal.parse_event(frame.payload, session=0, seq=0, offset_ns=0).kind
    except ValueError:
        return None
