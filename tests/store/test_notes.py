"""Notes about the files of a run: stretches of time, and damage in words."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rig.domain.model import Series
from rig.store import catalogue, notes
from tests.store.rooms import SECOND, UTC_NS

HOUR_NS = 3600 * SECOND


@pytest.mark.parametrize(
    ("name", "start_ns", "end_ns"),
    [
        ("2026-01-01T00-000001-000001", UTC_NS, UTC_NS + HOUR_NS),
        ("2026-01-01T05-000001-000001", UTC_NS + 5 * HOUR_NS, UTC_NS + 6 * HOUR_NS),
        ("2026-01-02-000001-000009", UTC_NS + 24 * HOUR_NS, UTC_NS + 48 * HOUR_NS),
    ],
)
def test_a_sealed_file_stands_for_the_hour_or_the_day_in_its_name(
    name: str, start_ns: int, end_ns: int
) -> None:
    sealed = catalogue.parse(name)
    assert sealed is not None
    assert notes.named_span(sealed) == (start_ns, end_ns)


@pytest.mark.parametrize(
    ("start_ns", "end_ns", "outside"),
    [(None, None, False), (20, None, False), (21, None, True), (None, 10, False), (None, 9, True),
     (12, 15, False), (0, 9, True), (21, 30, True), (0, 99, False), (0, None, False), (None, 99, False)],
)  # fmt: skip
def test_a_stretch_that_touches_the_bounds_is_not_outside_of_them(
    start_ns: int | None, end_ns: int | None, outside: bool
) -> None:
    assert notes.outside(10, 20, start_ns, end_ns) is outside


def series(value: list[float]) -> Series:
    count = len(value)
    return Series(
        channel="x", t_ns=np.array([7, 5, 9][:count]), h_ns=np.ones(count, np.int64), value=np.array(value),
        status=np.array([0, 3, 1][:count], np.uint8), session=np.ones(count, np.int32),
    )  # fmt: skip


def test_a_stretch_has_the_extremes_of_its_readings() -> None:
    assert notes.stretch_of("j", series([4.0, np.nan, -2.0])) == notes.ChannelSpan(
        source="j", start_ns=5, end_ns=9, low=-2.0, high=4.0, worst=3, rows=3
    )
    empty = notes.stretch_of("j", series([np.nan, np.nan]))
    assert np.isnan([empty.low, empty.high]).all()
    assert (empty.start_ns, empty.end_ns, empty.rows) == (5, 7, 2)


@pytest.mark.parametrize(
    ("after_seq", "next_seq", "lost"),
    [(5, None, "records from 5 on are missing"), (5, 9, "records 5 to 8 are missing"),
     (5, 6, "records 5 to 5 are missing"), (5, 5, "no record lost")],
)  # fmt: skip
def test_damage_in_a_journal_is_told_by_its_place_and_the_records_it_cost(
    after_seq: int, next_seq: int | None, lost: str
) -> None:
    note = {"journal": "j000001.journal", "offset": 700, "size": 31, "reason": "damaged", "start_ns": 1,
            "end_ns": 2, "after_seq": after_seq, "next_seq": next_seq}  # fmt: skip
    assert notes.skipped_by(Path("p"), note) == notes.Skipped(
        path=Path("p"), start_ns=1, end_ns=2,
        reason=f"j000001.journal: 31 damaged bytes at offset 700; {lost}",
    )  # fmt: skip


def test_damage_in_a_pair_or_of_one_record_is_told_as_it_was_noted() -> None:
    pair = {"pair": "x", "channel": None, "rows": 3, "reason": "x.parquet: footer damaged", "start_ns": 1,
            "end_ns": 2}  # fmt: skip
    assert notes.skipped_by(Path("p"), pair) == notes.Skipped(
        path=Path("p"), reason="x.parquet: footer damaged", start_ns=1, end_ns=2
    )
    record = {"journal": "j000001.journal", "record": 4, "reason": "makes no sense"}
    assert notes.skipped_by(Path("p"), record) == notes.Skipped(
        path=Path("p"), reason="j000001.journal: record 4 makes no sense"
    )
