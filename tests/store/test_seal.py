import errno
import logging
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from rig.domain.model import EventKind, Series, Status
from rig.errors import FormatError, StoreError
from rig.store import catalogue, journal, segments
from rig.store.files import OS_DISK
from rig.store.index import pack
from rig.store.reader import RunReader
from rig.store.rundir import Lock, RunDir
from rig.store.seal import SEAL_LOCK, main, seal
from tests.store.faulty import FaultyDisk
from tests.store.rooms import BLOCKS, BOOT_NS, SECOND, UTC_NS, new_run, scan, writer

CHANNELS = [name for block in BLOCKS for name in block]


def same(one: Series, other: Series) -> bool:
    return all(
        np.array_equal(getattr(one, name), getattr(other, name), equal_nan=name == "value")
        for name in ("t_ns", "h_ns", "value", "status", "session")
    )


def hours(run: RunDir, first: int, last: int, *, session: int = 1) -> None:
    """Record a reading every five minutes from hour ``first`` to ``last`` after midnight."""
    start = first * 3600 * SECOND
    recorder = writer(run, session=session, boot_ns=BOOT_NS + start, utc_ns=UTC_NS + start)
    for minute in range(first * 60, last * 60, 5):
        recorder.scan(scan(0, minute * 60 + 1, (minute, -minute)))
        statuses = bytes([Status.GOOD, Status.OVER, Status.SUSPECT])
        recorder.scan(scan(1, minute * 60 + 2, (0.1 * minute, np.nan, 7.5), statuses))
        if minute % 60 == 0:
            recorder.event(EventKind.NOTE, BOOT_NS + minute * 60 * SECOND, "run", f"hour {minute // 60}")
        recorder.sync()
    recorder.close()


def asked(query: str) -> list[tuple[Any, ...]]:
    return duckdb.connect().execute(query).fetchall()


def statistics(metadata: pq.FileMetaData, group: int, column: int) -> pq.Statistics:
    found = metadata.row_group(group).column(column).statistics
    assert found is not None
    return found


def names(run: RunDir, folder: str) -> list[str]:
    return [name for name in OS_DISK.names(run.folder(folder)) if not name.startswith(".")]


