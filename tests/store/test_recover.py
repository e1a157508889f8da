import errno
import struct
from pathlib import Path

import pytest

from rig.domain.model import EventKind
from rig.errors import StoreError
from rig.store import rundir
from rig.store.files import OsDisk
from rig.store.reader import RunReader
from rig.store.recover import recover
from rig.store.seal import seal
from tests.store.faulty import FaultyDisk, open_files
from tests.store.powercut import LoggedDisk
from tests.store.rooms import BOOT_NS, UTC_NS, new_run, pair, writer
from tests.store.test_journal_frames import END, SYNCED, frame


def crashed(folder: Path, seconds: int = 20) -> tuple[rundir.RunDir, Path]:
    """Return a run whose only session was killed, and its journal."""
    run = new_run(folder)
    recorder = writer(run)
    recorder.event(EventKind.SESSION_START, BOOT_NS, "run", "begun")
    for k in range(seconds):
        recorder.scans(pair(k))
        recorder.sync()
    assert recorder.path is not None
    return run, recorder.path


def test_a_session_that_was_killed_is_reported_once_and_its_journal_closed(tmp_path: Path) -> None:
    run, path = crashed(tmp_path)
    whole = path.read_bytes()
    (salt,) = struct.unpack_from("<I", whole, 20)
    recovery = recover(run)
    assert [one.kind for one in recovery.events] == [EventKind.SESSION_BROKEN]
    assert recovery.events[0].data == {"session": 1, "last_ns": UTC_NS + 19_120_000_000, "records": 41}
    assert recovery.lines == (
        "session 1 ended without a stop; its last record is of 2026-01-01 00:00:19 UTC",
    )
    assert path.read_bytes() == whole + frame(END, 41, salt=salt) + frame(SYNCED, 41, salt=salt)
    second = writer(run, session=rundir.next_session(run))
    second.event(EventKind.SESSION_STOP, BOOT_NS, "run", "ended")
    second.close()
    assert recover(run).events == ()


def test_a_torn_tail_is_set_aside_cut_off_and_reported(tmp_path: Path) -> None:
    run, path = crashed(tmp_path)
    whole = path.read_bytes()
    path.write_bytes(whole[:-7])
    recovery = recover(run)
    assert [one.kind for one in recovery.events] == [EventKind.DAMAGE, EventKind.SESSION_BROKEN]
    damage = recovery.events[0]
    assert damage.data["reason"] == "torn"
    (aside,) = run.folder("damaged").iterdir()
    assert whole[:-7].endswith(aside.read_bytes())
    assert len(aside.read_bytes()) == damage.data["size"]
    recording = RunReader.open(run.path)
    assert len(recording.series("A1.volts")) == 20
    assert len(recording.series("mains")) == 19
    assert recording.skipped == ()
    assert recover(run).events[0].kind is EventKind.SESSION_BROKEN
    assert len(list(run.folder("damaged").iterdir())) == 1


def test_what_a_crash_left_is_made_durable_before_it_is_said_to_be(tmp_path: Path) -> None:
    run, _ = crashed(tmp_path)
    disk = LoggedDisk(tmp_path)
    recover(run, disk)
    done = [(step.deed, step.data[20] if step.data else 0) for step in disk.steps]
    assert done == [("append", END), ("sync", 0), ("append", SYNCED), ("sync", 0)]


def test_a_journal_with_a_successor_is_left_as_it_is(tmp_path: Path) -> None:
    disk = FaultyDisk()
    run = new_run(tmp_path, disk)
    recorder = writer(run, disk)
    recorder.scans(pair(0))
    disk.refuse = lambda deed, path: (
        errno.EIO if deed == "sync" and path.name == ".j000001.journal.tmp" else 0
    )
    recorder.sync()  # the second journal holds the same records again
    disk.refuse = lambda _deed, _path: 0
    recorder.sync()
    later = writer(run, session=2, boot_ns=BOOT_NS + 60_000_000_000, utc_ns=UTC_NS + 60_000_000_000)
    later.scans(pair(90))
    later.sync()
    first, second, third = sorted(run.folder("journal").iterdir())
    before = first.read_bytes()
    recovery = recover(run)
    assert first.read_bytes() == before
    assert second.read_bytes()[-1] == third.read_bytes()[-1] == SYNCED
    assert [one.kind for one in recovery.events] == [EventKind.SESSION_BROKEN]
    assert RunReader.open(run.path).series("A1.volts").value.tolist() == [0.25, 90.25]


