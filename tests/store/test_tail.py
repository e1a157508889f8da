import errno
import os
import struct
import zlib
from dataclasses import replace
from pathlib import Path

import pytest

from rig.domain.model import EventKind
from rig.errors import FormatError
from rig.store import journal_frames
from rig.store.files import OS_DISK, OsDisk
from rig.store.journal_frames import HEADS_BYTES, FrameType, body
from rig.store.reader import RunReader
from rig.store.seal import seal
from rig.store.tail import Tail, Update
from tests.store.faulty import FaultyDisk, Refusal
from tests.store.rooms import BOOT_NS, UTC_NS, new_run, pair, writer
from tests.store.rooms import scan as scan_of


def test_a_tail_of_no_run_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="is not a run directory"):
        Tail(tmp_path)


def test_a_tail_says_when_when_exactly_and_of_which_channels(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(3))
    recorder.event(EventKind.NOTE, BOOT_NS + 7, "mains", "hum", {"volts": 3})
    update = Tail(run.path).poll()
    first, second = update.scans
    assert first.channels == ("A1.volts", "A1.amps")
    assert first.values == (3.25, 3.5)
    assert (first.t_ns, first.h_ns) == (UTC_NS + 3_010_000_000, 10_000_000)
    assert second.statuses == bytes(3)
    (event,) = update.events
    assert (event.t_ns, event.seq, event.subject, event.data) == (UTC_NS + 7, 2, "mains", {"volts": 3})


def test_a_record_that_is_half_written_is_seen_when_it_is_whole(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(0))
    assert recorder.path is not None
    whole = recorder.path.read_bytes()
    for cut in range(1, 130):
        recorder.path.write_bytes(whole[:-cut])
        tail = Tail(run.path)
        seen = [scan.seq for scan in tail.poll().scans]
        recorder.path.write_bytes(whole)
        seen += [scan.seq for scan in tail.poll().scans]
        assert seen == [0, 1]
        assert tail.poll().scans == ()


