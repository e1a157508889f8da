"""A run piece by piece is the run; a summary that is missing or damaged costs time, never an answer."""

from __future__ import annotations

import json
import struct
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from rig.domain.channel_digest import WIDTHS_S, ChangedError, ChannelDigest, digest, merged, whole
from rig.domain.model import Series, Status
from rig.store import pair_summary, rundir
from rig.store.files import OS_DISK
from rig.store.index import FileNote
from rig.store.pair_summary import Gathering
from rig.store.reader import RunReader
from rig.store.seal import seal
from rig.store.verify import verify
from tests.store.rooms import SECOND, UTC_NS, new_run, pair, scan, writer

CHANNELS = ("A1.volts", "A1.amps", "A1.heatsink", "mains", "ambient")


def recorded(folder: Path, *, live: bool = True) -> rundir.RunDir:
    """Return a run of a merged day, an hour of the next day, and a journal that is still open."""
    run = new_run(folder)
    recorder = writer(run)
    for k in [*range(40), *range(3600, 3640), *range(86_400, 86_440)]:
        recorder.scans(pair(k))
        if k % 40 == 7:
            recorder.scan(scan(0, k + 0.3, (float("nan"), 1e6), bytes([Status.NO_REPLY, Status.SUSPECT])))
        recorder.sync()
    recorder.rotate()
    seal(run)
    if live:
        for k in range(90_001, 90_020):
            recorder.scans(pair(k))
        recorder.sync()
    else:
        recorder.close()
    return run


def pieces_are_the_whole(run: RunReader) -> None:
    for channel in CHANNELS:
        pieces = run.pieces(channel)
        series = run.series(channel)
        parts = [piece.series() for piece in pieces]
        for name in ("t_ns", "h_ns", "value", "status", "session"):
            together = np.concatenate([getattr(part, name) for part in parts])
            np.testing.assert_array_equal(together, getattr(series, name))
        for piece, part in zip(pieces, parts, strict=True):
            assert same(piece.digest, digest(part))
        for width_s in WIDTHS_S:
            joined = merged([piece.bins(width_s) for piece in pieces], width_s)
            at_once = whole(series).bins(width_s)
            for name in ("number", "rows", "usable", "mean", "low", "high"):
                np.testing.assert_array_equal(getattr(joined, name), getattr(at_once, name))


def same(a: ChannelDigest, b: ChannelDigest) -> bool:
    return np.array_equal(a, b, equal_nan=True)


def summaries(run: rundir.RunDir) -> list[Path]:
    return sorted(run.folder("summary").iterdir())


def test_pieces_of_a_running_run_are_what_its_series_are(tmp_path: Path) -> None:
    run = recorded(tmp_path)
    opened = RunReader.open(run.path)
    assert len(opened.pieces("mains")) == len(opened.catalogue.sealed) + 1
    pieces_are_the_whole(opened)
    assert opened.skipped == ()


def test_a_sealed_pair_is_known_without_reading_it(tmp_path: Path) -> None:
    run = recorded(tmp_path)
    opened = RunReader.open(run.path)
    pieces = opened.pieces("mains")
    for path in run.folder("readings").iterdir():
        path.write_bytes(bytes(path.stat().st_size))
    known = [piece.digest.rows for piece in pieces]
    assert sum(known) == 139
    assert pieces[0].bins(60).rows.sum() == known[0]


@pytest.mark.parametrize("damage", ["gone", "shorter", "footer", "page"])
def test_a_summary_that_is_no_good_is_worked_out_again(tmp_path: Path, damage: str) -> None:
    run = recorded(tmp_path)
    for path in summaries(run):
        raw = bytearray(path.read_bytes())
        if damage == "gone":
            path.unlink()
            continue
        at = len(raw) - 60 if damage == "footer" else 60
        raw[at] ^= 1
        path.write_bytes(raw[:-1] if damage == "shorter" else raw)
    opened = RunReader.open(run.path)
    pieces_are_the_whole(opened)
    assert opened.skipped == ()
    faults = verify(run.path).faults
    assert {fault.path for fault in faults} == (set() if damage == "gone" else set(summaries(run)))


def test_readings_that_are_not_what_their_summary_says_are_told_once_and_then_gone_without(
    tmp_path: Path,
) -> None:
    run = recorded(tmp_path)
    opened = RunReader.open(run.path)
    before = opened.pieces("mains")
    first = opened.catalogue.sealed[0].path(run.path, "readings")
    first.write_bytes(bytes(first.stat().st_size))
    with pytest.raises(ChangedError):
        before[0].series()
    after = opened.pieces("mains")
    assert len(after) == len(before) - 1
    assert [one.path for one in opened.skipped] == [first]
    assert sum(len(piece.series()) for piece in after) == len(opened.series("mains"))