def test_a_recorded_stop_counts_though_the_sessions_file_does_not_know_of_it(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(0))
    recorder.event(EventKind.SESSION_STOP, BOOT_NS, "run", "ended")
    for k in range(1, 32):
        recorder.scans(pair(k))
    recorder.sync()
    assert recover(run).events == ()  # 62 records after the stop: it is among the last 64
    late = new_run(tmp_path, name="late")
    recorder = writer(late)
    recorder.event(EventKind.SESSION_STOP, BOOT_NS, "run", "ended")
    for k in range(33):
        recorder.scans(pair(k))
    recorder.sync()
    assert [one.kind for one in recover(late).events] == [EventKind.SESSION_BROKEN]


def test_a_journal_that_cannot_be_read_is_reported_and_the_others_are_closed(tmp_path: Path) -> None:
    run, path = crashed(tmp_path)
    bad = path.with_name("j000007.journal")
    bad.write_bytes(b"\0" * 300)
    recovery = recover(run)
    assert [one.kind for one in recovery.events] == [EventKind.DAMAGE, EventKind.SESSION_BROKEN]
    assert recovery.events[0].data == {"file": "j000007.journal"}
    assert "136 zero bytes" in recovery.events[0].text
    assert path.read_bytes()[-1] == SYNCED
    assert bad.read_bytes() == b"\0" * 300


def test_a_journal_whose_facts_are_damaged_is_closed_by_those_of_its_session(tmp_path: Path) -> None:
    run, path = crashed(tmp_path)
    raw = bytearray(path.read_bytes())
    raw[170] ^= 1
    path.write_bytes(raw)
    kinds = [one.kind for one in recover(run).events]
    assert kinds[-1] is EventKind.SESSION_BROKEN
    assert len(RunReader.open(run.path).series("A1.volts")) == 20


