"""Sealing and merging step by step: nothing goes before what takes its place has been read back."""

from __future__ import annotations

import errno
from dataclasses import replace
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from rig.domain.model import EventKind
from rig.errors import StoreError
from rig.store import catalogue, journal, journal_frames, segments
from rig.store.catalogue import PAIR, SUMMARY
from rig.store.files import OS_DISK
from rig.store.index import Index
from rig.store.pair import SealedPair
from rig.store.reader import RunReader
from rig.store.rundir import RunDir
from rig.store.seal import seal
from tests.store.faulty import FaultyDisk
from tests.store.powercut import LoggedDisk
from tests.store.rooms import BOOT_NS, SECOND, UTC_NS, new_run, pair, scan, writer

HOUR_NS = 3600 * SECOND


@pytest.mark.parametrize(
    ("after_ns", "day", "hour"),
    [(0, "2026-01-01", "00"), (HOUR_NS - 1, "2026-01-01", "00"), (HOUR_NS, "2026-01-01", "01"),
     (24 * HOUR_NS - 1, "2026-01-01", "23"), (24 * HOUR_NS, "2026-01-02", "00"), (-1, "2025-12-31", "23")],
)  # fmt: skip
def test_a_moment_belongs_to_the_utc_hour_that_has_begun(after_ns: int, day: str, hour: str) -> None:
    assert segments.hour_of(UTC_NS + after_ns) == (day, hour)


def two_hours(folder: Path) -> RunDir:
    """Return a run of two journals of two sessions, five hours into a day."""
    run = new_run(folder)
    for session, hour in ((1, 5), (2, 6)):
        start = hour * HOUR_NS
        recorder = writer(run, session=session, boot_ns=BOOT_NS + start, utc_ns=UTC_NS + start)
        recorder.event(EventKind.NOTE, BOOT_NS + start, "run", f"hour {hour}")
        recorder.scans(pair(hour * 3600 + 7))
        recorder.close()
    return run


def opened(run: RunDir) -> list[SealedPair]:
    return [SealedPair.open(run, one, OS_DISK) for one in catalogue.look(run.path, OS_DISK).sealed]


def test_the_index_of_a_pair_says_what_is_in_it_of_which_session(tmp_path: Path) -> None:
    run = two_hours(tmp_path)
    assert seal(run).sealed == ("2026-01-01T05-000001-000001", "2026-01-01T06-000002-000002")
    first, second = (one.index for one in opened(run))
    assert (first.run, first.first, first.last, first.events, first.damage) == (run.id, 1, 1, 1, ())
    assert list(first.channels) == ["A1.amps", "A1.heatsink", "A1.volts", "ambient", "mains"]
    assert first.event_summary is not None
    assert first.event_summary.count(EventKind.NOTE) == 1
    assert (second.first, second.last) == (2, 2)
    (note,) = second.sessions.values()
    assert note.boot_ns == BOOT_NS + 6 * HOUR_NS
    assert (note.utc_ns, note.offset_ns) == (UTC_NS + 6 * HOUR_NS, UTC_NS - BOOT_NS)
    assert (note.start_ns, note.end_ns) == (UTC_NS + 6 * HOUR_NS, UTC_NS + 6 * HOUR_NS + 7_110_000_000)
    assert set(first.files) == {"readings", "events", "summary"}


