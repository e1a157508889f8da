from pathlib import Path

from rig.domain.model import EventKind
from rig.store import journal, rundir
from rig.store.files import OS_DISK, OsDisk
from rig.store.reader import RunReader
from rig.store.recover import recover
from rig.store.seal import seal
from tests.store.rooms import BOOT_NS, UTC_NS, new_run, pair, writer


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
    recovery = recover(run)
    assert [one.kind for one in recovery.events] == [EventKind.SESSION_BROKEN]
    assert recovery.lines == (
        "session 1 ended without a stop; its last record is of 2026-01-01 00:00:19 UTC",
    )
    assert journal.ends_closed(OS_DISK, path, journal.read_head(OS_DISK, path))
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
