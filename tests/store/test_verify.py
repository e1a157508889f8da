import random
from pathlib import Path

import pytest

from rig.store import rundir
from rig.store.reader import RunReader
from rig.store.seal import seal
from rig.store.verify import verify
from tests.store.rooms import BLOCKS, new_run, scan, writer


def recorded(folder: Path) -> rundir.RunDir:
    """Return a run with two sealed hours, a live journal and a frozen rig file."""
    run = new_run(folder)
    sha = rundir.freeze_config(run, "rig: hot\n", {"rig": "hot"})
    recorder = writer(run, config=sha)
    for minute in range(0, 150, 3):
        recorder.scan(scan(1, minute * 60 + 1, (0.1 * minute, 230.0, 40.0)))
        recorder.sync()
    seal(run)
    return run


def test_a_good_run_has_no_fault_and_everything_in_it_is_counted(tmp_path: Path) -> None:
    run = recorded(tmp_path)
    found = verify(run.path)
    assert found.faults == ()
    assert found.readings == 50 * len(BLOCKS[1])
    assert found.files == 2 * 4 + 1


def test_any_flipped_bit_in_any_file_is_found_and_the_file_named(tmp_path: Path) -> None:
    run = recorded(tmp_path)
    dice = random.Random(11)
    files = [path for path in run.path.rglob("*") if path.is_file() and path.stat().st_size]
    kinds = {path.parent.name for path in files}
    assert kinds >= {"readings", "events", "sealed", "journal", "sessions", "config"}
    for path in files:
        if path.name in {"reserve", "lock", "seal.lock"} or path.suffix == ".json":
            continue
        raw = path.read_bytes()
        for place in dice.sample(range(8 * len(raw)), 12):
            damaged = bytearray(raw)
            damaged[place // 8] ^= 1 << place % 8
            path.write_bytes(damaged)
            assert path in {fault.path for fault in verify(run.path).faults}, (path, place)
        path.write_bytes(raw)
    assert verify(run.path).faults == ()


@pytest.mark.parametrize("folder", ["sealed", "sessions", "config"])
def test_a_json_file_cut_short_is_found_and_named(tmp_path: Path, folder: str) -> None:
    run = recorded(tmp_path)
    path = min(run.folder(folder).glob("*.json"))
    path.write_bytes(path.read_bytes()[:-5])
    assert path in {fault.path for fault in verify(run.path).faults}


def test_a_sealed_hour_or_a_journal_that_somebody_removed_is_missed(tmp_path: Path) -> None:
    run = recorded(tmp_path)
    for path in run.path.rglob("*-000002-000002.*"):
        path.unlink()
    recording = RunReader.open(run.path)
    (skipped,) = recording.skipped
    assert skipped.path.name == "j000002.journal"
    assert "neither present nor sealed" in skipped.reason
    series = recording.series("mains")
    assert skipped.start_ns == series.t_ns[20]
    assert skipped.end_ns == series.t_ns[21]
    assert verify(run.path).faults == (skipped,)