def test_a_journal_without_a_record_is_sealed_at_the_moment_it_was_opened(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    writer(run, boot_ns=BOOT_NS + HOUR_NS, utc_ns=UTC_NS + HOUR_NS).close()
    assert seal(run).sealed == ("2026-01-01T01-000001-000001",)
    (note,) = opened(run)[0].index.sessions.values()
    assert (note.start_ns, note.end_ns) == (UTC_NS + HOUR_NS, UTC_NS + HOUR_NS)


def test_a_merged_pair_spans_its_sources_and_has_their_sessions(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    for k in (10, 4000, 9000):
        recorder.scans(pair(k))
        recorder.event(EventKind.NOTE, BOOT_NS + k * SECOND, "run", f"{k}")
        if k < 9000:
            recorder.rotate()
    recorder.close()
    other = writer(run, session=2)
    other.scans(pair(20_000))
    other.close()
    (run.folder("summary")).rmdir()  # as in a run of an older soakrig
    assert seal(run, finish=True).merged == ("2026-01-01-000001-000004",)
    assert len(list(run.folder("summary").iterdir())) == 1
    assert list(run.folder("damaged").iterdir()) == []  # sources that were read in full are gone
    (merged,) = (one.index for one in opened(run))
    assert (merged.first, merged.last, merged.events, merged.run) == (1, 4, 3, run.id)
    assert merged.event_summary is not None
    assert merged.event_summary.count(EventKind.NOTE) == 3
    spans = {number: (note.start_ns, note.end_ns) for number, note in merged.sessions.items()}
    assert spans == {
        1: (UTC_NS + 10 * SECOND, UTC_NS + 9_000 * SECOND + 110_000_000),
        2: (UTC_NS + 20_000 * SECOND + 10_000_000, UTC_NS + 20_000 * SECOND + 110_000_000),
    }


def test_a_damaged_source_of_a_merge_is_set_aside_and_what_it_lacked_is_noted(tmp_path: Path) -> None:
    run = two_hours(tmp_path)
    seal(run)
    first, second = opened(run)
    path = second.sealed.path(run.path, "events")
    path.write_bytes(bytes(path.stat().st_size))
    value = pq.read_metadata(first.sealed.path(run.path, "readings")).row_group(0).column(2)  # A1.amps
    path = first.sealed.path(run.path, "readings")
    raw = bytearray(path.read_bytes())
    raw[value.data_page_offset + value.total_compressed_size - 10] ^= 4
    path.write_bytes(raw)
    assert seal(run, finish=True).merged == ("2026-01-01-000001-000002",)
    (merged,) = opened(run)
    assert [(note["pair"], note["channel"], note["rows"]) for note in merged.index.damage] == [
        (first.sealed.name, "A1.amps", 1), (second.sealed.name, None, 1)
    ]  # fmt: skip
    reader = RunReader.open(run.path)
    assert reader.series("A1.amps").value.tolist() == [6 * 3600 + 7.5]
    assert len(reader.series("mains")) == 2
    assert [event.text for event in reader.events()] == ["hour 5"]
    assert {one.name for one in run.folder("damaged").iterdir()} == {
        f"{path.parent.name}-{path.name}" for one in (first, second) for path in one.sealed.paths(run.path)
    }
    assert [one.name for folder in ("readings", "events", "sealed", "summary")
            for one in run.folder(folder).iterdir()] == [
        f"2026-01-01-000001-000002.{ending}" for ending in ("parquet", "parquet", "json", "parquet")
    ]  # fmt: skip


def test_only_the_damaged_source_of_a_merge_is_set_aside(tmp_path: Path) -> None:
    run = two_hours(tmp_path)
    seal(run)
    first, second = opened(run)
    path = second.sealed.path(run.path, "events")
    path.write_bytes(bytes(path.stat().st_size))
    seal(run, finish=True)
    assert {one.name.partition("-")[2].partition(".")[0] for one in run.folder("damaged").iterdir()} == {
        second.sealed.name
    }
    assert not any(one.exists() for one in first.sealed.paths(run.path))


def test_the_index_of_a_pair_is_published_last_and_its_journal_goes_then(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(0))
    recorder.close()
    disk = LoggedDisk(tmp_path)
    seal(run, disk=disk)
    named = [(step.deed, Path(step.to or step.path).parent.name) for step in disk.steps
             if step.deed in {"rename", "remove"}]  # fmt: skip
    assert named == [
        ("rename", "readings"), ("rename", "events"), ("rename", "summary"), ("rename", "sealed"),
        ("remove", "journal"),
    ]  # fmt: skip
    for k, step in enumerate(disk.steps):
        if step.deed in {"rename", "remove"}:
            folder = str(Path(step.to or step.path).parent)
            assert ("sync_dir", folder) == (disk.steps[k + 1].deed, disk.steps[k + 1].path)


def test_what_an_interrupted_sealing_left_is_no_hindrance_to_the_next(tmp_path: Path) -> None:
    run = two_hours(tmp_path)
    (run.folder("readings") / ".2026-01-01T05-000001-000001.parquet.tmp").write_bytes(b"half")
    closed, wrong = segments.closed_journals(run, OS_DISK)
    assert wrong == []
    closed[0].reader.advance()
    assert segments.seal_journal(run, closed[0], OS_DISK).first == 1
    assert len(RunReader.open(run.path).series("mains")) == 2


def test_a_sealing_that_fails_names_the_pair_and_leaves_no_unfinished_file(tmp_path: Path) -> None:
    run = two_hours(tmp_path)
    disk = FaultyDisk()
    disk.refuse = lambda deed, path: errno.ENOSPC if deed == "rename" and "sealed" in str(path) else 0
    outcome = seal(run, disk=disk)
    assert outcome.sealed == ()
    assert len(outcome.wrong) == 2
    assert "could not seal 2026-01-01T05-000001-000001: " in outcome.wrong[0]
    assert "its journals stay as they are until this works" in outcome.wrong[0]
    hidden = [path for path in run.path.rglob("*") if path.name.startswith(".")]
    assert hidden == []
    assert len(RunReader.open(run.path).series("mains")) == 2


def sealed_pair(folder: Path) -> tuple[RunDir, dict[str, Path], Index]:
    run = two_hours(folder)
    seal(run)
    one = opened(run)[0]
    return run, {name: one.sealed.path(run.path, name) for name in (*PAIR, SUMMARY)}, one.index


def test_a_good_pair_is_proved(tmp_path: Path) -> None:
    _, paths, index = sealed_pair(tmp_path)
    assert segments.proved(OS_DISK, paths, index) == []
    paths["summary"].unlink()
    assert segments.proved(OS_DISK, paths, index) == []  # it can be worked out again
    old = replace(index, files={name: note for name, note in index.files.items() if name != SUMMARY})
    paths["summary"].write_bytes(b"of something else")
    assert segments.proved(OS_DISK, paths, old) == []


@pytest.mark.parametrize("folder", ["readings", "events", "summary"])
@pytest.mark.parametrize("change", ["longer", "another"])
def test_a_file_of_another_length_or_checksum_than_was_written_is_named(
    tmp_path: Path, folder: str, change: str
) -> None:
    _, paths, index = sealed_pair(tmp_path)
    note = index.files[folder]
    wrong = replace(note, size=note.size + 1) if change == "longer" else replace(note, crc=note.crc ^ 1)
    [said] = segments.proved(OS_DISK, paths, replace(index, files={**index.files, folder: wrong}))
    assert said == (
        f"{paths[folder]}: {wrong.size} bytes with CRC {wrong.crc:08x} were written, "
        f"{note.size} with {note.crc:08x} are there"
    )


def test_a_missing_file_is_no_proof_and_a_missing_event_is_told(tmp_path: Path) -> None:
    _, paths, index = sealed_pair(tmp_path)
    [said] = segments.proved(OS_DISK, paths, replace(index, events=2))
    assert said == f"{paths['events']}: fewer than 2 events read back"
    paths["events"].unlink()
    with pytest.raises(FileNotFoundError):
        segments.proved(OS_DISK, paths, index)


def test_bytes_of_a_journal_that_are_no_good_are_copied_before_it_goes(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    for k in range(4):
        recorder.scan(scan(0, k, (k, k)))
        recorder.sync()
    recorder.close()
    path = run.folder("journal") / journal.name(1)
    raw = bytearray(path.read_bytes())
    at = raw.rindex(b"\xf5rf\x1a", 0, len(raw) - 100)
    raw[at + 25] ^= 1
    path.write_bytes(raw)
    seal(run)
    [aside] = run.folder("damaged").iterdir()
    stem, _, offset = aside.stem.partition("-")
    assert (stem, aside.suffix) == ("j000001", ".bytes")
    assert aside.read_bytes() == bytes(raw[int(offset) : int(offset) + len(aside.read_bytes())])
    [note] = opened(run)[0].index.damage
    assert note["offset"] == int(offset)
    assert note["size"] == len(aside.read_bytes())
    [skipped] = RunReader.open(run.path).skipped
    assert "damaged bytes at offset" in skipped.reason


def test_a_record_out_of_sequence_is_noted_in_the_index(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scan(scan(0, 1, (1.0, 2.0)))
    recorder._append([journal_frames.body(journal_frames.FrameType.SCAN, recorder._seq, b"\x09\0short")])
    recorder._seq += 1
    recorder.close()
    seal(run)
    assert opened(run)[0].index.damage == (
        {"journal": "j000001.journal", "record": 1, "reason": "makes no sense"},
    )


# ---- what is closed, what is merged, what is cleared


def test_journals_nobody_writes_to_are_closed_and_know_where_the_next_one_begins(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(0))
    recorder.rotate()
    recorder.scans(pair(1))
    recorder.sync()  # never closed: killed
    other = writer(run, session=2)
    other.scans(pair(2))
    closed, wrong = segments.closed_journals(run, OS_DISK)
    assert wrong == []
    assert [(one.reader.head.journal, one.successor_seq) for one in closed] == [(1, 2), (2, None)]
    other.close()
    closed, _ = segments.closed_journals(run, OS_DISK)
    assert [(one.reader.head.journal, one.successor_seq) for one in closed] == [(1, 2), (2, None), (3, None)]


@pytest.mark.parametrize(("number", "moved"), [(1, True), (2, False)])
def test_a_journal_whose_head_is_damaged_is_moved_away_unless_it_may_be_in_use(
    tmp_path: Path, number: int, moved: bool
) -> None:
    run = two_hours(tmp_path)
    path = run.folder("journal") / journal.name(number)
    path.write_bytes(b"\0" * 400)
    closed, [wrong] = segments.closed_journals(run, OS_DISK)
    assert path.name in wrong
    assert [one.reader.head.journal for one in closed] == [3 - number]
    assert path.exists() is not moved
    assert (run.folder("damaged") / path.name).exists() is moved


def test_a_journal_whose_channels_are_not_known_stays_and_is_named(tmp_path: Path) -> None:
    run = two_hours(tmp_path)
    (run.folder("sessions") / "s0001.json").unlink()
    path = run.folder("journal") / journal.name(1)
    raw = bytearray(path.read_bytes())
    raw[170] ^= 1
    path.write_bytes(raw)
    closed, [wrong] = segments.closed_journals(run, OS_DISK)
    assert "cannot be decoded" in wrong
    assert path.exists()
    assert [one.reader.head.journal for one in closed] == [2]


def test_a_day_is_over_when_another_has_begun_or_the_run_is_finished() -> None:
    def hour(day: int, number: int) -> catalogue.Sealed:
        found = catalogue.parse(catalogue.sealed_name(f"2026-01-0{day}", "00", number, number))
        assert found is not None
        return found

    one, two = [hour(1, 1), hour(1, 2)], [hour(2, 3), hour(2, 4)]
    both = [*one, *two]
    assert segments.mergeable(both, None, finish=False) == [one]
    assert segments.mergeable(both, "2026-01-02", finish=False) == [one]
    assert segments.mergeable(both, "2026-01-03", finish=False) == [one, two]
    assert segments.mergeable(both, "2026-01-02", finish=True) == [one, two]
    assert segments.mergeable([*one, two[0]], None, finish=True) == [one]
    assert segments.mergeable([], None, finish=False) == []


def test_a_pair_that_cannot_be_opened_parts_the_day_around_it(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    for k in range(5):
        recorder.scans(pair(k))
        recorder.rotate()
    recorder.close()
    seal(run)
    group = catalogue.look(run.path, OS_DISK).sealed
    assert len(group) == 6
    group[2].index_path(run.path).unlink()
    group[2].path(run.path, "readings").write_bytes(b"")
    parts = segments.readable(run, group, OS_DISK)
    assert [[pair.sealed.first for pair in part] for part in parts] == [[1, 2], [4, 5, 6]]
    assert segments.readable(run, group[1:4], OS_DISK) == []


def test_clearing_says_what_it_removed_and_why(tmp_path: Path) -> None:
    run = two_hours(tmp_path)
    kept = {path: path.read_bytes() for path in run.folder("journal").iterdir()}
    seal(run)
    assert segments.clear(run, OS_DISK) == []
    for path, raw in kept.items():
        path.write_bytes(raw)
    (run.folder("events") / ".x.parquet.tmp").touch()
    partial = run.folder("readings") / "2026-01-01T05-000001-000002.parquet"
    partial.write_bytes(b"half")
    assert segments.clear(run, OS_DISK) == [
        ".x.parquet.tmp removed: an unfinished file",
        "j000001.journal removed: 2026-01-01T05-000001-000001 holds it",
        "j000002.journal removed: 2026-01-01T06-000002-000002 holds it",
        "readings/2026-01-01T05-000001-000002.parquet removed: unfinished sealing",
    ]
    assert not partial.exists()
    assert list(run.folder("journal").iterdir()) == []
    assert segments.clear(run, OS_DISK) == []


def test_a_damaged_pair_gives_way_to_the_journals_it_was_made_of(tmp_path: Path) -> None:
    run = two_hours(tmp_path)
    kept = {path: path.read_bytes() for path in run.folder("journal").iterdir()}
    seal(run)
    for path, raw in kept.items():
        path.write_bytes(raw)
    name = "2026-01-01T05-000001-000001"
    readings = run.folder("readings") / f"{name}.parquet"
    readings.write_bytes(readings.read_bytes()[:-1])
    (run.folder("summary") / f"{name}.parquet").unlink()  # may be missing
    disk = LoggedDisk(tmp_path)
    said = segments.clear(run, disk)
    assert said[0].startswith(f"{name} is damaged and was moved to damaged/: {readings}: ")
    assert said[1:] == ["j000002.journal removed: 2026-01-01T06-000002-000002 holds it"]
    assert {path.name for path in run.folder("damaged").iterdir()} == {
        f"sealed-{name}.json", f"readings-{name}.parquet", f"events-{name}.parquet"
    }  # fmt: skip
    done = [(step.deed, Path(step.path).parent.name if step.deed == "rename" else Path(step.path).name)
            for step in disk.steps]  # fmt: skip
    assert done[:9] == [
        one for folder in ("sealed", "readings", "events")
        for one in (("rename", folder), ("sync_dir", "damaged"), ("sync_dir", folder))
    ]  # fmt: skip
    assert done[-1] == ("sync_dir", "journal")
    assert RunReader.open(run.path).series("mains").value.tolist() == [1000.0 + 18_007, 1000.0 + 21_607]


def test_an_error_of_the_disk_is_an_error_of_the_store(tmp_path: Path) -> None:
    run = two_hours(tmp_path)
    disk = FaultyDisk()
    disk.refuse = lambda deed, _path: errno.EIO if deed == "create" else 0
    closed, _ = segments.closed_journals(run, disk)
    closed[0].reader.advance()
    with pytest.raises(StoreError, match=r"could not seal .*: Input/output error; its journals stay"):
        segments.seal_journal(run, closed[0], disk)
