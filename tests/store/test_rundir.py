import errno
import fcntl
import json
import os
import signal
import stat
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from rig.errors import DamageError, FormatError, RunInUseError, StoreError, UsageError
from rig.store import rundir
from rig.store.rundir import Lock
from tests.store.faulty import FaultyDisk, open_files
from tests.store.powercut import LoggedDisk
from tests.store.rooms import BOOT_NS, UTC_NS, new_run, pair, writer

HOLDER = """
import sys, time
from pathlib import Path
from rig.store.rundir import Lock
lock = Lock(Path(sys.argv[1])).acquire("soakrig log hot")
print("held", flush=True)
if "fork" in sys.argv:
    import subprocess
    child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"], close_fds=False)
    print(child.pid, flush=True)
time.sleep(60)
"""


def test_a_folder_above_the_runs_is_answered_with_where_they_are(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="name one, or the folder that the rig file calls runs"):
        rundir.newest_run(tmp_path)
    rundir.create(tmp_path / "runs", rig="room", created_ns=10**18, software="test")
    (tmp_path / "file").write_text("")
    with pytest.raises(FormatError, match=r"did you mean .*/runs\?"):
        rundir.newest_run(tmp_path)


def holding(lock: Path, *arguments: str) -> "subprocess.Popen[str]":
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(lock), *arguments], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def test_a_run_is_named_after_its_rig_and_the_moment_and_opens_again(tmp_path: Path) -> None:
    run = rundir.create(tmp_path / "new" / "runs", rig="hot", created_ns=UTC_NS, software="1", planned_s=60.0)
    assert run.name == "hot-20260101T000000Z"
    assert rundir.open_run(run.path) == run
    assert rundir.list_runs(tmp_path / "new" / "runs") == [run.path]
    assert rundir.list_runs(tmp_path / "nowhere") == []


@pytest.mark.parametrize("name", ["../out", "a/b", "/etc", ".hidden", "..", "."])
def test_a_run_cannot_be_placed_outside_its_folder_by_name(tmp_path: Path, name: str) -> None:
    with pytest.raises(UsageError, match="cannot be called"):
        new_run(tmp_path, name=name)
    assert list(tmp_path.iterdir()) == []


