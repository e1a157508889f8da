"""Stamps and columns by hand: how a stamp is rounded, and what becomes of scans channel by channel."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import numpy as np
import pytest

from rig.domain.model import EventKind, Series, Status
from rig.store import columns, reading_stamps
from rig.store.files import OS_DISK
from rig.store.journal import JournalReader
from tests.store.test_journal_frames import EVENT, FACTS, SALT, SCAN, frame, head_bytes

MS = 1_000_000


def ints(*values: int) -> np.ndarray:
    return np.array(values, dtype=np.int64)


def test_a_reading_lies_in_the_middle_of_its_question_and_reply() -> None:
    t, h = reading_stamps.interval(ints(100, 100, -5, 7), ints(110, 111, 6, 7))
    assert t.tolist() == [105, 105, 0, 7]
    assert h.tolist() == [5, 6, 6, 0]  # rounded outwards


@pytest.mark.parametrize(
    ("h_ns", "step_ns"),
    [
        (0, 1000),
        (9, 1000),
        (99_999, 1000),
        (100_000, 10_000),
        (999_999, 10_000),
        (MS, 100_000),
        (10 * MS - 1, 100_000),
        (10 * MS, MS),
        (99 * MS, MS),
        (100 * MS, 10 * MS),
        (10_000_000_000, 1_000_000_000),
    ],
)
def test_a_stamp_is_given_to_a_tenth_of_its_half_width(h_ns: int, step_ns: int) -> None:
    assert reading_stamps.quantum(ints(h_ns)).tolist() == [step_ns]


@pytest.mark.parametrize(
    ("t_ns", "h_ns", "rounded"),
    [
        (123_456_789, 10 * MS, (123 * MS, 11 * MS)),
        (123_500_000, 10 * MS, (124 * MS, 11 * MS)),
        (123_000_000, 10 * MS, (123 * MS, 10 * MS)),
        (-123_456_789, 10 * MS, (-123 * MS, 11 * MS)),
        (1499, 0, (1000, 1000)),
        (1500, 0, (2000, 1000)),
        (2000, 0, (2000, 0)),
        (2000, 1, (2000, 1000)),
    ],
)
def test_the_old_interval_lies_within_the_rounded_one(t_ns: int, h_ns: int, rounded: tuple[int, int]) -> None:
    t, h = reading_stamps.rounded(ints(t_ns), ints(h_ns))
    assert (int(t[0]), int(h[0])) == rounded
    assert int(t[0] - h[0]) <= t_ns - h_ns
    assert t_ns + h_ns <= int(t[0] + h[0])


def scan_of(block: int, sent: int, values: tuple[float, ...], statuses: bytes) -> bytes:
    return struct.pack(f"<Hqq{len(values)}d{len(values)}s", block, sent, sent + 20 * MS, *values, statuses)


def event(at: int) -> bytes:
    return struct.pack("<q", at) + b'{"kind":"note","subject":"s","text":"t","data":{}}'


def content(folder: Path, *records: bytes, blocks: list[list[str]] | None = None) -> columns.Content:
    """What a journal of these records (frames numbered from 0) holds."""
    facts = json.dumps(FACTS | {"blocks": blocks or [["a", "b"], ["c"]]}).encode()
    path = folder / "j000003.journal"
    path.write_bytes(head_bytes() * 2 + frame(1, 0, facts, SALT) + b"".join(records))
    reader = JournalReader(path, OS_DISK)
    reader.advance()
    return columns.content(reader, None)


def test_scans_become_columns_by_channel_with_what_carries_no_number_as_nan(tmp_path: Path) -> None:
    found = content(
        tmp_path,
        frame(SCAN, 0, scan_of(0, 100 * MS, (1.0, 2.0), bytes([0, 1]))),
        frame(SCAN, 1, scan_of(1, 200 * MS, (3.0,), bytes([2]))),
        frame(EVENT, 2, event(250 * MS)),
        frame(SCAN, 3, scan_of(0, 300 * MS, (4.0, float("nan")), bytes([Status.NO_REPLY, 0]))),
    )
    assert found.channels() == ["a", "b", "c"]
    assert (found.rows(), found.session, found.senseless) == (5, 7, ())
    assert [(e.kind, e.seq, e.t_ns) for e in found.events] == [(EventKind.NOTE, 2, 250 * MS + 1000)]
    a, b, c = found.series("a"), found.series("b"), found.series("c")
    assert a is not None
    assert b is not None
    assert c is not None
    assert a.value == pytest.approx([1.0, np.nan], nan_ok=True)
    assert a.status.tolist() == [0, Status.NO_REPLY]
    assert b.value == pytest.approx([2.0, np.nan], nan_ok=True)  # a suspect number is kept
    assert c.value == pytest.approx([np.nan], nan_ok=True)
    assert a.t_ns.tolist() == [110 * MS, 310 * MS]  # rounded to a millisecond: offset 1000 ns
    assert a.h_ns.tolist() == [11 * MS, 11 * MS]
    assert a.session.tolist() == [7, 7]
    assert found.span() == (110 * MS, 310 * MS)
    assert found.series("d") is None


def test_a_channel_of_two_blocks_is_one_series_in_recorded_order(tmp_path: Path) -> None:
    found = content(
        tmp_path,
        frame(SCAN, 0, scan_of(1, 300 * MS, (1.0,), b"\0")),
        frame(SCAN, 1, scan_of(0, 100 * MS, (2.0, 9.0), b"\0\1")),
        frame(SCAN, 2, scan_of(1, 200 * MS, (3.0,), b"\1")),
        blocks=[["a", "b"], ["a"]],
    )
    a = found.series("a")
    assert a is not None
    assert a.value.tolist() == [1.0, 2.0, 3.0]
    assert a.status.tolist() == [0, 0, 1]
    assert a.t_ns.tolist() == [310 * MS, 110 * MS, 210 * MS]
    assert len(a.h_ns) == 3
    assert found.channels() == ["a", "b"]


def test_records_that_make_no_sense_are_reported_by_number(tmp_path: Path) -> None:
    found = content(
        tmp_path,
        frame(SCAN, 0, scan_of(2, 0, (1.0,), b"\0")),  # no such block
        frame(SCAN, 1, scan_of(1, 0, (1.0, 2.0), b"\0\0")),  # too long
        frame(EVENT, 2, b"12345678{"),
        frame(SCAN, 3, scan_of(1, 0, (1.0,), b"\0")),
    )
    assert found.senseless == (0, 1, 2)
    assert found.rows() == 1
    assert found.channels() == ["c"]


def test_a_journal_without_records_has_no_span_and_one_of_events_has_theirs(tmp_path: Path) -> None:
    assert content(tmp_path).span() is None
    assert content(tmp_path, frame(EVENT, 0, event(5)), frame(EVENT, 1, event(-9))).span() == (
        -9 + 1000,
        1005,
    )


def some(values: list[float], start: int = 0) -> Series:
    n = len(values)
    return Series(
        channel="x", t_ns=start + 10 * np.arange(n, dtype=np.int64), h_ns=np.arange(n, dtype=np.int64),
        value=np.array(values), status=np.arange(n, dtype=np.uint8), session=np.full(n, 3, np.int32),
    )  # fmt: skip


def test_series_are_joined_end_to_end_column_by_column() -> None:
    one, other = some([1.0, 2.0]), some([3.0, 4.0, 5.0], 100)
    both = columns.joined("y", [one, other])
    assert both.channel == "y"
    assert both.value.tolist() == [1, 2, 3, 4, 5]
    assert both.t_ns.tolist() == [0, 10, 100, 110, 120]
    assert both.h_ns.tolist() == [0, 1, 0, 1, 2]
    assert both.status.tolist() == [0, 1, 0, 1, 2]
    assert both.session.tolist() == [3] * 5
    assert len(columns.joined("y", [])) == 0
    assert columns.joined("x", [one]) is one


@pytest.mark.parametrize(
    ("start", "end", "kept"),
    [(None, None, [0, 1, 2, 3]), (10, None, [1, 2, 3]), (None, 20, [0, 1, 2]), (10, 20, [1, 2]), (11, 19, []),
     (-5, 99, [0, 1, 2, 3])],
)  # fmt: skip
def test_readings_within_a_time_include_both_its_ends(
    start: int | None, end: int | None, kept: list[int]
) -> None:
    found = columns.within(some([5.0, 6.0, 7.0, 8.0]), start, end)
    assert found.t_ns.tolist() == [10 * k for k in kept]
    assert found.h_ns.tolist() == found.status.tolist() == kept
    assert found.value.tolist() == [5.0 + k for k in kept]
    assert found.session.tolist() == [3] * len(kept)
