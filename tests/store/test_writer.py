import errno
import os
import struct
from pathlib import Path

import numpy as np
import pytest

from rig.domain.model import Event, EventKind
from rig.errors import StoreError
from rig.store.reader import RunReader
from rig.store.rundir import read_sessions
from rig.store.tail import Tail
from rig.store.writer import RunWriter
from tests.store.faulty import FaultyDisk, open_files, refusal_of
from tests.store.powercut import LoggedDisk
from tests.store.rooms import BOOT_NS, SECOND, UTC_NS, new_run, pair, scan, writer


def test_what_is_appended_is_read_back_in_order(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.event(EventKind.SESSION_START, BOOT_NS, "run", "begun", {"why": "test"})
    for k in range(100):
        recorder.scans(pair(k))
    recorder.close()
    recording = RunReader.open(run.path)
    series = recording.series("A1.amps")
    assert series.value.tolist() == [k + 0.5 for k in range(100)]
    assert series.t_ns.tolist() == [UTC_NS + k * SECOND + 10_000_000 for k in range(100)]
    assert set(series.h_ns.tolist()) == {10_000_000}
    assert set(series.session.tolist()) == {1}
    assert [event.text for event in recording.events()] == ["begun"]
    assert recording.skipped == ()


def test_a_scan_that_does_not_fit_its_block_is_refused(tmp_path: Path) -> None:
    recorder = writer(new_run(tmp_path))
    with pytest.raises(ValueError, match="block 0 has 2 channels, the scan 3 values"):
        recorder.scan(scan(0, 0.0, (1.0, 2.0, 3.0)))
    with pytest.raises(ValueError, match="1 statuses"):
        recorder.scan(scan(0, 0.0, (1.0, 2.0), b"\0"))


def test_a_tail_sees_each_record_once_while_it_is_written_and_across_rotation(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run, journal_bytes=2000)
    tail = Tail(run.path)
    seen: list[tuple[int, float]] = []
    for k in range(60):
        recorder.scans(pair(k))
        if k % 3 == 0:
            recorder.sync()
        seen += [(one.seq, one.values[0]) for one in tail.poll().scans]
    recorder.close()
    update = tail.poll()
    seen += [(one.seq, one.values[0]) for one in update.scans]
    assert len(recorder.journals) > 3
    assert [seq for seq, _ in seen] == list(range(120))
    assert [value for _, value in seen] == [v for k in range(60) for v in (k + 0.25, float(k))]
    assert update.missed == ()


def test_the_journal_rotates_when_the_utc_hour_ends(tmp_path: Path) -> None:
    recorder = writer(new_run(tmp_path))
    for minute in range(0, 180, 10):
        recorder.scan(scan(0, minute * 60 + 1, (1.0, 2.0)))
        recorder.sync()
    assert recorder.journals == [1, 2]


def test_sessions_of_one_boot_share_one_time_line_whatever_the_wall_clock_does(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    first = writer(run)
    first.scans(pair(0))
    first.close()
    second = writer(run, session=2, boot_ns=BOOT_NS + 100 * SECOND, utc_ns=UTC_NS - 3600 * SECOND)
    second.scans(pair(200))
    second.close()
    other_boot = writer(run, session=3, boot_id="boot-b", boot_ns=BOOT_NS, utc_ns=UTC_NS + 7 * SECOND)
    other_boot.scans(pair(300))
    other_boot.close()
    stamps = RunReader.open(run.path).series("mains").t_ns
    assert np.diff(stamps).tolist() == [200 * SECOND, 107 * SECOND]


# ---- when a journal ends, and in which order (FORMAT.md, "Frame": END, a sync, SYNCED, a sync)


def ending(disk: LoggedDisk) -> list[str]:
    """What was done last to a journal, in order: the type of each frame appended alone, and each sync."""
    words = {4: "SYNCED", 5: "END"}
    said = []
    for step in disk.steps:
        if step.deed == "append" and len(step.data) == 21:
            said.append(words.get(step.data[20], "frame"))
        elif step.deed in {"append", "sync"}:
            said.append(step.deed)
    return said


def test_a_journal_is_closed_by_end_a_sync_synced_and_a_sync(tmp_path: Path) -> None:
    disk = LoggedDisk(tmp_path)
    recorder = writer(new_run(tmp_path, disk), disk)
    recorder.scans(pair(0))
    disk.steps.clear()
    recorder.close()
    assert ending(disk) == ["sync", "END", "sync", "SYNCED", "sync"]


def test_a_sync_makes_durable_first_and_says_so_with_the_next_records(tmp_path: Path) -> None:
    disk = LoggedDisk(tmp_path)
    recorder = writer(new_run(tmp_path, disk), disk)
    recorder.scans(pair(0))
    assert recorder.synced_seq == 0
    disk.steps.clear()
    recorder.sync()
    assert ending(disk) == ["sync"]
    assert recorder.synced_seq == 2
    recorder.scans(pair(1))
    [appended] = [step.data for step in disk.steps if step.deed == "append"]
    assert (appended[20], struct.unpack_from("<Q", appended, 12)[0]) == (4, 2)  # SYNCED, up to record 2
    recorder.scans(pair(2))
    assert disk.steps[-1].data[20] == 2  # a scan: nothing new is known to be durable
    disk.steps.clear()
    recorder.sync()
    recorder.sync()
    assert ending(disk) == ["sync"]  # the second has nothing to do


def test_a_new_journal_is_published_once_its_beginning_is_durable(tmp_path: Path) -> None:
    disk = LoggedDisk(tmp_path)
    run = new_run(tmp_path, disk)
    recorder = writer(run, disk)
    recorder.scans(pair(0))
    disk.steps.clear()
    recorder.rotate()
    deeds = [(step.deed, Path(step.to or step.path).name) for step in disk.steps]
    begin = deeds.index(("create", ".j000002.journal.tmp"))
    assert deeds[begin + 1 :] == [
        ("append", ""), ("sync", ""), ("rename", "j000002.journal"), ("sync_dir", "journal")
    ]  # fmt: skip


@pytest.mark.parametrize(("second", "journals"), [(3599.97, []), (3600.0, [1])])
def test_a_journal_ends_with_the_utc_hour_to_the_second(
    tmp_path: Path, second: float, journals: list[int]
) -> None:
    recorder = writer(new_run(tmp_path))
    recorder.scan(scan(0, 10, (1.0, 2.0)))
    recorder.sync()
    recorder.scan(scan(0, second, (1.0, 2.0)))
    recorder.sync()
    assert recorder.journals == journals


@pytest.mark.parametrize(("mebibytes", "journals"), [(63, []), (65, [1])])
def test_a_journal_ends_at_sixty_four_mebibytes(tmp_path: Path, mebibytes: int, journals: list[int]) -> None:
    recorder = writer(new_run(tmp_path))
    for _ in range(mebibytes):
        recorder.event(EventKind.NOTE, BOOT_NS, "run", "x" * ((1 << 20) - 100), {})
    recorder.sync()
    assert recorder.journals == journals


@pytest.mark.parametrize(("spare", "cut"), [(0, False), (1, True)])
def test_an_event_of_more_than_a_mebibyte_is_cut_and_says_so(tmp_path: Path, spare: int, cut: bool) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    frame_of_it = len('{"kind":"note","subject":"run","text":"","data":{}}') + 8
    event = recorder.event(EventKind.NOTE, BOOT_NS, "run", "x" * ((1 << 20) - frame_of_it + spare), {})
    recorder.close()
    assert ("cut" in event.data) is cut
    [stored] = RunReader.open(run.path).events()
    assert (stored.text, stored.data) == (event.text, event.data)
    assert len(stored.text) == (100_000 if cut else (1 << 20) - frame_of_it)


# ---- a disk that refuses


def refusing(disk: FaultyDisk, deed: str) -> None:
    disk.refuse = lambda done, path: errno.EIO if done == deed and path.suffix in {".journal", ".tmp"} else 0


def test_a_refused_sync_is_reported_once_and_everything_comes_again_in_a_new_journal(tmp_path: Path) -> None:
    disk = FaultyDisk()
    reported: list[Event] = []
    run = new_run(tmp_path, disk)
    recorder = writer(run, disk, on_event=reported.append)
    recorder.scans(pair(0))
    refusing(disk, "sync")
    for k in range(1, 5):
        recorder.sync()
        recorder.scans(pair(k))
    assert recorder.synced_seq == 0
    assert [event.kind for event in reported] == [EventKind.STORE_FAULT]
    assert reported[0].data == {
        "file": "j000001.journal",
        "errno": errno.EIO,
        "reason": os.strerror(errno.EIO),
    }
    assert "readings are held in memory until the disk accepts them" in reported[0].text
    disk.refuse = lambda _deed, _path: 0
    recorder.scans(pair(10))
    recorder.sync()
    assert recorder.fault == ""
    assert [event.kind for event in reported] == [EventKind.STORE_FAULT, EventKind.STORE_BACK]
    recorder.close()
    assert RunReader.open(run.path).series("A1.volts").value.tolist() == [
        k + 0.25 for k in (0, 1, 2, 3, 4, 10)
    ]


@pytest.mark.parametrize(("later_s", "tried"), [(0.9, False), (1.1, True)])
def test_a_disk_that_refuses_is_asked_again_after_a_second_of_readings(
    tmp_path: Path, later_s: float, tried: bool
) -> None:
    disk = FaultyDisk()
    recorder = writer(new_run(tmp_path, disk), disk)
    recorder.scan(scan(0, 100.0, (1.0, 2.0)))
    refusing(disk, "sync")
    recorder.sync()  # fails, and fails again at once
    disk.refuse = lambda _deed, _path: 0
    recorder.scan(scan(0, 100.0 + later_s, (1.0, 2.0)))
    recorder.sync()
    assert (recorder.fault == "") is tried


def test_while_the_disk_refuses_there_is_nothing_to_rotate(tmp_path: Path) -> None:
    disk = FaultyDisk()
    recorder = writer(new_run(tmp_path, disk), disk)
    refusing(disk, "sync")
    recorder.scans(pair(0))
    recorder.sync()
    assert recorder.rotate() is None
    assert recorder.journals == []


def test_readings_that_do_not_fit_into_memory_either_are_counted_and_reported(tmp_path: Path) -> None:
    disk = FaultyDisk()
    reported: list[Event] = []
    run = new_run(tmp_path, disk)
    recorder = writer(run, disk, on_event=reported.append, held_bytes=600)
    refusing(disk, "append")
    for k in range(10):
        recorder.scan(scan(0, k, (k, k)))
    held = recorder._seq - 1  # the fault itself is an event
    disk.refuse = lambda _deed, _path: 0
    recorder.scan(scan(0, 20, (20, 20)))
    recorder.sync()
    recorder.close()
    [gap] = [event for event in reported if event.kind is EventKind.GAP]
    lost = [*range(held, 10), 20]
    assert gap.data == {
        "cause": "store", "scans": len(lost), "readings": 2 * len(lost),
        "from_ns": BOOT_NS + held * SECOND, "to_ns": BOOT_NS + 20 * SECOND + 20_000_000,
    }  # fmt: skip
    assert 1 < held < 9
    assert RunReader.open(run.path).series("A1.volts").value.tolist() == [float(k) for k in range(held)]


@pytest.mark.parametrize(("mebibytes", "kept"), [(63, True), (65, False)])
def test_sixty_four_mebibytes_are_held_in_memory(tmp_path: Path, mebibytes: int, kept: bool) -> None:
    disk = FaultyDisk()
    reported: list[Event] = []
    recorder = writer(new_run(tmp_path, disk), disk, on_event=reported.append)
    refusing(disk, "append")
    for _ in range(mebibytes):
        recorder.event(EventKind.NOTE, BOOT_NS, "run", "x" * ((1 << 20) - 100), {})
    recorder.scan(scan(0, 1, (1.0, 2.0)))
    disk.refuse = lambda _deed, _path: 0
    recorder.scan(scan(0, 3, (1.0, 2.0)))
    recorder.sync()
    assert (EventKind.GAP not in {event.kind for event in reported}) is kept


def test_what_is_held_is_written_again_in_pieces_of_a_mebibyte(tmp_path: Path) -> None:
    disk = FaultyDisk()
    recorder = writer(new_run(tmp_path, disk), disk)
    refusing(disk, "append")
    for _ in range(40):
        recorder.event(EventKind.NOTE, BOOT_NS, "run", "x" * 100_000, {})  # eleven are more than a mebibyte
    disk.refuse = lambda _deed, _path: 0
    disk.deeds.clear()
    recorder.scan(scan(0, 3, (1.0, 2.0)))
    recorder.sync()
    syncs = [deed for deed, name in disk.deeds if deed == "sync" and "journal" in name]
    # of 42 records eleven with the beginning, eleven, eleven and nine; and one sync for the news of it
    assert len(syncs) == 5


def test_a_close_that_the_disk_refuses_says_how_many_records_are_lost(tmp_path: Path) -> None:
    disk = FaultyDisk()
    recorder = writer(new_run(tmp_path, disk), disk)
    recorder.scans(pair(0))
    recorder.sync()
    recorder.scans(pair(1))
    refusing(disk, "sync")
    with pytest.raises(StoreError, match=r"^3 records of session 1 could not be written to .*journal: "):
        recorder.close()  # two scans and the news of the refusal


@pytest.mark.parametrize(("free_mebibytes", "held"), [(8, False), (9, True)])
def test_a_mebibyte_is_reserved_where_more_than_eight_are_free_and_given_back_at_the_end(
    tmp_path: Path, free_mebibytes: int, held: bool
) -> None:
    disk = FaultyDisk()
    disk.free_bytes = free_mebibytes << 20
    run = new_run(tmp_path, disk)
    recorder = writer(run, disk)
    reserve = run.path / "reserve"
    assert reserve.exists() is held
    if held:
        assert reserve.stat().st_size == 1 << 20
    recorder.close()
    assert not reserve.exists()


def test_a_recorded_stop_is_put_into_the_sessions_file(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.event(EventKind.SESSION_STOP, BOOT_NS + 5 * SECOND, "run", "ended")
    assert read_sessions(run)[1].stopped_ns is None
    recorder.close()
    assert read_sessions(run)[1].stopped_ns == UTC_NS + 5 * SECOND
    second = writer(run, session=2)
    second.scans(pair(9))
    second.close()
    assert read_sessions(run)[2].stopped_ns is None


# ---- what is counted, to the byte and to the scan


def test_an_empty_batch_is_nothing_and_a_full_one_reaches_to_its_last_scan(tmp_path: Path) -> None:
    recorder = writer(new_run(tmp_path))
    recorder.scans([])
    recorder.scans([scan(0, 10, (1.0, 2.0)), scan(0, 3600, (1.0, 2.0))])
    recorder.sync()
    assert recorder.journals == [1]
    assert recorder.synced_seq == 2


def test_what_is_stamped_earlier_takes_no_hour_back(tmp_path: Path) -> None:
    recorder = writer(new_run(tmp_path))
    recorder.scan(scan(0, 3601, (1.0, 2.0)))
    recorder.sync()
    recorder.event(EventKind.NOTE, BOOT_NS, "run", "late news")
    recorder.scan(scan(0, 3500, (1.0, 2.0)))
    recorder.sync()
    assert recorder.journals == [1]


def test_a_rotation_gives_the_journal_that_it_closed(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    assert recorder.path == run.folder("journal") / "j000001.journal"
    assert recorder.rotate() == run.folder("journal") / "j000001.journal"
    assert recorder.path == run.folder("journal") / "j000002.journal"


@pytest.mark.parametrize(("spare", "journals"), [(0, [1]), (1, [])])
def test_every_byte_of_a_journal_counts_towards_its_end(
    tmp_path: Path, spare: int, journals: list[int]
) -> None:
    def filled(recorder: RunWriter) -> RunWriter:
        for k in range(3):
            recorder.scans(pair(k))
            recorder.event(EventKind.NOTE, BOOT_NS, "run", "x")
            if k < 2:
                recorder.sync()
        return recorder

    trial = filled(writer(new_run(tmp_path, name="trial")))
    assert trial.path is not None
    size = trial.path.stat().st_size
    recorder = filled(writer(new_run(tmp_path), journal_bytes=size + spare))
    recorder.sync()
    assert recorder.journals == journals


@pytest.mark.parametrize(("spare", "journals"), [(0, [2]), (1, [])])
def test_what_is_written_again_counts_towards_the_end_of_the_new_journal(
    tmp_path: Path, spare: int, journals: list[int]
) -> None:
    def again(name: str, journal_bytes: int) -> RunWriter:
        disk = FaultyDisk()
        recorder = writer(new_run(tmp_path, disk, name), disk, journal_bytes=journal_bytes)
        for _ in range(30):
            recorder.event(EventKind.NOTE, BOOT_NS, "run", "x" * 100_000)  # more than one piece
        refused = [errno.EIO]
        disk.refuse = lambda deed, _path: refused.pop() if deed == "sync" and refused else 0
        recorder.sync()
        return recorder

    trial = again("trial", 64 << 20)
    assert trial.path is not None
    assert again("hot-room", trial.path.stat().st_size + spare).journals == journals


def test_memory_takes_what_it_is_given_and_one_more_scan(tmp_path: Path) -> None:
    one = 13 + 2 + 8 + 8 + 2 * 8 + 2  # FORMAT.md, "Frame" without marker and CRC, and "SCAN" of two channels
    run = new_run(tmp_path)
    recorder = writer(run, held_bytes=3 * one)
    for _ in range(2):  # the room comes back with each sync, all of it
        for k in range(6):
            recorder.scan(scan(0, k, (k, k)))
        recorder.sync()
    recorder.close()
    assert RunReader.open(run.path).series("A1.volts").value.tolist() == [0, 1, 2, 3] * 2


def test_events_count_in_memory_as_scans_do(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run, held_bytes=2000)
    recorder.event(EventKind.NOTE, BOOT_NS, "run", "x" * 2000)
    recorder.scan(scan(0, 1, (1.0, 1.0)))
    recorder.sync()
    recorder.scan(scan(0, 2, (2.0, 2.0)))
    recorder.close()
    assert RunReader.open(run.path).series("A1.volts").value.tolist() == [2.0]


def test_a_subject_that_is_too_long_is_cut_with_its_event(tmp_path: Path) -> None:
    recorder = writer(new_run(tmp_path))
    event = recorder.event(EventKind.NOTE, BOOT_NS, "s" * 2000, "t" * 200_000, {"x": "y" * (1 << 20)})
    assert (len(event.subject), len(event.text)) == (1000, 100_000)
    assert list(event.data) == ["cut"]


def test_a_refusal_without_a_number_is_told_in_its_own_words(tmp_path: Path) -> None:
    class Odd(FaultyDisk):
        def judge(self, deed: str, path: Path) -> None:
            if self.refuse(deed, path):
                raise OSError("out of paper")

    disk = Odd()
    reported: list[Event] = []
    recorder = writer(new_run(tmp_path, disk), disk, on_event=reported.append)
    recorder.scans(pair(0))
    disk.refuse = lambda deed, _path: errno.EIO if deed in {"sync", "create"} else 0
    recorder.sync()
    assert recorder.fault == "out of paper"
    assert reported[0].data == {"file": "j000001.journal", "errno": None, "reason": "out of paper"}


def test_a_reserve_that_an_earlier_session_left_is_given_up_too(tmp_path: Path) -> None:
    disk = FaultyDisk()
    disk.free_bytes = 0
    run = new_run(tmp_path, disk)
    (run.path / "reserve").write_bytes(b"of a session that was killed")
    recorder = writer(run, disk)
    recorder.scans(pair(0))
    disk.refuse = lambda deed, _path: errno.ENOSPC if deed == "sync" else 0
    recorder.sync()
    assert not (run.path / "reserve").exists()


def test_only_a_full_disk_costs_the_reserve(tmp_path: Path) -> None:
    disk = FaultyDisk()
    disk.free_bytes = 100 << 20
    run = new_run(tmp_path, disk)
    recorder = writer(run, disk)
    recorder.scans(pair(0))
    disk.refuse = lambda deed, _path: errno.EIO if deed == "sync" else 0
    recorder.sync()
    assert (run.path / "reserve").exists()


def test_a_refusing_disk_leaves_no_file_open(tmp_path: Path) -> None:
    disk = FaultyDisk()
    before = open_files()
    recorder = writer(new_run(tmp_path, disk), disk)
    for deed in ("sync", "append", "rename"):
        recorder.scans(pair(0))
        disk.refuse = refusal_of(deed, errno.EIO)
        recorder.rotate()
        recorder.sync()
        disk.refuse = lambda _deed, _path: 0
        recorder.scan(scan(0, 10**6, (1.0, 2.0)))
        recorder.sync()
    recorder.close()
    assert open_files() == before
    assert not [path for path in tmp_path.rglob("*") if path.name.startswith(".")]
