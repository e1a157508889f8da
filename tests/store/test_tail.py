import errno
from pathlib import Path

import pytest

from rig.domain.model import EventKind
from rig.errors import FormatError
from rig.store.files import OS_DISK
from rig.store.reader import RunReader
from rig.store.seal import seal
from rig.store.tail import Tail
from tests.store.faulty import FaultyDisk, Refusal
from tests.store.rooms import BOOT_NS, UTC_NS, new_run, pair, writer


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
    assert set(update.missed) == {"j000001.journal", "j000002.journal"}
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
