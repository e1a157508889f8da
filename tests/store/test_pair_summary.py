"""A run piece by piece is the run; a summary that is missing or damaged costs time, never an answer."""

from __future__ import annotations

import json
import struct
import zlib
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from rig.domain.channel_digest import WIDTHS_S, ChangedError, ChannelDigest, digest, merged, whole
from rig.domain.model import Status
from rig.store import rundir
from rig.store.reader import RunReader
from rig.store.seal import seal
from rig.store.verify import verify
from tests.store.rooms import new_run, pair, scan, writer

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