def test_a_piece_merged_away_while_it_is_held_is_found_in_its_heir(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    for k in [*range(20), *range(3600, 3620)]:
        recorder.scans(pair(k))
        recorder.sync()
    recorder.rotate()
    seal(run)
    opened = RunReader.open(run.path)
    before = opened.series("mains")
    pieces = opened.pieces("mains")
    assert len(pieces) == 2
    recorder.close()
    seal(run, finish=True)
    assert len(summaries(run)) == 1
    after = np.concatenate([piece.series().value for piece in pieces])
    np.testing.assert_array_equal(after, before.value)


def test_a_summary_is_what_the_format_page_says(tmp_path: Path) -> None:
    run = recorded(tmp_path)
    path = summaries(run)[0]
    table = pq.read_table(path).to_pandas()
    readings = pq.read_table(run.folder("readings") / path.name).to_pandas()
    readings = readings[(readings.status == 0) & readings.value.notna()]
    for width_s in (60, 300, 1800):
        mine = table[table.width == width_s].set_index(["channel", "time"])
        start = readings.time.dt.floor(f"{width_s}s").rename("start")
        groups = readings.groupby([readings.channel.astype(str), start])
        expected = groups.value.agg(["min", "max", "size", "mean"])
        expected = expected.rename_axis(["channel", "time"]).rename(columns={"mean": "mean_read"})
        both = mine[mine.usable > 0].join(expected, how="outer")
        assert len(both) == len(expected)
        assert (both.low == both["min"]).all()
        assert (both.high == both["max"]).all()
        assert (both.usable == both["size"]).all()
        np.testing.assert_allclose(both["mean"], both["mean_read"], rtol=1e-12)
    metadata = pq.read_metadata(path).metadata
    assert metadata is not None
    facts = json.loads(metadata[b"soakrig-summary"])
    assert facts["format"] == 1
    group = pq.ParquetFile(path).read_row_group(0).to_pandas()
    width_s, crc, counts = facts["levels"][0]
    assert (width_s, sum(counts)) == (1800, len(group))
    number = [int(t.timestamp()) // width_s for t in group.time]
    raw = b"".join(struct.pack(f"<{len(group)}q", *column) for column in (number, group.rows, group.usable))
    nan = struct.unpack("<d", b"\0\0\0\0\0\0\xf8\x7f")[0]
    for name in ("mean", "low", "high"):
        raw += struct.pack(f"<{len(group)}d", *(nan if x != x else x for x in group[name]))
    assert zlib.crc32(raw) == crc


# ---- written and read alone (FORMAT.md, "Summaries")


def series(channel: str, *seconds_and_values: tuple[int, float]) -> Series:
    count = len(seconds_and_values)
    return Series(
        channel=channel, t_ns=np.array([UTC_NS + at * SECOND for at, _ in seconds_and_values], np.int64),
        h_ns=np.full(count, 1000, np.int64), value=np.array([value for _, value in seconds_and_values]),
        status=np.zeros(count, np.uint8), session=np.ones(count, np.int32),
    )  # fmt: skip


A = series("hör", (0, 1.0), (59, 3.0), (60, np.nan), (299, 7.0), (300, -1.0), (1799, 2.0), (1800, 4.0))
B = series("b", (30, 10.0), (7200, 20.0))


def gathered(path: Path, *parts: Series) -> FileNote:
    gathering = Gathering()
    assert list(gathering.through(parts)) == list(parts)  # passed on as they are
    return gathering.write(OS_DISK, path)


def test_a_summary_written_is_read_again_channel_by_channel(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    note = gathered(path, A, series("none"), B)
    found = pair_summary.read(OS_DISK, path, note)
    assert found is not None
    assert list(found.digests) == ["hör", "b"]
    assert same(found.digests["hör"], digest(A))
    assert same(found.digests["b"], digest(B))
    for channel, whole_of_it in (("b", B), ("hör", A), ("b", B)):
        for width_s in (300, 60, 1800):
            mine = found.bins(channel, width_s)
            assert mine is not None
            assert mine.width_s == width_s
            for name in ("number", "rows", "usable", "mean", "low", "high"):
                expected = getattr(whole(whole_of_it).bins(width_s), name)
                np.testing.assert_array_equal(getattr(mine, name), expected)
    half_hours = found.bins("hör", 1800)
    assert half_hours is not None
    first = UTC_NS // SECOND // 1800
    assert half_hours.number.tolist() == [first, first + 1]
    assert (half_hours.rows.tolist(), half_hours.usable.tolist()) == ([6, 1], [5, 1])
    assert (half_hours.low.tolist(), half_hours.high.tolist()) == ([-1.0, 4.0], [7.0, 4.0])
    assert half_hours.mean.tolist() == [2.4, 4.0]  # (1 + 3 + 7 - 1 + 2) / 5


def test_the_columns_of_a_summary_are_those_of_the_format_page(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    gathered(path, A, B)
    schema = pq.read_schema(path)
    assert [(one.name, str(one.type), one.nullable) for one in schema] == [
        ("time", "timestamp[us, tz=UTC]", False),
        ("width", "int32", False),
        ("channel", "dictionary<values=string, indices=int32, ordered=0>", False),
        ("rows", "int32", False),
        ("usable", "int32", False),
        *((name, "double", True) for name in ("mean", "low", "high")),
    ]
    frame = pq.read_table(path).to_pandas()
    assert frame.width.drop_duplicates().tolist() == [1800, 300, 60]
    empty = frame[frame.usable == 0]
    assert len(empty) == 1  # the minute of the reading without a number
    assert pq.read_table(path).column("mean").null_count == 1
    metadata = pq.read_metadata(path)
    assert metadata.num_row_groups == 3
    assert metadata.metadata is not None
    text = metadata.metadata[b"soakrig-summary"].decode()
    assert '"digests":{"hör":[7,6,' in text
    assert json.loads(text)["digests"]["b"] == [
        2, 2, UTC_NS + 30 * SECOND, UTC_NS + 7200 * SECOND, 10.0, 20.0, 0, 1, UTC_NS + 7200 * SECOND, 0, 1,
        10.0, 20.0, 1, 10.0, 1,
    ]  # fmt: skip


def test_a_channel_without_a_usable_reading_has_null_for_numbers(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    blank = series("x", (0, np.nan))
    found = pair_summary.read(OS_DISK, path, gathered(path, blank))
    assert found is not None
    assert same(found.digests["x"], digest(blank))
    assert np.isnan(found.digests["x"].low)
    metadata = pq.read_metadata(path).metadata
    assert metadata is not None
    assert b"NaN" not in metadata[b"soakrig-summary"]


def test_a_summary_of_nothing_holds_nothing(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    found = pair_summary.read(OS_DISK, path, gathered(path))
    assert found is not None
    assert found.digests == {}


def test_a_row_group_is_read_once(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    found = pair_summary.read(OS_DISK, path, gathered(path, A, B))
    assert found is not None
    assert found.bins("b", 60) is not None
    path.unlink()
    assert found.bins("hör", 60) is not None
    assert found.bins("hör", 300) is None
    assert found.bins("hör", 60) is not None


def test_a_summary_of_a_newer_format_or_another_length_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "x.parquet"
    note = gathered(path, A)
    assert pair_summary.read(OS_DISK, path, replace(note, size=note.size + 1)) is None
    assert pair_summary.read(OS_DISK, path, replace(note, tail_crc=note.tail_crc ^ 1)) is None
    assert pair_summary.read(OS_DISK, tmp_path / "none", note) is None
    (tmp_path / "newer").mkdir()
    monkeypatch.setattr(pair_summary, "FORMAT", 2)
    newer = gathered(tmp_path / "newer" / "x.parquet", A)
    monkeypatch.undo()
    assert pair_summary.read(OS_DISK, tmp_path / "newer" / "x.parquet", newer) is None


def test_a_row_group_that_is_not_what_was_written_is_none(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    note = gathered(path, A, B)
    other = tmp_path / "other.parquet"
    gathered(other, replace(A, value=A.value + 1), B)
    mine, theirs = bytearray(path.read_bytes()), other.read_bytes()
    column = pq.read_metadata(path).row_group(0).column(5)  # means of the half hours
    begin = column.data_page_offset
    mine[begin : begin + column.total_compressed_size] = theirs[begin : begin + column.total_compressed_size]
    path.write_bytes(mine)
    found = pair_summary.read(OS_DISK, path, note)
    assert found is not None
    assert found.bins("hör", 1800) is None
    assert found.bins("hör", 300) is not None
