"""A run as it is read: state, span, sessions, bounds, and what is left out, whether sealed or live."""

from __future__ import annotations

import errno
import inspect
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.domain.layout_json import to_json
from rig.domain.model import EventKind, Layout
from rig.errors import DamageError, StoreError
from rig.store import journal, rundir
from rig.store.files import OS_DISK, OsDisk
from rig.store.index import pack
from rig.store.index import read as read_index
from rig.store.reader import RecordingState, RunReader
from rig.store.rundir import RunDir
from rig.store.seal import seal
from tests.store.faulty import FaultyDisk
from tests.store.rooms import BOOT_NS, SECOND, UTC_NS, new_run, pair, scan, writer

MIDDLE = 10_000_000
"""Half of the time an exchange takes, ns."""


def at(seconds: float) -> int:
    """Return the stamp (UTC ns) of a scan that was sent so long after midnight."""
    return UTC_NS + round(seconds * SECOND) + MIDDLE


def three_sessions(folder: Path) -> RunDir:
    """Return a run of three sessions with a journal each: seconds 0 and 1, 100 and 101, 200 and 201."""
    run = new_run(folder)
    for session in (1, 2, 3):
        recorder = writer(run, session=session)
        for k in (0, 1):
            second = 100 * (session - 1) + k
            recorder.scans(pair(second))
            recorder.event(EventKind.NOTE, BOOT_NS + second * SECOND, "run", f"{session}.{k}")
        recorder.close()
    return run


def test_a_reader_is_made_of_a_run_and_a_disk_alone() -> None:
    assert list(inspect.signature(RunReader).parameters) == ["dir", "disk"]


# ---- what is there


def test_a_run_in_which_nothing_was_recorded_has_no_span_and_no_session(tmp_path: Path) -> None:
    run = RunReader.open(new_run(tmp_path).path)
    assert run.span == (0, 0)
    assert run.sessions == ()
    assert run.channels() == []
    assert run.layouts == {}
    assert run.state is RecordingState.CRASHED
    with pytest.raises(StoreError, match="no session yet, so no layout"):
        _ = run.layout
    with pytest.raises(StoreError, match="there is no session 1"):
        run.layout_of(1)


def test_a_session_begins_and_ends_with_what_was_recorded_in_it(tmp_path: Path) -> None:
    run = three_sessions(tmp_path)
    for _ in ("live", "sealed by the hour"):
        reader = RunReader.open(run.path)
        spans = [(one.number, one.start_ns, one.end_ns) for one in reader.sessions]
        assert spans == [
            (k, UTC_NS + 100 * (k - 1) * SECOND, at(100 * (k - 1) + 1.1)) for k in (1, 2, 3)
        ]  # fmt: skip
        assert reader.span == (UTC_NS, at(201.1))
        seal(run)


