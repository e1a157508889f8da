"""The notebook's door: frames and dataclasses of runs, also of one that goes on."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

import rig
from rig.domain.model import EventKind, Side
from rig.errors import FormatError, UsageError
from rig.notebook import NotebookRun, open_run
from tests.view.recordings import Recording

CHANNEL = "A1.heatsink"


@pytest.fixture
def recording(tmp_path: Path) -> Recording:
    """Ten scans, one a second, the last one now; A1's heatsink climbs by 1 K a second from 60 degC."""
    made = Recording(tmp_path)
    for at in range(10):
        made.scans({CHANNEL: 60.0 + at}, ago_s=9.0 - at)
    return made


def test_importing_rig_loads_nothing_heavy() -> None:
    heavy = ("numpy", "pandas", "pyarrow", "rig.notebook")
    code = f"import rig, sys; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_folder_of_runs_means_its_newest_run(recording: Recording) -> None:
    run = rig.open(recording.path.parent)
    assert isinstance(run, NotebookRun)
    assert run.name == "soak"
    assert run.state == "running"
    assert "soak, running" in repr(run)
    assert [*run.units] == ["A1", "A2"]
    assert run.channels[CHANNEL].unit_of_measure == "degC"
    assert run.skipped == []


def test_the_long_frame_has_a_row_for_each_reading_with_status_and_interval(recording: Recording) -> None:
    frame = open_run(recording.path).readings(CHANNEL, "mains")
    mine = frame[frame["channel"] == CHANNEL]
    assert mine["value"].tolist() == [60.0 + at for at in range(10)]
    assert set(frame["status"]) == {"good"}
    assert (frame["half_width_s"] > 0).all()
    assert set(frame["session"]) == {1}
    assert frame.attrs["units"] == {CHANNEL: "degC", "mains": "V"}
    assert len(frame) == 20


def test_times_know_their_zone(recording: Recording) -> None:
    zone = ZoneInfo("America/St_Johns")  # half an hour beside the others, so that a mistake shows
    here, there = open_run(recording.path), open_run(recording.path, "America/St_Johns")
    assert str(here.readings("mains").index.dtype) == "datetime64[ns, UTC]"
    assert str(there.end.tz) == "America/St_Johns"
    assert here.end == there.end
    naive = there.end.tz_localize(None).isoformat()
    assert there.end.utcoffset() == zone.utcoffset(there.end.to_pydatetime().replace(tzinfo=None))
    assert len(there.readings("mains", start=naive)) == len(there.readings("mains", start=there.end))


def test_stretches_can_be_named_by_text_datetime_and_nanoseconds(recording: Recording) -> None:
    run = open_run(recording.path)
    middle = run.readings("mains").index[5]
    lengths = {
        len(run.readings("mains", start=one))
        for one in (middle, middle.as_unit("us"), middle.to_pydatetime(), middle.value, middle.isoformat())
    }
    assert lengths <= {4, 5}  # datetimes end at microseconds
    last = run.readings("mains").index[-1]
    of_day = run.readings("mains", start=f"{last:%H:%M:%S}")
    assert [*of_day.index] == [one for one in run.readings("mains").index if one >= last.floor("s")]


def test_the_wide_frame_holds_the_last_reading_at_each_point_of_the_grid(recording: Recording) -> None:
    run = open_run(recording.path)
    frame = run.table("A1.*", every="1 s")
    readings = run.readings(CHANNEL)
    assert [*frame.columns] == [name for name in run.channels if name.startswith("A1.")]
    for moment, value in frame[CHANNEL].items():
        before = readings[readings.index <= moment]
        if len(before):
            assert value == before["value"].iloc[-1]
    assert isinstance(frame.index, pd.DatetimeIndex)
    assert (frame.index.as_unit("ns").asi8 % 1_000_000_000 == 0).all()


def test_a_reading_that_is_too_old_or_not_good_leaves_a_hole(recording: Recording) -> None:
    run = open_run(recording.path)
    frame = run.table("mains", every="1 s", end=run.end + pd.Timedelta("60s"), age="3 s")
    assert frame["mains"].iloc[-1:].isna().all()
    assert frame["mains"].notna().sum() in range(10, 14)
    recording.scans({"mains": float("nan")})
    statuses = run.refresh().table("mains", every="1 s", statuses=True)
    assert [*statuses.columns] == ["mains", "mains status"]


def test_a_run_that_goes_on_grows_by_refreshing(recording: Recording) -> None:
    run = open_run(recording.path)
    before = len(run.readings(CHANNEL))
    recording.scans()
    assert len(run.readings(CHANNEL)) == before
    assert len(run.refresh().readings(CHANNEL)) == before + 1


def test_events_come_as_a_frame_that_can_be_filtered(recording: Recording) -> None:
    recording.event(EventKind.LIMIT_OUT, CHANNEL, "above", side="high")
    recording.event(EventKind.NOTE, "A2", "looked at it")
    run = open_run(recording.path)
    assert [*run.events()["kind"]] == ["session-start", "limit-out", "note"]
    assert [*run.events(subject="A1.*")["text"]] == ["above"]
    assert run.events(kind="limit-out")["data"].iloc[0] == {"side": "high"}
    assert len(run.events(kind="gap")) == 0
    assert str(run.events().index.dtype) == "datetime64[ns, UTC]"


def test_excursions_and_post_mortem_come_as_dataclasses(tmp_path: Path) -> None:
    recording = Recording(tmp_path)
    limit = next(one for one in recording.plan.channels[CHANNEL].limits if one.side is Side.HIGH)
    for at in range(60):  # slowly, as heat moves
        recording.scans({CHANNEL: limit.value - 10.25 + 0.3 * at}, ago_s=60.0 - at)
    run = open_run(recording.path)
    found = run.excursions()
    assert [one.channel for one in found] == [CHANNEL]
    assert run.postmortem("A1").order.channels == (CHANNEL,)
    assert found == run.excursions("A1")
    with pytest.raises(UsageError, match="no unit named"):
        run.postmortem("Z9")


def test_a_picture_shows_itself_and_can_be_saved(recording: Recording, tmp_path: Path) -> None:
    picture = open_run(recording.path).plot("A*.heatsink")
    assert picture._repr_svg_().startswith("<?xml")
    picture.save(tmp_path / "heat.png")
    assert (tmp_path / "heat.png").read_bytes().startswith(b"\x89PNG")
    with pytest.raises(UsageError):
        picture.save(tmp_path / "heat.doc")


def test_what_is_not_there_is_refused_in_words(recording: Recording, tmp_path: Path) -> None:
    run = open_run(recording.path)
    with pytest.raises(UsageError, match=r"did you mean A1\.heatsink"):
        run.table("A1.heatsinks")
    with pytest.raises(UsageError, match=r"or 04:05 \(the last in the run\)"):
        run.readings("mains", start="yesterday")
    with pytest.raises(UsageError, match="no kind of event 'limit'; there are: session-start, "):
        run.events(kind="limit")
    with pytest.raises(UsageError, match="every="):
        run.table("mains", every="10 K")
    with pytest.raises(UsageError, match="time zone"):
        open_run(recording.path, "Europe/Nowhere")
    with pytest.raises(FormatError):
        rig.open(tmp_path / "absent")


def test_an_empty_run_has_empty_frames(tmp_path: Path) -> None:
    run = open_run(Recording(tmp_path).path)
    assert len(run.readings(CHANNEL)) == 0
    assert run.table(CHANNEL)[CHANNEL].isna().all()
    assert np.isfinite(run.end.value)
