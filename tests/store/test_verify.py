import random
from dataclasses import replace
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from rig.domain.model import EventKind
from rig.store import journal_frames, rundir
from rig.store.index import pack
from rig.store.reader import RunReader
from rig.store.seal import seal
from rig.store.verify import verify
from tests.store.rooms import BLOCKS, BOOT_NS, SECOND, UTC_NS, new_run, pair, scan, writer


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


def test_sealed_and_live_are_counted_together(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    for k in range(3):
        recorder.scans(pair(k))
        recorder.event(EventKind.NOTE, BOOT_NS, "run", "x")
        recorder.rotate()
        if k == 1:
            seal(run)
    recorder.sync()
    told: list[tuple[int, int]] = []
    found = verify(run.path, on_progress=lambda done, of: told.append((done, of)))
    assert (found.readings, found.events, found.faults) == (15, 3, ())
    assert found.files == 2 * 4 + 2  # two pairs with index and summary, two journals
    assert told == [(0, 2), (1, 2)]
    empty = verify(new_run(tmp_path, name="empty").path)
    assert (empty.files, empty.readings, empty.events, empty.faults) == (0, 0, 0, ())


@pytest.mark.parametrize("folder", ["readings", "events", "summary"])
def test_a_damaged_file_of_a_pair_is_told_once_with_the_time_of_the_pair(tmp_path: Path, folder: str) -> None:
    run = recorded(tmp_path)
    path = min(run.folder(folder).iterdir())
    raw = bytearray(path.read_bytes())
    raw[60] ^= 1
    path.write_bytes(raw)
    found = verify(run.path)
    (fault,) = found.faults
    assert fault.path == path
    begun = UTC_NS + SECOND + 10_000_000
    assert (fault.start_ns, fault.end_ns) == (begun, begun + 3600 * SECOND)
    assert found.files == 2 * 4 + 1 - 1


def test_a_fault_that_the_quick_look_has_found_is_not_told_again(tmp_path: Path) -> None:
    run = recorded(tmp_path)
    path = min(run.folder("events").iterdir())
    path.unlink()
    found = verify(run.path)
    assert [fault.path for fault in found.faults].count(path) == len(found.faults)
    assert len({(fault.path, fault.reason) for fault in found.faults}) == len(found.faults)


def test_a_pair_without_its_index_is_read_to_its_end_and_its_damage_is_told(tmp_path: Path) -> None:
    run = recorded(tmp_path)
    index = min(run.folder("sealed").iterdir())
    index.unlink()
    assert {fault.path for fault in verify(run.path).faults} == {index}
    readings = run.folder("readings") / f"{index.stem}.parquet"
    value = pq.read_metadata(readings).row_group(0).column(2)
    raw = bytearray(readings.read_bytes())
    raw[value.data_page_offset + value.total_compressed_size - 40] ^= 4
    readings.write_bytes(raw)
    faults = [fault for fault in verify(run.path).faults if fault.path == readings]
    assert faults
    assert all("readings of" in fault.reason for fault in faults)


def test_a_pair_without_summary_is_whole(tmp_path: Path) -> None:
    run = recorded(tmp_path)
    path = min(run.folder("sealed").iterdir())
    (pair_one, _) = RunReader.open(run.path).catalogue.sealed
    index = RunReader.open(run.path).pair(pair_one.name).index
    without = {name: note for name, note in index.files.items() if name != "summary"}
    path.write_bytes(pack(replace(index, files=without).to_bytes()))
    (run.folder("summary") / f"{path.stem}.parquet").unlink()
    found = verify(run.path)
    assert found.faults == ()
    assert found.files == 3 + 4 + 1


@pytest.mark.parametrize(("at", "copy"), [(5, "first"), (journal_frames.HEAD_BYTES + 5, "second")])
def test_one_damaged_head_of_a_journal_is_told_and_two_are_told_by_the_reader(
    tmp_path: Path, at: int, copy: str
) -> None:
    run = recorded(tmp_path)
    (path,) = run.folder("journal").iterdir()
    raw = bytearray(path.read_bytes())
    raw[at] ^= 1
    path.write_bytes(raw)
    found = verify(run.path)
    assert [fault.path for fault in found.faults] == [path]
    assert found.faults[0].reason.startswith(f"{copy} copy of the head damaged: ")
    assert found.files == 2 * 4
    raw[5] ^= 2
    raw[journal_frames.HEAD_BYTES + 5] ^= 2
    path.write_bytes(raw)
    (fault,) = verify(run.path).faults
    assert fault.path == path
    assert "copy of the head" not in fault.reason


def test_a_rig_file_that_is_not_the_one_its_name_says_or_is_not_there_is_named(tmp_path: Path) -> None:
    run = recorded(tmp_path)
    (path,) = run.folder("config").glob("*.yaml")
    text = path.read_text()
    path.write_text(text + " ")
    (fault,) = verify(run.path).faults
    assert fault.path == path
    assert "does not match the file name" in fault.reason
    path.unlink()
    (fault,) = verify(run.path).faults
    assert (fault.path, fault.reason) == (path, "not readable (No such file or directory)")
    path.write_text(text)
    layout = path.with_suffix(".json")
    layout.write_text("[]")
    (fault,) = verify(run.path).faults
    assert fault.path == layout


def test_hidden_files_are_no_sessions_and_others_are(tmp_path: Path) -> None:
    run = recorded(tmp_path)
    (run.folder("sessions") / ".s0002.json.tmp").touch()
    assert verify(run.path).faults == ()
    (run.folder("sessions") / "s0002.json").touch()
    (fault,) = verify(run.path).faults
    assert fault.path == run.folder("sessions") / "s0002.json"
    assert fault.reason == "session facts not readable"