def test_a_session_without_a_record_is_at_its_anchor(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    writer(run, boot_ns=BOOT_NS + 5 * SECOND, utc_ns=UTC_NS + 5 * SECOND).close()
    (session,) = RunReader.open(run.path).sessions
    assert (session.start_ns, session.end_ns) == (UTC_NS + 5 * SECOND,) * 2


def test_a_note_that_is_added_weeks_later_makes_no_run_longer(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(0))
    recorder.event(EventKind.SESSION_STOP, BOOT_NS + 2 * SECOND, "run", "ended")
    recorder.close()
    later = writer(run, session=2, blocks=())
    later.event(EventKind.NOTE, BOOT_NS + 10**6 * SECOND, "A1", "looked at")
    later.close()
    reader = RunReader.open(run.path)
    assert reader.span == (at(0), UTC_NS + 2 * SECOND)
    assert [one.brief for one in reader.sessions] == [False, True]
    assert [one.clean for one in reader.sessions] == [True, False]
    assert reader.state is RecordingState.FINISHED


def test_a_run_of_nothing_but_notes_is_as_long_as_they_are(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run, blocks=())
    recorder.event(EventKind.NOTE, BOOT_NS + 3 * SECOND, "A1", "one")
    recorder.event(EventKind.NOTE, BOOT_NS + 9 * SECOND, "A1", "two")
    recorder.close()
    reader = RunReader.open(run.path)
    assert reader.span == (UTC_NS + 3 * SECOND, UTC_NS + 9 * SECOND)
    assert reader.state is RecordingState.CRASHED


def test_a_run_is_running_while_its_lock_is_held_and_then_finished_or_crashed(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    with rundir.Lock(run.path / rundir.LOCK).acquire():
        recorder = writer(run)
        recorder.scans(pair(0))
        recorder.sync()
        reader = RunReader.open(run.path)
        states = [reader.state]
    states.append(reader.state)
    recorder.event(EventKind.SESSION_STOP, BOOT_NS + 2 * SECOND, "run", "ended")
    recorder.sync()
    reader.refresh()
    states.append(reader.state)  # the session's file does not know of the stop yet
    recorder.close()
    reader.refresh()
    states.append(reader.state)
    assert states == ["running", "crashed", "finished", "finished"]
    assert [one.clean for one in reader.sessions] == [True]
    writer(run, session=2).scans(pair(50))
    assert RunReader.open(run.path).state is RecordingState.CRASHED  # the newest session counts


def test_each_session_has_the_layout_it_was_begun_with_and_the_newest_is_the_runs(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    layouts = [Layout(rig=name, units={}, channels={}, instruments={}) for name in ("one", "two")]
    for k, layout in enumerate(layouts):
        sha = rundir.freeze_config(run, f"rig: {layout.rig}\n", to_json(layout))
        writer(run, session=k + 1, config=sha).close()
    reader = RunReader.open(run.path)
    assert reader.layout == layouts[1]
    assert reader.layouts == {1: layouts[0], 2: layouts[1]}
    path = run.folder("config") / f"{reader._begun[1].facts.config}.json"
    path.write_text('{"rig":')
    assert RunReader.open(run.path).layouts == {2: layouts[1]}
    with pytest.raises(DamageError, match=f"{path.name}: "):
        reader.layout_of(1)


# ---- content, sealed and live alike


@pytest.mark.parametrize("sealed", [False, True])
def test_bounds_are_included_and_recorded_order_is_kept(tmp_path: Path, sealed: bool) -> None:
    run = three_sessions(tmp_path)
    if sealed:
        seal(run)
    reader = RunReader.open(run.path)
    assert reader.series("A1.volts").value.tolist() == [0.25, 1.25, 100.25, 101.25, 200.25, 201.25]
    assert reader.series("A1.volts", at(1), at(101)).value.tolist() == [1.25, 100.25, 101.25]
    assert reader.series("A1.volts", at(1) + 1, at(101) - 1).value.tolist() == [100.25]
    assert reader.series("A1.volts", start_ns=at(200)).value.tolist() == [200.25, 201.25]
    assert reader.series("A1.volts", end_ns=at(0)).value.tolist() == [0.25]
    texts = [event.text for event in reader.events()]
    assert texts == ["1.0", "1.1", "2.0", "2.1", "3.0", "3.1"]
    first, last = UTC_NS + SECOND, UTC_NS + 100 * SECOND
    assert [event.text for event in reader.events_of(None, first, last)] == ["1.1", "2.0"]
    assert [event.text for event in reader.events_of(None, first + 1, last - 1)] == []
    assert [event.text for event in reader.events_of(start_ns=last + 1)] == texts[3:]
    assert [event.text for event in reader.events_of(end_ns=first)] == texts[:2]
    assert reader.events_of({EventKind.GAP}) == []
    assert len(reader.events_of({EventKind.GAP, EventKind.NOTE})) == 6
    summary = reader.event_summary()
    assert summary.count(EventKind.NOTE) == 6
    assert summary.count(EventKind.GAP) == 0
    stretches = reader.stretches("A1.volts")
    assert [(one.start_ns, one.end_ns, one.low, one.high, one.rows) for one in stretches] == [
        (at(100 * k), at(100 * k + 1), 100 * k + 0.25, 100 * k + 1.25, 2) for k in range(3)
    ]
    assert reader.stretches("none") == []
    assert reader.channels() == ["A1.amps", "A1.heatsink", "A1.volts", "ambient", "mains"]


def test_events_of_a_pair_without_a_summary_of_them_are_summed_up_when_asked_for(tmp_path: Path) -> None:
    run = three_sessions(tmp_path)
    seal(run)
    known = RunReader.open(run.path).event_summary()
    for path in run.folder("sealed").iterdir():
        index = read_index(OS_DISK, path)
        path.write_bytes(pack(replace(index, event_summary=None).to_bytes()))
    reader = RunReader.open(run.path)
    assert reader.event_summary() == known
    assert len(reader.events_of({EventKind.NOTE})) == 6


def test_readings_and_events_are_counted_by_pair_and_for_the_journals_together(tmp_path: Path) -> None:
    run = three_sessions(tmp_path)
    assert RunReader.open(run.path).counts(None) == (3 * 2 * 5, 6)
    seal(run)
    recorder = writer(run, session=4)
    recorder.scan(scan(0, 300, (1.0, 2.0)))
    recorder.close()
    reader = RunReader.open(run.path)
    names = [sealed.name for sealed in reader.catalogue.sealed]
    assert [reader.counts(name) for name in names] == [(10, 2)] * 3
    assert reader.counts(None) == (2, 0)
    assert reader.pair(names[1]).sealed.name == names[1]
    with pytest.raises(KeyError):
        reader.pair("none")


def test_a_series_goes_from_sealed_files_on_into_journals(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(0))
    recorder.rotate()
    seal(run)
    recorder.scans(pair(1))
    recorder.sync()
    reader = RunReader.open(run.path)
    recorder.scans(pair(2))
    assert reader.series("mains").value.tolist() == [1000.0, 1001.0]
    reader.refresh()
    assert reader.series("mains").value.tolist() == [1000.0, 1001.0, 1002.0]
    assert [one.source for one in reader.stretches("mains")] == [
        reader.catalogue.sealed[0].name, journal.name(2)
    ]  # fmt: skip
    assert [one.digest.rows for one in reader.pieces("mains")] == [1, 2]
    (session,) = reader.sessions
    assert (session.start_ns, session.end_ns) == reader.span == (at(0), at(2.1))
    assert reader.pieces("none") == []


# ---- what is left out


@pytest.mark.parametrize(("number", "start_s", "end_s"), [(1, None, 100), (2, 1.1, 200)])
@pytest.mark.parametrize("sealed", [False, True])
def test_a_journal_that_is_gone_leaves_out_the_time_between_its_neighbours(
    tmp_path: Path, sealed: bool, number: int, start_s: float | None, end_s: float
) -> None:
    run = three_sessions(tmp_path)
    (run.folder("journal") / journal.name(number)).unlink()
    if sealed:
        seal(run)
    (skipped,) = RunReader.open(run.path).skipped
    assert skipped.path == run.folder("journal") / journal.name(number)
    assert skipped.reason == "begun, but neither present nor sealed"
    assert skipped.start_ns == (None if start_s is None else at(start_s))
    assert skipped.end_ns == UTC_NS + end_s * SECOND


def test_records_that_the_next_journal_holds_again_count_once(tmp_path: Path) -> None:
    disk = FaultyDisk()
    run = new_run(tmp_path)
    recorder = writer(run, disk)
    recorder.scans(pair(0))
    recorder.sync()
    recorder.scans(pair(1))
    refused = [errno.EIO]
    disk.refuse = lambda deed, _path: refused.pop() if deed == "sync" and refused else 0
    recorder.sync()
    recorder.scans(pair(2))
    recorder.close()
    reader = RunReader.open(run.path)
    assert reader.series("mains").value.tolist() == [1000.0, 1001.0, 1002.0]
    assert reader.counts(None) == (15, 2)


def test_a_journal_whose_successor_comes_later_counts_up_to_it(tmp_path: Path) -> None:
    disk = FaultyDisk()
    run = new_run(tmp_path)
    recorder = writer(run, disk)
    recorder.scans(pair(0))
    reader = RunReader.open(run.path)
    assert reader.counts(None) == (5, 0)
    refused = [errno.EIO]
    disk.refuse = lambda deed, _path: refused.pop() if deed == "sync" and refused else 0
    recorder.sync()
    recorder.close()
    reader.refresh()
    assert reader.series("mains").value.tolist() == [1000.0]


def torn(run: RunDir, number: int) -> Path:
    """Cut the last record of a journal in two."""
    path = run.folder("journal") / journal.name(number)
    path.write_bytes(path.read_bytes()[:-7])
    return path


def test_a_record_that_is_being_written_is_no_fault_while_the_run_is_recorded(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scans(pair(0))
    recorder.scans(pair(1))
    path = torn(run, 1)
    with rundir.Lock(run.path / rundir.LOCK).acquire():
        assert RunReader.open(run.path).skipped == ()
    (skipped,) = RunReader.open(run.path).skipped
    assert skipped.path == path
    assert "torn bytes at offset" in skipped.reason


def test_a_torn_journal_that_is_not_the_newest_is_a_fault_though_the_run_is_recorded(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    writer(run).scans(pair(0))
    writer(run, session=2).scans(pair(1))
    path = torn(run, 1)
    with rundir.Lock(run.path / rundir.LOCK).acquire():
        assert [one.path for one in RunReader.open(run.path).skipped] == [path]


def test_damage_before_a_torn_end_is_a_fault_though_the_run_is_recorded(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    for k in range(9):
        recorder.scans(pair(k))
    path = torn(run, 1)
    raw = bytearray(path.read_bytes())
    raw[-150] ^= 1
    path.write_bytes(raw)
    with rundir.Lock(run.path / rundir.LOCK).acquire():
        assert {one.path for one in RunReader.open(run.path).skipped} == {path}


@pytest.mark.parametrize("damage", ["newer", "readings gone", "readings shorter"])
def test_a_pair_that_is_no_use_costs_the_hour_in_its_name_and_no_other(tmp_path: Path, damage: str) -> None:
    run = three_sessions(tmp_path)
    seal(run)
    sealed = RunReader.open(run.path).catalogue.sealed[1]
    path = sealed.path(run.path, "readings")
    if damage == "newer":
        sealed.index_path(run.path).write_bytes(pack(b'{"format": 2}'))
    elif damage == "readings gone":
        path.unlink()
    else:
        path.write_bytes(path.read_bytes()[:-1])
    reader = RunReader.open(run.path)
    assert reader.series("A1.volts").value.tolist() == [0.25, 1.25, 200.25, 201.25]
    (skipped,) = reader.skipped
    assert (skipped.path, skipped.start_ns, skipped.end_ns) == (path, UTC_NS, UTC_NS + 3600 * SECOND)
    reader.refresh()
    assert reader.skipped == (skipped,)


def test_files_that_are_no_part_of_a_recording_or_were_moved_away_are_named(tmp_path: Path) -> None:
    run = three_sessions(tmp_path)
    (run.folder("journal") / "mine.txt").touch()
    for name in ("j000009-00000700.bytes", ".part", "readings-x.parquet"):
        (run.folder("damaged") / name).touch()
    found = {one.path: one.reason for one in RunReader.open(run.path).skipped}
    assert found == {
        run.folder("journal") / "mine.txt": "not a file of a recording",
        run.folder("damaged") / "readings-x.parquet": "complete but unreadable file, moved here",
    }


def test_a_journal_that_cannot_be_read_costs_itself_alone(tmp_path: Path) -> None:
    run = three_sessions(tmp_path)
    path = run.folder("journal") / journal.name(2)
    path.write_bytes(b"\0" * 400)
    reader = RunReader.open(run.path)
    assert reader.series("A1.volts").value.tolist() == [0.25, 1.25, 200.25, 201.25]
    assert [one.path for one in reader.skipped] == [path]


def test_a_journal_whose_channels_are_damaged_is_read_by_those_of_its_session(tmp_path: Path) -> None:
    run = three_sessions(tmp_path)
    path = run.folder("journal") / journal.name(2)
    raw = bytearray(path.read_bytes())
    raw[170] ^= 1
    path.write_bytes(raw)
    assert len(RunReader.open(run.path).series("A1.volts")) == 6
    (run.folder("sessions") / "s0002.json").unlink()
    reader = RunReader.open(run.path)
    assert len(reader.series("A1.volts")) == 4
    assert "cannot be decoded" in reader.skipped[0].reason


@pytest.mark.parametrize("folder", ["readings", "events"])
def test_a_file_that_goes_while_the_run_is_open_is_missed_by_name(tmp_path: Path, folder: str) -> None:
    run = three_sessions(tmp_path)
    seal(run)
    reader = RunReader.open(run.path)
    path = reader.catalogue.sealed[1].path(run.path, folder)
    path.unlink()
    assert len(reader.series("A1.volts")) == (4 if folder == "readings" else 6)
    assert len(reader.events()) == (6 if folder == "readings" else 4)
    (skipped,) = reader.skipped
    assert skipped.path == path
    assert skipped.reason == f"{path} is missing"


def test_readings_that_are_damaged_while_the_run_is_open_cost_their_own_time(tmp_path: Path) -> None:
    run = three_sessions(tmp_path)
    seal(run)
    reader = RunReader.open(run.path)
    path = reader.catalogue.sealed[1].path(run.path, "readings")
    path.write_bytes(bytes(path.stat().st_size))
    assert reader.series("mains", end_ns=at(50)).value.tolist() == [1000.0, 1001.0]
    assert [one.path for one in reader.skipped] == []  # not needed, so not read
    assert len(reader.series("mains")) == 4
    assert len(reader.series("mains")) == 4
    (skipped,) = reader.skipped  # told once
    assert (skipped.path, skipped.start_ns, skipped.end_ns) == (path, at(100.1), at(101.1))


def test_a_run_merged_while_it_is_open_is_read_to_the_end(tmp_path: Path) -> None:
    run = three_sessions(tmp_path)
    seal(run)
    reader = RunReader.open(run.path)
    before = reader.series("mains")
    events = reader.events()
    again = RunReader.open(run.path)
    summed = RunReader.open(run.path)
    seal(run, finish=True)
    np.testing.assert_array_equal(RunReader.open(run.path).series("mains").value, before.value)
    assert again.events() == events
    assert summed.event_summary() == reader.event_summary()
    assert again.skipped == summed.skipped == ()


class Meddling(OsDisk):
    """A disk on which something happens just after a file of a kind was read for the first time."""

    def __init__(self, folder: str, deed: Callable[[], object]) -> None:
        self.folder, self.deed = folder, deed
        self.done = False

    def read(self, path: Path, offset: int = 0, size: int = -1) -> bytes:
        data = super().read(path, offset, size)
        if path.parent.name == self.folder and not self.done:
            self.done = True
            self.deed()
        return data


def test_a_pair_merged_away_while_the_run_is_opened_is_found_in_its_heir(tmp_path: Path) -> None:
    run = three_sessions(tmp_path)
    seal(run)
    reader = RunReader.open(run.path, Meddling("sealed", lambda: seal(run, finish=True)))
    assert len(reader.catalogue.sealed) == 1
    assert len(reader.series("A1.volts")) == 6
    assert reader.skipped == ()


def test_a_journal_sealed_away_while_the_run_is_opened_is_found_in_its_pair(tmp_path: Path) -> None:
    run = three_sessions(tmp_path)
    reader = RunReader.open(run.path, Meddling("journal", lambda: seal(run)))
    assert len(reader.catalogue.sealed) == 3
    assert len(reader.series("A1.volts")) == 6
    assert reader.skipped == ()


@pytest.mark.parametrize("folder", ["readings", "events"])
def test_a_file_of_a_pair_that_goes_while_the_run_is_opened_is_missed(tmp_path: Path, folder: str) -> None:
    run = three_sessions(tmp_path)
    seal(run)
    path = RunReader.open(run.path).catalogue.sealed[0].path(run.path, folder)
    reader = RunReader.open(run.path, Meddling("sealed", path.unlink))
    assert len(reader.series("A1.volts")) == (4 if folder == "readings" else 6)
    assert len(reader.events()) == 4
    assert {one.path for one in reader.skipped} >= {path}
    assert f"{path} is missing" in {one.reason for one in reader.skipped}


def test_a_pair_without_index_whose_readings_go_too_is_passed_over(tmp_path: Path) -> None:
    run = three_sessions(tmp_path)
    seal(run)
    sealed = RunReader.open(run.path).catalogue.sealed[1]
    sealed.index_path(run.path).unlink()
    reader = RunReader.open(run.path)
    assert reader.catalogue.orphans == (sealed,)
    assert len(reader.series("A1.volts")) == 6
    assert [one.path for one in reader.skipped] == [sealed.index_path(run.path)]
    sealed.path(run.path, "events").unlink()
    without = RunReader.open(run.path)
    assert len(without.series("A1.volts")) == 6
    assert [event.text for event in without.events()] == ["1.0", "1.1", "3.0", "3.1"]
    assert sealed.path(run.path, "events") in {one.path for one in without.skipped}


def test_the_damage_that_an_index_speaks_of_is_told(tmp_path: Path) -> None:
    run = three_sessions(tmp_path)
    path = run.folder("journal") / journal.name(2)
    raw = bytearray(path.read_bytes())
    at = raw.rindex(b"\xf5rf\x1a", 0, len(raw) - 60)
    raw[at + 25] ^= 1
    path.write_bytes(raw)
    live = RunReader.open(run.path).skipped
    seal(run)
    reader = RunReader.open(run.path)
    assert [one.reason for one in reader.skipped] == [one.reason for one in live]
    assert reader.skipped[0].path == reader.catalogue.sealed[1].path(run.path, "readings")
    reader.refresh()
    assert len(reader.skipped) == 1
