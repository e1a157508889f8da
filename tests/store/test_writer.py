from pathlib import Path

import numpy as np
import pytest

from rig.domain.model import EventKind
from rig.store.reader import RunReader
from rig.store.tail import Tail
from tests.store.rooms import BOOT_NS, SECOND, UTC_NS, new_run, pair, scan, writer


def test_what_is_appended_is_read_back_in_order(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run)
    recorder.event(EventKind.SESSION_START, BOOT_NS, "run", "begun", {"why": "test"})
    for k in range(100):
        recorder.scans(pair(k))
    recorder.close()
    recording = RunReader.open(run.path)
    series = recording.series("A1.amps")
    assert series.value.tolist() == [k + 0.5 for k in range(100)]
    assert series.t_ns.tolist() == [UTC_NS + k * SECOND + 10_000_000 for k in range(100)]
    assert set(series.h_ns.tolist()) == {10_000_000}
    assert set(series.session.tolist()) == {1}
    assert [event.text for event in recording.events()] == ["begun"]
    assert recording.skipped == ()


def test_a_scan_that_does_not_fit_its_block_is_refused(tmp_path: Path) -> None:
    recorder = writer(new_run(tmp_path))
    with pytest.raises(ValueError, match="block 0 has 2 channels, the scan 3 values"):
        recorder.scan(scan(0, 0.0, (1.0, 2.0, 3.0)))
    with pytest.raises(ValueError, match="1 statuses"):
        recorder.scan(scan(0, 0.0, (1.0, 2.0), b"\0"))


def test_a_tail_sees_each_record_once_while_it_is_written_and_across_rotation(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    recorder = writer(run, journal_bytes=2000)
    tail = Tail(run.path)
    seen: list[tuple[int, float]] = []
    for k in range(60):
        recorder.scans(pair(k))
        if k % 3 == 0:
            recorder.sync()
        seen += [(one.seq, one.values[0]) for one in tail.poll().scans]
    recorder.close()
    update = tail.poll()
    seen += [(one.seq, one.values[0]) for one in update.scans]
    assert len(recorder.journals) > 3
    assert [seq for seq, _ in seen] == list(range(120))
    assert [value for _, value in seen] == [v for k in range(60) for v in (k + 0.25, float(k))]
    assert update.missed == ()


def test_the_journal_rotates_when_the_utc_hour_ends(tmp_path: Path) -> None:
    recorder = writer(new_run(tmp_path))
    for minute in range(0, 180, 10):
        recorder.scan(scan(0, minute * 60 + 1, (1.0, 2.0)))
        recorder.sync()
    assert recorder.journals == [1, 2]


def test_sessions_of_one_boot_share_one_time_line_whatever_the_wall_clock_does(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    first = writer(run)
    first.scans(pair(0))
    first.close()
    second = writer(run, session=2, boot_ns=BOOT_NS + 100 * SECOND, utc_ns=UTC_NS - 3600 * SECOND)
    second.scans(pair(200))
    second.close()
    other_boot = writer(run, session=3, boot_id="boot-b", boot_ns=BOOT_NS, utc_ns=UTC_NS + 7 * SECOND)
    other_boot.scans(pair(300))
    other_boot.close()
    stamps = RunReader.open(run.path).series("mains").t_ns
    assert np.diff(stamps).tolist() == [200 * SECOND, 107 * SECOND]