def test_sealing_changes_nothing_that_is_read(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    hours(run, 0, 5)
    before = RunReader.open(run.path)
    live = {channel: before.series(channel) for channel in CHANNELS}
    outcome = seal(run)
    assert outcome.wrong == ()
    assert names(run, "journal") == []
    assert len(names(run, "readings")) == len(outcome.sealed) == 5
    after = RunReader.open(run.path)
    for channel in CHANNELS:
        assert len(live[channel]) == 60
        assert same(live[channel], after.series(channel)), channel
    assert after.events() == before.events()
    assert after.sessions == before.sessions
    assert after.span == before.span
    assert after.skipped == ()


def test_a_run_opened_before_sealing_reads_on_after_it(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    hours(run, 0, 3)
    hours(run, 30, 31, session=2)
    recording = RunReader.open(run.path)
    before = recording.series("mains")
    seal(run, finish=True)
    assert same(recording.series("mains"), before)
    recording.refresh()
    assert same(recording.series("mains"), before)
    assert names(run, "readings") == [
        "2026-01-01-000001-000003.parquet",
        "2026-01-02T06-000004-000004.parquet",
    ]
    assert same(recording.series("mains"), before)


def test_a_day_is_merged_when_another_day_has_begun_and_not_before(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    hours(run, 20, 26)
    assert seal(run).merged == ("2026-01-01-000001-000004",)
    assert names(run, "events") == [
        "2026-01-01-000001-000004.parquet",
        "2026-01-02T00-000005-000005.parquet",
        "2026-01-02T01-000006-000006.parquet",
    ]
    hours(run, 26, 27, session=2)
    seal(run, finish=True)
    assert names(run, "readings") == names(run, "events")
    assert names(run, "readings") == [
        "2026-01-01-000001-000004.parquet",
        "2026-01-02-000005-000007.parquet",
    ]
    recording = RunReader.open(run.path)
    assert len(recording.series("A1.volts")) == 7 * 12
    assert recording.series("A1.volts").session.tolist() == [1] * 72 + [2] * 12
    assert [event.text for event in recording.events()] == [f"hour {k}" for k in range(20, 27)]


def test_channels_that_came_and_went_in_mid_run_are_whole_for_this_reader_and_for_others(
    tmp_path: Path,
) -> None:
    """Each file has the same columns whatever the rig had, so no tool takes the first for the only ones."""
    run = new_run(tmp_path)
    hours(run, 0, 2)
    start = 2 * 3600 * SECOND
    blocks = (("A2.volts", "A1.volts"),)  # one added and put first, one kept, four gone
    recorder = writer(run, session=2, boot_ns=BOOT_NS + start, utc_ns=UTC_NS + start, blocks=blocks)
    for minute in range(120, 180, 5):
        recorder.scan(scan(0, minute * 60, (-1.0, minute)))
    recorder.close()
    expected = dict.fromkeys(CHANNELS, 24) | {"A1.volts": 36, "A2.volts": 12}
    live = RunReader.open(run.path)
    assert {name: len(live.series(name)) for name in expected} == expected
    for merged in (False, True):
        seal(run, finish=merged)
        assert len(names(run, "readings")) == (1 if merged else 3)
        recording = RunReader.open(run.path)
        assert recording.channels() == sorted(expected)
        for name in expected:
            assert same(recording.series(name), live.series(name)), name
        frame = pd.read_parquet(run.folder("readings"))
        assert frame["channel"].value_counts().to_dict() == expected
        kept = frame.loc[frame["channel"] == "A1.volts", "value"].tolist()
        assert kept == [float(minute) for minute in range(0, 180, 5)]


def test_the_journal_in_use_is_left_alone(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.scan(scan(0, 1, (1.0, 2.0)))
    recorder.sync()
    assert seal(run).sealed == ()
    recorder.rotate()
    recorder.scan(scan(0, 2, (3.0, 4.0)))
    recorder.sync()
    assert len(seal(run).sealed) == 1
    assert names(run, "journal") == [journal.name(2)]
    recorder.scan(scan(0, 3, (5.0, 6.0)))
    recorder.close()
    assert RunReader.open(run.path).series("A1.volts").value.tolist() == [1.0, 3.0, 5.0]


def test_the_readings_folder_opens_with_pandas_and_duckdb_as_it_is(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    hours(run, 22, 26)
    seal(run)
    folder = run.folder("readings")
    frame = pd.read_parquet(folder)
    assert list(frame.columns) == ["time", "channel", "value", "status", "half_width", "session"]
    volts = frame[frame["channel"] == "A1.volts"].sort_values("time")
    assert volts["value"].tolist() == list(range(22 * 60, 26 * 60, 5))
    assert str(volts["time"].iloc[0]) == "2026-01-01 22:00:01.010000+00:00"
    assert frame[frame["channel"] == "mains"]["value"].isna().all()
    files = f"read_parquet('{folder}/*.parquet')"
    found = asked(f"SELECT channel, count(*), count(value), max(status) FROM {files} GROUP BY 1")
    rows = {row[0]: row[1:] for row in found}
    assert rows["mains"] == (48, 0, int(Status.OVER))
    assert rows["ambient"] == (48, 48, int(Status.SUSPECT))
    assert rows["A1.volts"] == (48, 48, 0)
    (stamp,) = asked(f"SELECT min(time) AT TIME ZONE 'UTC' FROM {files}")
    assert str(stamp[0]) == "2026-01-01 22:00:01.010000"
    events = pd.read_parquet(run.folder("events"))
    assert sorted(events["text"]) == ["hour 22", "hour 23", "hour 24", "hour 25"]


def test_each_channel_is_one_row_group_with_statistics(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    hours(run, 0, 2)
    hours(run, 2, 3, session=2)
    seal(run, finish=True)
    (name,) = names(run, "readings")
    metadata = pq.read_metadata(run.folder("readings") / name)
    assert metadata.num_row_groups == len(CHANNELS)
    for k, channel in enumerate(sorted(CHANNELS)):
        time, group, value, status = (statistics(metadata, k, column) for column in range(4))
        assert group.min == group.max == channel
        assert status.has_min_max
        assert time.has_min_max
        assert value.has_min_max == (channel != "mains")
    stretch = RunReader.open(run.path).stretches("A1.amps")
    assert [(one.low, one.high, one.worst, one.rows) for one in stretch] == [(-175.0, 0.0, 0, 36)]
    assert stretch[0].start_ns == UTC_NS + SECOND + 10_000_000


def test_what_a_larger_file_holds_is_never_counted_twice(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    hours(run, 0, 3)
    kept = {path.name: path.read_bytes() for path in run.folder("journal").iterdir()}
    seal(run)
    pieces = {f"{folder}/{path.name}": path.read_bytes() for folder in ("readings", "events", "sealed")
              for path in run.folder(folder).iterdir()}  # fmt: skip
    seal(run, finish=True)
    for name, raw in kept.items():
        (run.folder("journal") / name).write_bytes(raw)
    for name, raw in pieces.items():
        (run.path / name).write_bytes(raw)
    recording = RunReader.open(run.path)
    assert len(recording.series("A1.volts")) == 36
    assert len(recording.events()) == 3
    outcome = seal(run)
    assert len(outcome.cleared) == 3 + 3
    assert names(run, "journal") == []
    for folder in ("events", "readings"):
        assert names(run, folder) == ["2026-01-01-000001-000003.parquet"]
    assert names(run, "sealed") == ["2026-01-01-000001-000003.json"]
    assert len(RunReader.open(run.path).series("A1.volts")) == 36


def test_a_day_groups_only_neighbouring_journals() -> None:
    def sealed(day: str, hour: str | None, first: int, last: int) -> catalogue.Sealed:
        found = catalogue.parse(catalogue.sealed_name(day, hour, first, last))
        assert found is not None
        return found

    one = [sealed("2026-01-01", None, 1, 9), sealed("2026-01-01", "23", 10, 10)]
    back = [sealed("1970-01-01", "00", 11, 11), sealed("1970-01-01", "01", 12, 12)]
    again = [sealed("2026-01-01", "23", 13, 13)]
    assert segments.mergeable([*one, *back, *again], None, finish=False) == [one, back]
    assert segments.mergeable(one, "2026-01-01", finish=False) == []
    assert segments.mergeable(one, "2026-01-02", finish=False) == [one]


def test_a_pair_that_a_newer_soakrig_sealed_is_left_alone_and_named(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    hours(run, 0, 2)
    kept = {path: path.read_bytes() for path in run.folder("journal").iterdir()}
    seal(run, finish=True)
    for path, raw in kept.items():
        path.write_bytes(raw)
    (index,) = run.folder("sealed").iterdir()
    index.write_bytes(pack(b'{"format": 2}'))
    assert seal(run).cleared == ()
    assert [path.name for path in run.folder("sealed").iterdir()] == [index.name]
    recording = RunReader.open(run.path)
    assert len(recording.series("A1.volts")) == 24
    assert any("install the newer soakrig" in one.reason for one in recording.skipped)


# ---- room, and the command


@pytest.mark.parametrize(("short", "sealed"), [(0, 1), (1, 0)])
def test_a_journal_is_sealed_where_twice_its_length_is_free(tmp_path: Path, short: int, sealed: int) -> None:
    run = new_run(tmp_path)
    hours(run, 0, 1)
    disk = FaultyDisk()
    need = 2 * (run.folder("journal") / journal.name(1)).stat().st_size
    disk.free_bytes = need - short
    outcome = seal(run, disk=disk)
    assert len(outcome.sealed) == sealed
    if short:
        (wrong,) = outcome.wrong
        assert wrong.startswith(f"j000001.journal: not sealed: {need - 1} bytes free, {need} needed; ")


def test_a_day_is_not_over_while_a_journal_of_it_is_open(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    hours(run, 0, 2)
    start = 2 * 3600 * SECOND
    recorder = writer(run, session=2, boot_ns=BOOT_NS + start, utc_ns=UTC_NS + start)
    recorder.scan(scan(0, 7201, (1.0, 2.0)))
    recorder.sync()
    assert seal(run).merged == ()
    recorder.close()
    start = 24 * 3600 * SECOND
    later = writer(run, session=3, boot_ns=BOOT_NS + start, utc_ns=UTC_NS + start)
    (run.folder("journal") / "j000009.journal").write_bytes(b"what nobody can read")
    assert seal(run).merged == ("2026-01-01-000001-000003",)
    later.close()


def test_a_merge_that_fails_names_the_day_and_leaves_its_pairs(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    hours(run, 0, 2)
    seal(run)
    disk = FaultyDisk()
    disk.refuse = lambda deed, _path: errno.ENOSPC if deed == "append" else 0
    outcome = seal(run, finish=True, disk=disk)
    assert outcome.merged == ()
    (wrong,) = outcome.wrong
    assert wrong.startswith("2026-01-01: could not seal 2026-01-01-000001-000002: No space left")
    assert len(names(run, "readings")) == 2


def test_the_command_seals_says_what_it_did_and_merges_at_the_end(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    run = new_run(tmp_path)
    hours(run, 0, 2)
    for k in range(25):
        (run.folder("readings") / f".{k:02d}.tmp").touch()
    with caplog.at_level(logging.INFO):
        assert main([str(run.path)]) == 0
    assert len(caplog.messages) == 20 + 1  # not every left-over by name
    assert caplog.messages[-1] == "2 journals sealed, 0 days merged, 25 leftovers removed"
    assert caplog.messages[0] == ".00.tmp removed: an unfinished file"
    caplog.clear()
    with caplog.at_level(logging.INFO):
        assert main([str(run.path), "--finish"]) == 0
    assert caplog.messages == ["0 journals sealed, 1 days merged, 0 leftovers removed"]
    assert names(run, "readings") == ["2026-01-01-000001-000002.parquet"]


def test_the_command_fails_with_what_it_could_not_do(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    assert main([str(tmp_path)]) == FormatError.exit_code
    assert "is not a run directory" in caplog.messages[0]
    run = new_run(tmp_path)
    for k in range(1, 25):
        (run.folder("journal") / journal.name(k)).write_bytes(b"what nobody can read")
    caplog.clear()
    assert main([str(run.path)]) == StoreError.exit_code == 5  # the daemon tells it by this number
    errors = [record for record in caplog.records if record.levelno == logging.ERROR]
    assert len(errors) == 20
    assert "j000001.journal" in errors[0].message


def test_the_command_leaves_a_run_to_one_who_is_sealing_it(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    run = new_run(tmp_path)
    hours(run, 0, 1)
    with Lock(run.path / SEAL_LOCK).acquire(), caplog.at_level(logging.INFO):
        assert main([str(run.path)]) == 0
    assert caplog.messages == [f"another process is sealing {run.path}; nothing to do"]
    assert len(names(run, "journal")) == 1


def test_the_command_writes_each_line_with_its_level_to_standard_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    run = new_run(tmp_path)
    (run.folder("journal") / journal.name(1)).write_bytes(b"what nobody can read")
    root = logging.getLogger()
    monkeypatch.setattr(root, "handlers", [])  # as in a process of its own
    monkeypatch.setattr(root, "level", logging.WARNING)
    main([str(run.path)])
    first, second = capsys.readouterr().err.splitlines()
    assert first == "INFO 0 journals sealed, 0 days merged, 0 leftovers removed"
    assert second.startswith("ERROR ")