def test_journals_sealed_away_before_they_were_seen_are_named_as_missed(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    tail = Tail(run.path)
    recorder = writer(run)
    recorder.scans(pair(0))
    assert len(tail.poll().scans) == 2
    recorder.scans(pair(1))
    recorder.rotate()
    recorder.scans(pair(2))
    recorder.rotate()
    seal(run)
    recorder.scans(pair(3))
    recorder.sync()
    update = tail.poll()
    assert [scan.values[0] for scan in update.scans] == [3.25, 3.0]
    assert update.missed == ("j000001.journal", "j000002.journal")
    assert len(RunReader.open(run.path).series("A1.volts")) == 4
    assert tail.poll().missed == ()


def test_a_tail_may_begin_with_the_newest_journals_only(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    for k in range(4):
        recorder.scans(pair(k))
        recorder.rotate()
    recorder.scans(pair(4))
    update = Tail(run.path, last=2).poll()
    assert [scan.values[0] for scan in update.scans] == [3.25, 3.0, 4.25, 4.0]
    assert update.missed == ()


def test_a_tail_follows_from_one_session_into_the_next(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    tail = Tail(run.path)
    for session in (1, 2):
        recorder = writer(run, session=session)
        recorder.scans(pair(session))
        assert [(scan.session, scan.seq) for scan in tail.poll().scans] == [(session, 0), (session, 1)]
        recorder.close()
    assert OS_DISK.names(run.folder("journal")) == ["j000001.journal", "j000002.journal"]


def once(number: int) -> Refusal:
    """Return the refusal of one sync."""
    left = [number]
    return lambda deed, _path: left.pop() if deed == "sync" and left else 0


def test_records_written_again_after_a_failed_sync_are_seen_once(tmp_path: Path) -> None:
    disk = FaultyDisk()
    run = new_run(tmp_path)
    recorder = writer(run, disk)
    tail = Tail(run.path)
    seen = []
    for k in range(4):
        recorder.scans(pair(k))
        seen += [scan.seq for scan in tail.poll().scans]
        disk.refuse = once(errno.EIO) if k == 2 else lambda _deed, _path: 0
        recorder.sync()
        seen += [scan.seq for scan in tail.poll().scans]
    assert recorder.path is not None
    assert recorder.path.name == "j000002.journal"
    assert seen == [0, 1, 2, 3, 4, 5, 8, 9]  # 6 and 7 are the events that tell of the fault


def test_a_tail_of_a_run_of_nothing_sees_nothing_however_it_begins(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    for tail in (Tail(run.path), Tail(run.path, last=1)):
        assert tail.poll() == Update()
    tail = Tail(run.path, last=3)
    assert tail.poll() == Update()
    recorder = writer(run)
    recorder.scans(pair(0))
    recorder.rotate()
    recorder.scans(pair(1))
    update = tail.poll()
    assert [scan.values[0] for scan in update.scans] == [
        0.25,
        0.0,
        1.25,
        1.0,
    ]  # those that are new are all taken
    assert update.missed == ()


def test_a_tail_that_begins_late_misses_nothing_it_was_not_asked_for(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    for k in range(3):
        recorder.scans(pair(k))
        recorder.rotate()
    seal(run)
    recorder.scans(pair(3))
    update = Tail(run.path).poll()  # three are sealed: a reader knows them
    assert [scan.values[0] for scan in update.scans] == [3.25, 3.0]
    assert update.missed == ()


def test_an_interval_is_told_by_its_middle_and_a_half_that_holds_it(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scan(replace(scan_of(0, 1, (1.0, 2.0)), received_ns=BOOT_NS + 10**9 + 7))
    (found,) = Tail(run.path).poll().scans
    assert (found.t_ns, found.h_ns) == (UTC_NS + 10**9 + 3, 4)


def test_records_that_make_no_sense_are_passed_over(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    good = struct.pack("<Hqq2d2s", 0, BOOT_NS, BOOT_NS + 2, 1.0, 2.0, bytes(2))
    for payload in (good, good[:-1], b"\x02\0" + good[2:], b"\0\x01" + good[2:], good):
        recorder._append([body(FrameType.SCAN, recorder._seq, payload)])
        recorder._seq += 1
    recorder._append([body(FrameType.EVENT, recorder._seq, b"no event")])
    recorder._seq += 1
    recorder.event(EventKind.NOTE, BOOT_NS, "run", "x")
    update = Tail(run.path).poll()
    assert [scan.seq for scan in update.scans] == [0, 4]
    assert [(event.seq, event.session) for event in update.events] == [(6, 1)]


def test_a_journal_that_cannot_be_read_is_missed_once_and_the_next_is_followed(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(0))
    recorder.rotate()
    recorder.scans(pair(1))
    (run.folder("journal") / "j000001.journal").write_bytes(bytes(400))
    tail = Tail(run.path)
    update = tail.poll()
    assert update.missed == ("j000001.journal",)
    assert [scan.values[0] for scan in update.scans] == [1.25, 1.0]
    recorder.scans(pair(2))
    update = tail.poll()
    assert update.missed == ()
    assert [scan.values[0] for scan in update.scans] == [2.25, 2.0]


def test_the_newest_journal_may_not_be_readable_yet_but_a_newer_format_never_will(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(0))
    path = run.folder("journal") / "j000001.journal"
    whole = path.read_bytes()
    tail = Tail(run.path)
    path.write_bytes(whole[:30])
    assert tail.poll() == Update()
    path.write_bytes(whole)
    assert len(tail.poll().scans) == 2
    newer = bytearray(whole)
    salted = replace(journal_frames.parse_head(whole[:HEADS_BYTES]), session=1)
    head = journal_frames.pack_head(salted)[: journal_frames.HEAD_BYTES]
    at = next(k for k in range(len(head)) if head[k : k + 2] == b"\x01\0")  # the number of the format
    changed = head[:at] + b"\x02" + head[at + 1 : -4]
    newer[:HEADS_BYTES] = (changed + zlib.crc32(changed).to_bytes(4, "little")) * 2
    path.write_bytes(newer)
    other = Tail(run.path)
    assert other.poll().missed == ("j000001.journal",)
    assert other.poll().missed == ()


def test_a_journal_that_goes_while_it_is_read_is_missed(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(0))

    class Failing(OsDisk):
        fails = False

        def read(self, path: Path, offset: int = 0, size: int = -1) -> bytes:
            if self.fails and path.parent.name == "journal":
                raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))
            return super().read(path, offset, size)

    disk = Failing()
    tail = Tail(run.path, disk=disk)
    assert len(tail.poll().scans) == 2
    disk.fails = True
    assert tail.poll() == Update(missed=("j000001.journal",))
    disk.fails = False
    assert tail.poll() == Update()


def test_a_closed_journal_that_was_sealed_away_after_it_was_seen_is_not_missed(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(0))
    tail = Tail(run.path)
    assert len(tail.poll().scans) == 2
    recorder.close()
    assert tail.poll() == Update()
    seal(run)
    assert tail.poll() == Update()
