"""Writer of a run: append, sync, rotate; survives a disk that refuses.

Appending never raises for the disk's sake. What is not yet known to be durable is kept in memory; when
an append or a sync fails, that file is never trusted again: at the next sync a new journal is begun and
everything since the last good sync is written there once more. Events made here say so in the recording.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any
from zlib import crc32

from rig.domain.model import Event, EventKind, Scan
from rig.errors import StoreError
from rig.store import journal, journal_frames, rundir
from rig.store.files import OS_DISK, Disk, File, discard, publish, temporary
from rig.store.journal import JournalFacts
from rig.store.journal_frames import MARKER, FrameType, Head
from rig.store.rundir import RunDir, SessionFacts

HOUR_NS = 3_600_000_000_000
JOURNAL_BYTES = 64 << 20
HELD_BYTES = 64 << 20
CHUNK_BYTES = 1 << 20
RESERVE = "reserve"
RESERVE_BYTES = 1 << 20
RETRY_NS = 1_000_000_000
SCAN = int(FrameType.SCAN)


class RunWriter:
    """Appends scans and events to a run's journals.

    ``synced_seq``: every record numbered below it survives a power cut. ``journals``: numbers of the
    journals this writer has closed. ``fault``: what the disk last refused, '' while it does not.
    The caller holds the run's lock. Not for use by two threads.
    """

    def __init__(
        self,
        run: RunDir,
        *,
        session: int,
        boot_id: str,
        boot_ns: int,
        utc_ns: int,
        synchronised: bool,
        blocks: Sequence[Sequence[str]],
        software: str,
        host: str,
        config: str = "",
        disk: Disk = OS_DISK,
        on_event: Callable[[Event], None] = lambda _event: None,
        journal_bytes: int = JOURNAL_BYTES,
        held_bytes: int = HELD_BYTES,
    ) -> None:
        self._run, self._disk, self._on_event = run, disk, on_event
        self._session = session
        known = rundir.boot_offset(run, boot_id, disk)
        self.offset_ns = utc_ns - boot_ns if known is None else known
        self._facts = JournalFacts(
            boot_id=boot_id, boot_ns=boot_ns, utc_ns=utc_ns, synchronised=synchronised, software=software,
            host=host, config=config, blocks=tuple(tuple(block) for block in blocks),
        )  # fmt: skip
        self._packers = [
            (journal_frames.scan_body(len(b)), len(b), journal_frames.scan_bytes(len(b))) for b in blocks
        ]
        self._journal_bytes, self._held_bytes = journal_bytes, held_bytes
        self._seq = self.synced_seq = 0
        self._unsynced: list[bytes] = []
        self._unsynced_bytes = 0
        self._lost = _UnkeptScans()
        self._file: File | None = None
        self._written: int  # these four are set by _begin
        self._salt: int
        self._mark_due: bool
        self._hour: int
        self._last_ns = boot_ns
        self._retry_at_ns = 0
        self._stopped_ns: int | None = None
        self.fault = ""
        self.path: Path | None = None
        self.journals: list[int] = []
        self._begun = SessionFacts(number=session, offset_ns=self.offset_ns, facts=self._facts)
        rundir.write_session(run, self._begun, disk)
        self._number = rundir.next_journal(run, disk) - 1
        try:
            self._begin(boot_ns)
        except OSError as error:
            raise StoreError(
                f"could not begin a journal in {run.folder('journal')}: {error.strerror or error}; "
                "free space on that disk or make the folder writable"
            ) from error
        self._take_reserve()

    # ---- appending

    def scan(self, scan: Scan) -> None:
        """Append the readings of one exchange. Raises ValueError if they do not fit their block."""
        self.scans((scan,))

    def scans(self, scans: Sequence[Scan]) -> None:
        """Append scans, in order, with one write. Raises ValueError if one does not fit its block."""
        bodies = []
        for scan in scans:
            packer, count, size = self._packers[scan.block]
            if len(scan.statuses) != count or len(scan.values) != count:
                raise ValueError(
                    f"block {scan.block} has {count} channels, the scan {len(scan.values)} values "
                    f"and {len(scan.statuses)} statuses"
                )
            if self._unsynced_bytes > self._held_bytes:
                self._lost.count(scan)
                continue
            bodies.append(packer.pack(
                size, self._seq, SCAN, scan.block, scan.sent_ns, scan.received_ns, *scan.values, scan.statuses
            ))  # fmt: skip
            self._seq += 1
            self._unsynced_bytes += journal_frames.BODY.size + size
        if scans:
            self._last_ns = max(self._last_ns, scans[-1].received_ns)
        self._append(bodies)

    def event(
        self, kind: EventKind, boot_ns: int, subject: str, text: str, data: Mapping[str, Any] | None = None
    ) -> Event:
        """Append an event and return it as a reader will see it. ``boot_ns``: CLOCK_BOOTTIME."""
        payload = journal.event_payload(kind, boot_ns, subject, text, data or {})
        if len(payload) > journal_frames.PAYLOAD_MAX:
            note = {"cut": f"{len(payload)} bytes of data are too many for one event"}
            payload = journal.event_payload(kind, boot_ns, subject[:1000], text[:100_000], note)
        seq = self._seq
        self._seq += 1
        part = journal_frames.body(FrameType.EVENT, seq, payload)
        self._unsynced_bytes += len(part)
        self._last_ns = max(self._last_ns, boot_ns)
        self._append([part])
        if kind is EventKind.SESSION_STOP:
            self._stopped_ns = boot_ns + self.offset_ns
        return journal.parse_event(payload, session=self._session, seq=seq, offset_ns=self.offset_ns)

    def _append(self, bodies: list[bytes]) -> None:
        self._unsynced += bodies
        if self._file is None or not bodies:
            return
        salt = self._salt
        parts = [journal.synced(self.synced_seq, salt)] if self._mark_due else []
        for part in bodies:
            parts += (MARKER, crc32(part, salt).to_bytes(4, "little"), part)
        data = b"".join(parts)
        try:
            self._file.append(data)
        except OSError as error:
            self._fail("append to", error)
            return
        self._mark_due = False
        self._written += len(data)

    # ---- making durable

    def sync(self) -> None:
        """Make everything appended durable, or keep it for the next call; rotate when it is time.

        Whether it went well is in ``synced_seq`` and ``fault``; the recording itself tells of faults.
        """
        if self._file is not None and self._unsynced:
            self._sync_file()
        if self._file is None and self._last_ns >= self._retry_at_ns:
            self._renew()
        if self._file is not None and self._rotation_due():
            self.rotate()

    def rotate(self) -> Path | None:
        """Close the journal and begin the next one; return the closed one, None if the disk refused."""
        closed = self._finish()
        if closed is not None:
            try:
                self._begin(self._last_ns)
            except OSError as error:
                self._fail("begin a journal after", error)
        return closed

    def close(self) -> None:
        """Close the journal. Raises StoreError if records could not be made durable, with their number."""
        for _ in range(2):  # a full disk may take it once the reserve is given up
            if self._file is None:
                self._renew()
            if self._file is not None and self._finish() is not None:
                self._drop_reserve()
                self._note_stop()
                return
        raise StoreError(
            f"{self._seq - self.synced_seq} records of session {self._session} could not be written to "
            f"{self._run.folder('journal')}: {self.fault}"
        )

    def _note_stop(self) -> None:
        """Put a recorded stop into the session's file, where it is found without reading journals."""
        if self._stopped_ns is not None:
            try:
                rundir.write_session(self._run, replace(self._begun, stopped_ns=self._stopped_ns), self._disk)
            except StoreError:
                return  # the stop itself is in the journal

    def _sync_file(self) -> bool:
        assert self._file is not None
        assert self.path is not None
        try:
            self._file.sync()
            if not self._file.is_at(self.path):
                # Deleted, moved away or unmounted: the open file takes everything and nobody will see it.
                raise OSError(errno.ESTALE, "the file is no longer in its place", str(self.path))
        except OSError as error:
            self._fail("sync", error)
            return False
        self._durable(len(self._unsynced), self._unsynced_bytes)
        return True

    def _finish(self) -> Path | None:
        """End the open journal: END, sync, SYNCED, sync."""
        if self._file is None or not self._sync_file():
            return None
        end, mark = journal.ending(self._seq, self._salt)
        try:
            self._file.append(end)
            self._file.sync()
            self._file.append(mark)
            self._file.sync()
        except OSError as error:
            self._fail("close", error)
            return None
        self._file.close()
        self._file = None
        self.journals.append(self._number)
        return self.path

    def _rotation_due(self) -> bool:
        hour = (self._last_ns + self.offset_ns) // HOUR_NS
        return hour != self._hour or self._written >= self._journal_bytes

    def _begin(self, boot_ns: int) -> None:
        """Open the next journal under a temporary name and publish it once its beginning is durable.

        The first piece of what is not durable yet is written before the name is given, so a disk that
        stays full is not littered with empty journals.
        """
        opened_ns = boot_ns + self.offset_ns
        number = self._number + 1
        path = self._run.folder("journal") / journal.name(number)
        head = Head(
            session=self._session, journal=number, salt=int.from_bytes(os.urandom(4), "little"),
            first_seq=self.synced_seq, offset_ns=self.offset_ns, opened_ns=opened_ns,
            run=bytes.fromhex(self._run.id.replace("-", "")),
        )  # fmt: skip
        count, size = self._piece()
        start = journal.beginning(head, self._facts)
        start += b"".join(journal_frames.seal(part, head.salt) for part in self._unsynced[:count])
        part = temporary(path)
        discard(self._disk, part)
        file = self._disk.create(part)
        try:
            file.append(start)
            file.sync()
            self._disk.rename(part, path)
            self._disk.sync_dir(path.parent)
        except OSError:
            file.close()
            discard(self._disk, part)
            raise
        self._file, self.path, self._salt, self._number = file, path, head.salt, number
        self._written = len(start)
        self._hour = opened_ns // HOUR_NS
        self._durable(count, size)

    def _piece(self) -> tuple[int, int]:
        """Return how many of the records in memory make up the next piece, and their bytes."""
        count = size = 0
        while count < len(self._unsynced) and size < CHUNK_BYTES:
            size += len(self._unsynced[count])
            count += 1
        return count, size

    def _durable(self, count: int, size: int) -> None:
        del self._unsynced[:count]
        self._unsynced_bytes -= size
        self.synced_seq += count
        self._mark_due = True

    # ---- when the disk refuses

    def _fail(self, action: str, error: OSError) -> None:
        """Give the journal up; what is not durable is in memory."""
        if self._file is not None:
            try:
                self._file.close()
            except OSError:
                pass  # the descriptor is gone either way
            self._file = None
        reason = error.strerror or str(error)
        if error.errno == errno.ENOSPC:
            self._drop_reserve()
        self._retry_at_ns = self._last_ns  # the next sync may try at once, later ones once a second
        if self.fault:
            self.fault = reason
            return
        self.fault = reason
        assert self.path is not None
        file = self.path.name
        text = f"could not {action} {file}: {reason}; readings are held in memory until the disk accepts them"
        self._say(EventKind.STORE_FAULT, text, {"file": file, "errno": error.errno, "reason": reason})

    def _renew(self) -> None:
        """Begin a new journal and write there, piece by piece, what is not durable."""
        try:
            self._begin(self._last_ns)
        except OSError as error:
            self._fail("begin a journal after", error)
        while self._file is not None and self._unsynced:
            self._write_piece()
        if self._file is None:
            self._retry_at_ns = self._last_ns + RETRY_NS
            return
        self._report_lost()
        back = f"journal {journal.name(self._number)} is written again"
        self._say(EventKind.STORE_BACK, back, {"file": journal.name(self._number), "reason": self.fault})
        if self._file is not None and self._sync_file():
            self.fault = ""
            self._take_reserve()

    def _write_piece(self) -> None:
        assert self._file is not None
        count, size = self._piece()
        data = b"".join(journal_frames.seal(part, self._salt) for part in self._unsynced[:count])
        try:
            self._file.append(data)
            self._file.sync()
        except OSError as error:
            self._fail("append to", error)
            return
        self._written += len(data)
        self._durable(count, size)

    def _report_lost(self) -> None:
        if not self._lost.scans:
            return
        lost, self._lost = self._lost, _UnkeptScans()
        text = f"{lost.readings} readings of {lost.scans} scans lost: disk not writable and memory full"
        data = {"cause": "store", "scans": lost.scans, "readings": lost.readings,
                "from_ns": lost.from_ns, "to_ns": lost.to_ns}  # fmt: skip
        self._say(EventKind.GAP, text, data)

    def _say(self, kind: EventKind, text: str, data: Mapping[str, Any]) -> None:
        self._on_event(self.event(kind, self._last_ns, "run", text, data))

    # ---- the reserve: room that a full disk leaves for the last records

    def _take_reserve(self) -> None:
        path = self._run.path / RESERVE
        try:
            if self._disk.space(self._run.path).free_bytes > 8 * RESERVE_BYTES:
                publish(self._disk, path, bytes(RESERVE_BYTES))
        except (OSError, StoreError):
            discard(self._disk, path)

    def _drop_reserve(self) -> None:
        discard(self._disk, self._run.path / RESERVE)  # one that an earlier session left too


class _UnkeptScans:
    """Counts scans that could not even be kept in memory. Times are CLOCK_BOOTTIME ns."""

    def __init__(self) -> None:
        self.scans = self.readings = self.from_ns = self.to_ns = 0

    def count(self, scan: Scan) -> None:
        """Count one scan."""
        self.from_ns = self.from_ns if self.scans else scan.sent_ns
        self.to_ns = scan.received_ns
        self.scans += 1
        self.readings += len(scan.values)