def test_damage_in_the_middle_is_reported_with_the_records_it_cost(tmp_path: Path) -> None:
    run, path = crashed(tmp_path)
    raw = bytearray(path.read_bytes())
    at = raw.index(b"\xf5rf\x1a", len(raw) // 2)
    while raw[at + 20] != 2:  # the next scan
        at = raw.index(b"\xf5rf\x1a", at + 1)
    (seq,) = struct.unpack_from("<Q", raw, at + 12)
    raw[at + 25] ^= 1
    path.write_bytes(raw)
    damage, broken = recover(run).events
    assert (damage.kind, broken.kind) == (EventKind.DAMAGE, EventKind.SESSION_BROKEN)
    assert damage.text.endswith(f"at offset {at} are damaged; records from {seq} on are lost up to {seq}")
    assert (damage.data["after_seq"], damage.data["next_seq"]) == (seq, seq + 1)


def test_a_session_without_a_journal_is_reported_with_what_is_known(tmp_path: Path) -> None:
    run, path = crashed(tmp_path)
    path.unlink()
    [broken] = recover(run).events
    assert broken.text == "session 1 ended without a stop"
    assert broken.data == {"session": 1, "last_ns": None, "records": None}
    assert recover(run).last_ns == UTC_NS


def test_a_session_that_stopped_cleanly_leaves_nothing_to_report(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.event(EventKind.SESSION_STOP, BOOT_NS, "run", "ended")
    recorder.close()
    assert recover(run).events == ()


def test_the_latest_moment_of_earlier_sessions_is_known_after_stop_and_crash(tmp_path: Path) -> None:
    assert recover(new_run(tmp_path, name="fresh")).last_ns is None
    run, _ = crashed(tmp_path)
    assert recover(run).last_ns == UTC_NS + 19_120_000_000  # the last reply came 0.12 s after second 19
    second = writer(run, session=2)
    second.event(EventKind.SESSION_STOP, BOOT_NS + 60_000_000_000, "run", "ended")
    second.close()
    assert recover(run).last_ns == UTC_NS + 60_000_000_000


class CountingDisk(OsDisk):
    """The ordinary disk, which counts the bytes that are read."""

    def __init__(self) -> None:
        self.bytes_read = 0

    def read(self, path: Path, offset: int = 0, size: int = -1) -> bytes:
        data = super().read(path, offset, size)
        self.bytes_read += len(data)
        return data


def test_journals_that_were_closed_are_not_read_again_however_many_wait_for_sealing(tmp_path: Path) -> None:
    """A start must not take longer because sealing has not worked for weeks."""
    run = new_run(tmp_path)
    recorder = writer(run)
    for k in range(12):
        recorder.scans([one for n in range(200) for one in pair(200 * k + n)])
        recorder.sync()
        recorder.rotate()
    stored = sum(path.stat().st_size for path in run.folder("journal").iterdir())
    disk = CountingDisk()
    assert [one.kind for one in recover(run, disk).events] == [EventKind.SESSION_BROKEN]
    assert 0 < disk.bytes_read < stored / 10


def test_a_copy_that_lacks_the_empty_folders_can_be_gone_on_with(tmp_path: Path) -> None:
    run, _ = crashed(tmp_path)
    recover(run)
    empty = [path for path in run.path.iterdir() if path.is_dir() and not any(path.iterdir())]
    assert {path.name for path in empty} >= {"inbox", "readings", "sealed"}
    for path in empty:
        path.rmdir()
    recover(run)
    assert all(path.is_dir() for path in empty)
    second = writer(run, session=rundir.next_session(run))
    second.event(EventKind.SESSION_STOP, BOOT_NS, "run", "ended")
    second.close()
    assert seal(run, finish=True).wrong == ()
    assert len(RunReader.open(run.path).series("A1.volts")) == 20


def test_what_the_daemon_left_unfinished_is_cleared_and_what_sealing_left_is_not(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    folders = [run.path, *(run.folder(name) for name in rundir.FOLDERS)]
    for folder in folders:
        (folder / ".x.tmp").touch()
    recover(run)
    left = {folder.name for folder in folders if (folder / ".x.tmp").exists()}
    assert left == {"readings", "events", "sealed", "inbox", "summary"}


def test_missing_folders_are_made_and_are_durable(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    for name in ("summary", "inbox"):
        run.folder(name).rmdir()
    disk = LoggedDisk(run.path)
    recover(run, disk)
    assert [(step.deed, step.path) for step in disk.steps] == [
        ("mkdir", "inbox"), ("mkdir", "summary"), ("sync_dir", ".")
    ]  # fmt: skip
    disk.steps.clear()
    recover(run, disk)
    assert disk.steps == []


def test_a_disk_that_refuses_is_an_error_that_says_what_could_not_be_made_safe(tmp_path: Path) -> None:
    run, _ = crashed(tmp_path)
    disk = FaultyDisk()
    before = open_files()
    disk.refuse = lambda deed, _path: errno.EROFS if deed == "append" else 0
    with pytest.raises(StoreError, match=r"could not secure the records of an earlier session .*: Read-only"):
        recover(run, disk)
    assert open_files() == before
    run.folder("inbox").rmdir()
    disk.refuse = lambda deed, _path: errno.EROFS if deed == "sync_dir" else 0
    with pytest.raises(StoreError, match=r"could not make the folders of .*: Read-only file system; make it"):
        recover(run, disk)
    assert recover(run).events


def test_a_session_whose_newest_journal_is_empty_has_as_many_records_as_the_others(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(0))
    recorder.rotate()
    [broken] = recover(run).events
    assert broken.data == {"session": 1, "last_ns": None, "records": 2}
    assert broken.text == "session 1 ended without a stop"
    path = run.folder("journal") / "j000002.journal"
    assert path.read_bytes()[-1] == SYNCED
    (seq,) = struct.unpack_from("<Q", path.read_bytes(), path.stat().st_size - 9)
    assert seq == 2


def test_only_the_newest_session_is_told_to_be_broken(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    for session in (1, 2):
        recorder = writer(run, session=session)
        recorder.scans(pair(100 * session))
        recorder.sync()
    [broken] = recover(run).events
    assert broken.data == {"session": 2, "last_ns": UTC_NS + 200_120_000_000, "records": 2}
