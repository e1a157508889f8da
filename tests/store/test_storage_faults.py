"""A disk that refuses: nothing that was recorded is lost, and the recording says what happened."""

from __future__ import annotations

import errno
import shutil
from pathlib import Path

import pytest

from rig.domain.model import Event, EventKind
from rig.errors import StoreError
from rig.store import journal
from rig.store.files import temporary
from rig.store.reader import RunReader
from rig.store.seal import seal
from rig.store.writer import RESERVE, RESERVE_BYTES
from tests.store.faulty import FaultyDisk, Refusal
from tests.store.rooms import BOOT_NS, new_run, pair, scan, writer


def kinds(run: Path) -> list[EventKind]:
    return [event.kind for event in RunReader.open(run).events()]


def test_after_a_failed_sync_everything_since_the_last_good_one_is_in_a_new_journal(tmp_path: Path) -> None:
    disk = FaultyDisk()
    run = new_run(tmp_path)
    told: list[Event] = []
    recorder = writer(run, disk, on_event=told.append)
    recorder.scans(pair(0))
    recorder.sync()
    recorder.scans(pair(1))
    recorder.scans(pair(2))
    failures = [errno.EIO]
    disk.refuse = lambda deed, _path: failures.pop() if deed == "sync" and failures else 0
    recorder.sync()
    assert recorder.fault == ""
    assert recorder.path is not None
    assert recorder.path.name == journal.name(2)
    first_file = temporary(run.folder("journal") / journal.name(1)).name
    assert [deed for deed, name in disk.deeds if name == first_file][-1] == "sync"
    recorder.scans(pair(3))
    recorder.close()
    # What the kernel did with the pages whose sync failed is unknown: the first journal loses them here.
    first = run.folder("journal") / journal.name(1)
    reader = journal.JournalReader(first, disk)
    reader.advance()
    cut = next(frame.offset for frame in reader.frames if frame.seq == 2 and frame.payload)
    raw = first.read_bytes()
    for damage in (raw, raw[:cut], raw[:cut] + bytes(len(raw) - cut)):
        first.write_bytes(damage)
        assert RunReader.open(run.path).series("A1.volts").value.tolist() == [0.25, 1.25, 2.25, 3.25]
        assert kinds(run.path) == [EventKind.STORE_FAULT, EventKind.STORE_BACK]
        assert RunReader.open(run.path).skipped == ()
    assert [event.kind for event in told] == [EventKind.STORE_FAULT, EventKind.STORE_BACK]
    assert "could not sync j000001.journal: Input/output error" in told[0].text
    seal(run, finish=True)
    assert RunReader.open(run.path).series("A1.volts").value.tolist() == [0.25, 1.25, 2.25, 3.25]


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EIO, errno.ESTALE, errno.EDQUOT])
def test_while_the_disk_refuses_records_wait_in_memory_and_then_go_on_without_a_gap(
    tmp_path: Path, number: int
) -> None:
    disk = FaultyDisk()
    run = new_run(tmp_path)
    recorder = writer(run, disk)
    for k in range(40):
        if k == 5:
            disk.refuse = lambda _deed, _path: number
        if k == 30:
            disk.refuse = lambda _deed, _path: 0
        recorder.scans(pair(k))
        recorder.sync()
        assert bool(recorder.fault) == (5 <= k < 30)
    recorder.close()
    recording = RunReader.open(run.path)
    assert recording.series("A1.volts").value.tolist() == [k + 0.25 for k in range(40)]
    assert recording.series("mains").value.tolist() == [1000.0 + k for k in range(40)]
    assert kinds(run.path) == [EventKind.STORE_FAULT, EventKind.STORE_BACK]
    assert recording.skipped == ()
    assert [path.name for path in sorted(run.folder("journal").iterdir())] == [
        journal.name(1),
        journal.name(2),
    ]


