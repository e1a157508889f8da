import fcntl
import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from rig.errors import DamageError, FormatError, RunInUseError, StoreError, UsageError
from rig.store import rundir
from rig.store.rundir import Lock
from tests.store.rooms import UTC_NS, new_run, pair, writer

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
