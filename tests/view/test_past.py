"""Looking at a moment of the past of a run, whatever the run is doing now."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from rig.domain.model import EventKind
from rig.errors import StoreError, UsageError
from rig.store import seal
from rig.view.past import PastSnapshots, moment_ns
from rig.view.snapshot import ChannelCondition, RunState
from tests.view.recordings import Recording

SECOND = 1_000_000_000
DAY_S = 86400
BEGIN = 1_900_000_000 * SECOND  # 2030-03-17 17:46:40 UTC
SPAN = (BEGIN, BEGIN + 3 * DAY_S * SECOND)


def utc(ns: int) -> str:
    return f"{datetime.fromtimestamp(ns / 1e9, UTC):%m-%d %H:%M:%S}"


def test_a_time_of_day_is_the_last_such_in_the_recording() -> None:
    assert utc(moment_ns("03:12", SPAN, UTC)) == "03-20 03:12:00"
    assert utc(moment_ns("17:46:30", SPAN, UTC)) == "03-20 17:46:30"
    assert utc(moment_ns("17:46:50", SPAN, UTC)) == "03-19 17:46:50"
    assert utc(moment_ns("03:12", SPAN, ZoneInfo("America/St_Johns"))) == "03-20 05:42:00"


def test_a_date_and_time_is_taken_in_the_zone_that_it_names() -> None:
    assert utc(moment_ns("2030-03-18T12:00:00Z", SPAN, ZoneInfo("Asia/Kolkata"))) == "03-18 12:00:00"
    assert utc(moment_ns("2030-03-18 12:00", SPAN, ZoneInfo("Asia/Kolkata"))) == "03-18 06:30:00"


@pytest.mark.parametrize("text", ["noon", "25:00", "2030-03-10", "2031-01-01 00:00", ""])
def test_what_is_no_moment_of_the_recording_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="--at"):
        moment_ns(text, SPAN, UTC)


def at(path: Path, ns: int) -> PastSnapshots:
    return PastSnapshots(path, datetime.fromtimestamp(ns / 1e9, UTC).isoformat())


@pytest.mark.parametrize("sealed", [False, True])
def test_the_room_is_shown_as_it_stood_then(tmp_path: Path, sealed: bool) -> None:
    recording = Recording(tmp_path)
    for ago_s in range(100, 50, -1):
        recording.scans({"A1.heatsink": 70.0}, ago_s=ago_s)
    for ago_s in range(50, 0, -1):
        recording.scans({"A1.heatsink": 99.0}, ago_s=ago_s)
    recording.event(EventKind.LIMIT_OUT, "A1.heatsink", "above", side="high")
    recording.stop()
    if sealed:
        seal.main([str(recording.path)])
    source = at(recording.path, 0 or _now(recording) - 60 * SECOND)
    then = source.look()
    heatsink = next(one for one in then.channels if one.name == "A1.heatsink")
    assert then.state is RunState.PAST
    assert (heatsink.value, heatsink.condition) == (70.0, ChannelCondition.OK)
    assert then.age_s == pytest.approx(0.0, abs=1.5)
    assert not then.excursions
    assert source.move("right")
    now = source.look()
    heatsink = next(one for one in now.channels if one.name == "A1.heatsink")
    assert heatsink.condition is ChannelCondition.OUT
    assert [one.channel for one in now.excursions] == ["A1.heatsink"]
    assert source.move("<")
    assert source.look().now_ns < then.now_ns  # stops at the beginning
    assert not source.move("x")


def _now(recording: Recording) -> int:
    from rig.store.reader import RunReader

    return RunReader.open(recording.path).span[1]


def test_a_run_without_a_record_has_no_past(tmp_path: Path) -> None:
    recording = Recording(tmp_path)
    for one in (recording.path / "journal").iterdir():
        one.unlink()
    with pytest.raises((StoreError, UsageError)):
        PastSnapshots(recording.path, "03:12")


def test_the_past_can_be_walked_on_a_terminal(tmp_path: Path) -> None:
    from tests.view.terminals import Child

    recording = Recording(tmp_path)
    for ago_s in range(200, 0, -1):
        recording.scans({"A1.heatsink": 90.0 - 0.1 * ago_s}, ago_s=ago_s)
    moment = datetime.fromtimestamp((_now(recording) - 90 * SECOND) / 1e9, UTC).isoformat()
    child = Child(recording.path, (100, 30), more=("--at", moment))
    try:
        before = child.wait_for("(?s)PAST .*past state, as of")
        child.press("\x1b[D")
        child.wait_for(r"A1 .*heatsink .* 7[45]\.\d degC")
        child.press(".")
        child.press(".")
        child.wait_for(r"A1 .*heatsink .* 8[67]\.\d degC")
        assert "as of" in before
        child.press("q")
        assert child.ended() == 0
        assert child.is_restored()
    finally:
        child.close()