def test_a_refusing_disk_is_tried_again_once_a_second_at_most(tmp_path: Path) -> None:
    disk = FaultyDisk()
    recorder = writer(new_run(tmp_path), disk)
    disk.refuse = lambda _deed, _path: errno.EIO
    disk.deeds.clear()
    for k in range(100):
        recorder.scan(scan(0, k / 10, (1.0, 2.0)))
        recorder.sync()
    tries = sum(deed == "create" for deed, _ in disk.deeds)
    assert 8 <= tries <= 12


def test_a_disk_that_fills_again_while_catching_up_is_not_tried_without_pause(tmp_path: Path) -> None:
    disk = FaultyDisk()
    run = new_run(tmp_path)
    recorder = writer(run, disk)
    disk.refuse = lambda _deed, _path: errno.ENOSPC
    big = "x" * 700_000
    for k in range(6):
        recorder.event(EventKind.NOTE, BOOT_NS + k, "run", big)
    recorder.sync()
    # Two pieces of a megabyte fit, then the disk is full once more.
    fits = [0, 0]
    disk.refuse = lambda deed, _path: (fits.pop() if fits else errno.ENOSPC) if deed == "append" else 0
    for k in range(100):
        recorder.scan(scan(0, 2 + k / 10, (1.0, 2.0)))
        recorder.sync()
    assert 2 <= recorder.synced_seq < 6
    assert sum(deed == "create" for deed, _ in disk.deeds) < 20
    disk.refuse = lambda _deed, _path: 0
    recorder.close()
    texts = [event.text for event in RunReader.open(run.path).events() if event.kind is EventKind.NOTE]
    assert texts == [big] * 6
    assert len(RunReader.open(run.path).series("A1.volts")) == 100


def test_when_memory_is_full_too_the_loss_is_counted_in_the_recording(tmp_path: Path) -> None:
    disk = FaultyDisk()
    run = new_run(tmp_path)
    recorder = writer(run, disk, held_bytes=1000)
    disk.refuse = lambda _deed, _path: errno.ENOSPC
    for k in range(100):
        recorder.scans(pair(k))
        recorder.sync()
    disk.refuse = lambda _deed, _path: 0
    recorder.scans(pair(100))
    recorder.sync()
    recorder.scans(pair(101))
    recorder.close()
    recording = RunReader.open(run.path)
    volts = recording.series("A1.volts").value.tolist()
    mains = recording.series("mains").value.tolist()
    assert volts[:5] == [k + 0.25 for k in range(5)]
    assert volts[-1] == 101.25
    (gap,) = [event for event in recording.events() if event.kind is EventKind.GAP]
    assert gap.data["readings"] == 102 * 5 - 2 * len(volts) - 3 * len(mains)
    assert gap.data["readings"] > 400
    assert gap.data["from_ns"] < gap.data["to_ns"]
    assert kinds(run.path) == [EventKind.STORE_FAULT, EventKind.GAP, EventKind.STORE_BACK]


def test_closing_while_the_disk_refuses_says_how_many_records_are_lost(tmp_path: Path) -> None:
    disk = FaultyDisk()
    recorder = writer(new_run(tmp_path), disk)
    recorder.scans(pair(0))
    disk.refuse = lambda _deed, _path: errno.ENOSPC
    with pytest.raises(StoreError, match=r"3 records of session 1 could not be written .*No space left"):
        recorder.close()


def test_a_disk_that_refuses_from_the_start_is_an_error_at_once(tmp_path: Path) -> None:
    disk = FaultyDisk()
    run = new_run(tmp_path)
    disk.refuse = lambda deed, path: errno.EROFS if deed == "create" and "journal" in path.name else 0
    with pytest.raises(StoreError, match=r"could not begin a journal in .*journal: Read-only file system"):
        writer(run, disk)
    disk.refuse = lambda _deed, _path: errno.EACCES
    with pytest.raises(StoreError, match=r"could not write .*s0001\.json .*Permission denied"):
        writer(run, disk)


def test_a_journal_is_not_sealed_where_sealing_might_take_its_room(tmp_path: Path) -> None:
    disk = FaultyDisk()
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(0))
    recorder.close()
    disk.free_bytes = 100
    outcome = seal(run, disk=disk)
    assert outcome.sealed == ()
    assert "not sealed: 100 bytes free" in outcome.wrong[0]
    assert len(RunReader.open(run.path).series("mains")) == 1