def test_a_rig_named_like_a_path_makes_no_run_elsewhere(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be called"):
        rundir.create(tmp_path, rig="../../out", created_ns=UTC_NS, software="1")


def test_a_second_run_of_the_same_name_is_refused(tmp_path: Path) -> None:
    new_run(tmp_path)
    with pytest.raises(StoreError, match="already exists"):
        new_run(tmp_path)


def test_what_is_no_run_or_newer_or_damaged_is_said_to_be_so(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match=r"is not a run directory: run\.json could not be read"):
        rundir.open_run(tmp_path)
    run = new_run(tmp_path)
    manifest = run.path / rundir.MANIFEST
    good = json.loads(manifest.read_text())
    manifest.write_text(json.dumps({**good, "format": 2, "extra": 1}))
    with pytest.raises(FormatError, match="run format 2, this soakrig reads format 1"):
        rundir.open_run(run.path)
    manifest.write_text(json.dumps({**good, "extra": 1}))
    assert rundir.open_run(run.path).id == run.id
    manifest.write_text('{"name": "other"}')
    with pytest.raises(FormatError, match="does not describe a run"):
        rundir.open_run(run.path)
    for raw in ("", "{", json.dumps({**good, "id": "?"}), json.dumps({"soakrig": "run", "format": 1})):
        manifest.write_text(raw)
        with pytest.raises(DamageError, match=r"run\.json is damaged"):
            rundir.open_run(run.path)


def test_the_lock_is_refused_by_the_holders_name_while_he_lives_and_free_when_he_is_killed(
    tmp_path: Path,
) -> None:
    lock = tmp_path / "lock"
    assert not rundir.is_held(lock)
    with holding(lock) as process:
        assert rundir.is_held(lock)
        expected = rf"in use by soakrig log hot, process {process.pid}; stop that process first"
        with pytest.raises(RunInUseError, match=expected):
            Lock(lock).acquire()
        process.send_signal(signal.SIGKILL)
        process.wait()
        with Lock(lock).acquire("me") as mine:
            assert rundir.is_held(lock)
            assert rundir.holder(lock) == f"me, process {os.getpid()}"
            mine.release()
            mine.release()
    assert not rundir.is_held(lock)
    assert lock.exists()


def test_deleting_the_lock_file_does_not_let_a_second_one_in(tmp_path: Path) -> None:
    lock = tmp_path / "lock"
    with holding(lock) as process:
        lock.unlink()
        with pytest.raises(RunInUseError, match="lock file was deleted"):
            Lock(lock).acquire()
        process.kill()
        process.wait()
        Lock(lock).acquire().release()


def test_the_lock_does_not_live_on_in_a_child_of_the_dead_holder(tmp_path: Path) -> None:
    lock = tmp_path / "lock"
    with holding(lock, "fork") as process:
        assert process.stdout is not None
        child = int(process.stdout.readline())
        process.kill()
        process.wait()
        try:
            with Lock(lock).acquire():
                pass
        finally:
            os.kill(child, signal.SIGKILL)


def test_a_folder_that_is_held_for_a_moment_only_is_waited_for(tmp_path: Path) -> None:
    # as by a child of a dead holder, which lets go of the lock file before the folder
    folder = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    fcntl.flock(folder, fcntl.LOCK_EX)
    later = threading.Timer(0.2, os.close, (folder,))
    later.start()
    with Lock(tmp_path / "lock").acquire():
        later.join()


def test_probing_a_lock_does_not_keep_a_daemon_from_taking_it(tmp_path: Path) -> None:
    lock = tmp_path / "lock"
    lock.touch()
    probe = (
        "from pathlib import Path; from rig.store.rundir import is_held\n"
        f"for _ in range(20000): is_held(Path({str(lock)!r}))"
    )
    with subprocess.Popen([sys.executable, "-c", probe]) as prober:
        for _ in range(200):
            Lock(lock).acquire().release()
        prober.kill()


def test_a_rig_file_is_frozen_once_under_its_hash(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    sha = rundir.freeze_config(run, "rig: hot\n", {"rig": "hot"})
    assert sha == "fa6048f1f6ca"  # printf 'rig: hot\\n' | sha256sum
    path = run.folder("config") / f"{sha}.json"
    before = path.stat().st_mtime_ns
    assert rundir.freeze_config(run, "rig: hot\n", {"rig": "hot"}) == sha
    assert path.stat().st_mtime_ns == before
    assert rundir.frozen_layout(run, sha) == {"rig": "hot"}
    for raw in ("[]", "{"):
        path.write_text(raw)
        with pytest.raises(DamageError, match=f"{sha}.json: the frozen layout"):
            rundir.frozen_layout(run, sha)


def test_sessions_and_journals_are_never_numbered_twice(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    assert (rundir.next_session(run), rundir.next_journal(run)) == (1, 1)
    recorder = writer(run)
    recorder.scans(pair(0))
    recorder.close()
    assert (rundir.next_session(run), rundir.next_journal(run)) == (2, 2)
    (run.folder("sessions") / ".s0007.json.tmp").touch()
    (run.folder("sealed") / "2026-01-01-000001-000012.json").touch()
    assert (rundir.next_session(run), rundir.next_journal(run)) == (8, 13)
    (run.folder("damaged") / "j000020.journal").touch()
    (run.folder("journal") / ".j000031.journal.tmp").touch()
    assert rundir.next_journal(run) == 32
    (run.folder("readings") / "2026-01-01T05-000040-000041.parquet").touch()
    assert rundir.next_journal(run) == 42


def test_the_recording_process_loads_neither_pyarrow_nor_pandas_nor_scipy() -> None:
    # A daemon of weeks must stay small: pyarrow and pandas cost some 100 MB each.
    code = (
        "import sys; from rig.store import writer, recover, rundir, tail, reader\n"
        "print(sorted({'pyarrow', 'pandas', 'scipy', 'duckdb', 'yaml'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_a_path_means_the_run_itself_or_the_newest_run_in_it(tmp_path: Path) -> None:
    made = [
        rundir.create(tmp_path, rig="room", created_ns=UTC_NS + k * 10**9, software="1", name=name)
        for name, k in (("b", 1), ("c", 3), ("a", 2))
    ]
    (tmp_path / "no run").mkdir()
    assert rundir.newest_run(made[0].path) == made[0].path
    assert rundir.newest_run(tmp_path) == made[1].path
    assert rundir.list_runs(tmp_path) == [tmp_path / name for name in "abc"]
    with pytest.raises(FormatError, match="is neither a run directory nor a folder with runs in it; name"):
        rundir.newest_run(tmp_path / "no run")
    with pytest.raises(FormatError, match="is neither a run directory"):
        rundir.newest_run(tmp_path / "nowhere")


def test_a_new_run_has_its_folders_and_its_manifest_says_what_it_is(tmp_path: Path) -> None:
    run = rundir.create(tmp_path, rig="hör", created_ns=UTC_NS, software="1", planned_s=60.0, name="x")
    assert {path.name for path in run.path.iterdir()} == {*rundir.FOLDERS, rundir.MANIFEST, rundir.LOCK}
    text = (run.path / rundir.MANIFEST).read_text("utf-8")
    assert '"rig": "hör"' in text
    assert json.loads(text) == {
        "soakrig": "run", "format": 1, "id": run.id, "name": "x", "rig": "hör",
        "created": "2026-01-01T00:00:00+00:00", "created_ns": UTC_NS, "software": "1", "planned_s": 60.0,
    }  # fmt: skip
    assert len(text.splitlines()) == 11  # one line each: for people too
    assert rundir.create(tmp_path, rig="r", created_ns=UTC_NS, software="1", name="y").planned_s == 0.0


def test_a_run_is_a_run_only_once_all_of_it_is_durable(tmp_path: Path) -> None:
    disk = LoggedDisk(tmp_path)
    new_run(tmp_path / "runs", disk)
    done = [(step.deed, Path(step.to or step.path).name) for step in disk.steps]
    assert done[:2] == [("mkdir", "runs"), ("sync_dir", "")]
    assert done[2:4] == [("mkdir", "hot-room"), ("sync_dir", "runs")]
    lock = done.index(("create", "lock"))
    assert {deed for deed, _ in done[4:lock]} == {"mkdir"}
    assert done[lock + 1] == ("sync_dir", "hot-room")
    assert done[lock + 2 :][-2:] == [("rename", "run.json"), ("sync_dir", "hot-room")]


def test_a_disk_that_takes_no_run_is_an_error_that_says_where(tmp_path: Path) -> None:
    disk = FaultyDisk()
    disk.refuse = lambda deed, _path: errno.EROFS if deed == "create" else 0
    with pytest.raises(StoreError, match=r"could not make the run directory .*hot-room: Read-only file"):
        new_run(tmp_path, disk)


def test_a_run_that_has_ended_says_when_and_why(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    assert not rundir.has_ended(run)
    rundir.end_run(run, 7, "duration reached")
    assert rundir.has_ended(run)
    assert json.loads((run.path / rundir.END).read_text()) == {"ended_ns": 7, "reason": "duration reached"}


def test_sessions_are_read_by_number_and_damaged_ones_are_left_out(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    for session in (2, 1, 3):
        writer(run, session=session, boot_id=f"boot-{session}", utc_ns=UTC_NS + session)
    found = rundir.read_sessions(run)
    assert list(found) == [1, 2, 3]
    assert [one.number for one in found.values()] == [1, 2, 3]
    assert found[2].offset_ns == UTC_NS + 2 - BOOT_NS
    assert found[2].stopped_ns is None
    folder = run.folder("sessions")
    (folder / "s0001.json").write_text("{")
    (folder / ".s0009.json").write_bytes((folder / "s0002.json").read_bytes())
    (folder / "s0008.txt").write_bytes((folder / "s0002.json").read_bytes())
    (folder / "s0007.json").mkdir()
    assert list(rundir.read_sessions(run)) == [2, 3]
    assert rundir.boot_offset(run, "boot-3") == UTC_NS + 3 - BOOT_NS
    assert rundir.boot_offset(run, "boot-1") is None
    assert rundir.next_session(run) == 10
    assert rundir.session_name(7) == "s0007.json"


def test_a_lock_that_cannot_be_opened_is_an_error_of_the_store(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"could not open the lock .*none/lock: No such file"):
        Lock(tmp_path / "none" / "lock").acquire()
    assert not rundir.is_held(tmp_path / "none" / "lock")
    assert rundir.holder(tmp_path / "none" / "lock") == "an unnamed process"


def test_a_lock_leaves_nothing_open_whether_it_is_had_or_refused(tmp_path: Path) -> None:
    lock = tmp_path / "lock"
    before = open_files()
    with Lock(lock).acquire("first") as held:
        assert len(open_files()) == len(before) + 2  # the file, and the run's folder
        with held:  # taken already: not taken twice
            assert len(open_files()) == len(before) + 2
        with held.acquire("again"):
            with pytest.raises(RunInUseError, match="in use by again, process"):
                Lock(lock).acquire()
            lock.unlink()
            with pytest.raises(RunInUseError, match="in use by a process whose lock file was deleted"):
                Lock(lock).acquire()
            assert len(open_files()) == len(before) + 2
    assert open_files() == before
    assert not rundir.is_held(lock)
    assert open_files() == before


def test_only_a_runs_own_lock_holds_its_folder(tmp_path: Path) -> None:
    with Lock(tmp_path / "seal.lock").acquire(), Lock(tmp_path / "lock").acquire():
        assert rundir.is_held(tmp_path / "seal.lock")
    assert (tmp_path / "seal.lock").read_text() == f"soakrig, process {os.getpid()}\n"
    (tmp_path / "seal.lock").write_text("a longer text than any holder's own\n" * 3)
    Lock(tmp_path / "seal.lock").acquire("me").release()
    assert rundir.holder(tmp_path / "seal.lock") == f"me, process {os.getpid()}"


def test_a_lock_is_for_all_to_see_and_for_its_owner_to_take(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        Lock(tmp_path / "lock").acquire().release()
    finally:
        os.umask(before)
    assert (tmp_path / "lock").stat().st_mode & 0o777 == 0o644


def test_two_may_ask_at_once_whether_a_lock_is_held(tmp_path: Path) -> None:
    lock = tmp_path / "lock"
    lock.touch()
    with lock.open() as other:
        fcntl.flock(other, fcntl.LOCK_SH)
        assert not rundir.is_held(lock)
        fcntl.flock(other, fcntl.LOCK_EX)
        assert rundir.is_held(lock)


@pytest.mark.parametrize("refused", ["open", "lock"])
def test_where_folders_cannot_be_locked_the_file_alone_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, refused: str
) -> None:
    """As on network file systems, which no test can provoke."""
    opens, locks, before = os.open, fcntl.flock, open_files()

    def opening(path: Path, flags: int, *mode: int) -> int:
        if refused == "open" and flags & os.O_DIRECTORY:
            raise OSError(errno.EACCES, os.strerror(errno.EACCES))
        return opens(path, flags, *mode)

    def locking(descriptor: int, operation: int) -> None:
        if refused == "lock" and stat.S_ISDIR(os.fstat(descriptor).st_mode):
            raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))
        locks(descriptor, operation)

    monkeypatch.setattr(os, "open", opening)
    monkeypatch.setattr(fcntl, "flock", locking)
    with Lock(tmp_path / "lock").acquire():
        assert rundir.is_held(tmp_path / "lock")
        assert len(open_files()) == len(before) + 1
    assert not rundir.is_held(tmp_path / "lock")
    assert open_files() == before


def test_a_file_system_that_locks_nothing_is_an_error_of_the_store(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def locking(_descriptor: int, _operation: int) -> None:
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    before = open_files()
    monkeypatch.setattr(fcntl, "flock", locking)
    with pytest.raises(StoreError, match=r"could not lock .*/lock: No locks available"):
        Lock(tmp_path / "lock").acquire()
    assert open_files() == before


def test_a_full_disk_costs_the_holders_name_and_not_the_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_arguments: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "pwrite", full)
    with Lock(tmp_path / "lock").acquire():
        assert rundir.is_held(tmp_path / "lock")
        assert rundir.holder(tmp_path / "lock") == "an unnamed process"