def test_a_folder_that_vanishes_is_noticed_at_the_next_sync_and_costs_nothing_once_it_is_back(
    tmp_path: Path,
) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    away = tmp_path / "away"
    for k in range(12):
        if k == 3:
            run.path.rename(away)
        if k == 8:
            away.rename(run.path)
        recorder.scans(pair(k))
        recorder.sync()
        assert bool(recorder.fault) == (3 <= k < 8)
    recorder.close()
    recording = RunReader.open(run.path)
    assert recording.series("mains").value.tolist() == [1000.0 + k for k in range(12)]
    assert kinds(run.path) == [EventKind.STORE_FAULT, EventKind.STORE_BACK]
    assert recording.skipped == ()


def test_a_run_deleted_while_it_is_recorded_is_an_error_at_the_end(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(0))
    recorder.sync()
    shutil.rmtree(run.path)
    recorder.scans(pair(1))
    recorder.sync()
    assert recorder.fault == "No such file or directory"
    with pytest.raises(StoreError, match=r"3 records of session 1 could not be written"):
        recorder.close()


def full_for(deed: str) -> Refusal:
    return lambda asked, _path: errno.ENOSPC if asked == deed else 0


def test_sealing_on_a_disk_that_refuses_leaves_the_journals_as_they_are(tmp_path: Path) -> None:
    disk = FaultyDisk()
    run = new_run(tmp_path)
    recorder = writer(run)
    for k in range(9):
        recorder.scans(pair(k))
    recorder.close()
    for deed in ("create", "append", "sync", "rename", "sync_dir"):
        disk.refuse = full_for(deed)
        outcome = seal(run, disk=disk)
        assert outcome.sealed == ()
        assert len(outcome.wrong) == 1
        assert "No space left" in outcome.wrong[0]
        assert (run.folder("journal") / journal.name(1)).exists()
        assert len(RunReader.open(run.path).series("mains")) == 9
    disk.refuse = lambda _deed, _path: 0
    seal(run, disk=disk)
    assert len(RunReader.open(run.path).series("mains")) == 9
    assert list(run.folder("journal").iterdir()) == []


@pytest.mark.slow
def test_a_disk_that_is_really_full_costs_no_reading_once_there_is_room_again(small_disk: Path) -> None:
    run = new_run(small_disk)
    recorder = writer(run)
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(2 << 20))
    assert not (run.path / RESERVE).exists()
    sent = 0
    while not recorder.fault:
        recorder.scans([scan(0, sent + k, (sent + k, 0.0)) for k in range(200)])
        sent += 200
        recorder.sync()
    for _ in range(50):
        recorder.scans([scan(0, sent + k, (sent + k, 0.0)) for k in range(200)])
        sent += 200
        recorder.sync()
    assert recorder.fault == "No space left on device"
    ballast.unlink()
    recorder.scan(scan(0, sent, (sent, 0.0)))
    recorder.close()
    assert RunReader.open(run.path).series("A1.volts").value.tolist() == list(range(sent + 1))


def test_the_reserve_lets_the_last_records_be_written(tmp_path: Path) -> None:
    disk = FaultyDisk()
    run = new_run(tmp_path)
    recorder = writer(run, disk)
    reserve = run.path / RESERVE
    assert reserve.stat().st_size == RESERVE_BYTES
    disk.free_bytes = RESERVE_BYTES
    disk.refuse = lambda deed, path: errno.ENOSPC if deed == "append" and reserve.exists() else 0
    recorder.scans(pair(0))
    recorder.event(EventKind.LIMIT_OUT, 0, "mains", "out")
    assert not reserve.exists()
    recorder.sync()
    assert recorder.fault == ""
    assert len(RunReader.open(run.path).series("mains")) == 1
    assert kinds(run.path) == [EventKind.STORE_FAULT, EventKind.LIMIT_OUT, EventKind.STORE_BACK]
    recorder.close()
    assert not reserve.exists()
