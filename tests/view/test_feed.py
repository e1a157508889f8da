"""The view follows a run directory: each record once, whatever the recording's state."""

from dataclasses import replace
from pathlib import Path

import pytest

from rig.clock import SYSTEM
from rig.daemon import order_client
from rig.domain.model import EventKind
from rig.domain.orders import OrderKind
from rig.errors import FormatError, StoreError
from rig.store import rundir
from rig.view.feed import Feed
from rig.view.snapshot import ChannelCondition, RunState
from rig.view.snapshot_maker import picture
from tests.view.recordings import Recording
from tests.view.rooms import layout


def value(feed: Feed, name: str) -> float:
    snapshot = picture(feed.live, feed.surroundings())
    return next(channel.value for channel in snapshot.channels if channel.name == name)


def test_what_is_recorded_later_is_seen_at_the_next_look(tmp_path: Path) -> None:
    recording = Recording(tmp_path)
    feed = Feed(recording.path)
    assert value(feed, "mains") != value(feed, "mains")  # nothing yet
    recording.scans({"mains": 231.5})
    feed.update()
    assert value(feed, "mains") == 231.5
    recording.scans({"mains": 232.5})
    recording.event(EventKind.NOTE, "run", "fan moved")
    feed.update()
    snapshot = picture(feed.live, feed.surroundings())
    assert value(feed, "mains") == 232.5
    assert [event.text for event in snapshot.events] == ["fan moved", "session 1 begins"]
    feed.update()
    assert len(picture(feed.live, feed.surroundings()).events) == 2


def test_the_state_of_the_run_is_told_by_lock_and_last_words(tmp_path: Path) -> None:
    recording = Recording(tmp_path)
    recording.scans()
    feed = Feed(recording.path)
    assert feed.surroundings().state is RunState.RUNNING
    recording.crash()
    assert feed.surroundings().state is RunState.CRASHED
    recording.begin(recording.plan)
    feed.update()
    assert feed.surroundings().state is RunState.RUNNING
    recording.stop()
    feed.update()
    assert feed.surroundings().state is RunState.STOPPED
    rundir.end_run(recording.run, SYSTEM.utc_ns(), "a test")
    assert feed.surroundings().state is RunState.FINISHED
    assert Feed(recording.path).surroundings().state is RunState.FINISHED


def test_a_note_after_the_end_changes_nothing_that_is_shown_but_the_events(tmp_path: Path) -> None:
    recording = Recording(tmp_path)
    recording.scans({"A1.heatsink": 97.0})
    recording.event(EventKind.LIMIT_OUT, "A1.heatsink", "out", side="high")
    recording.crash()
    order_client.ask(recording.run, OrderKind.NOTE, {"text": "fan seized"})
    feed = Feed(recording.path)
    snapshot = picture(feed.live, feed.surroundings())
    assert snapshot.state is RunState.CRASHED
    assert value(feed, "A1.heatsink") == 97.0
    assert snapshot.session == 1
    assert [one.channel for one in snapshot.excursions] == ["A1.heatsink"]
    assert "fan seized" in [event.text for event in snapshot.events]


def test_ages_follow_the_boot_clock_of_the_recording_not_the_wall_clock(tmp_path: Path) -> None:
    class Stepped(type(SYSTEM)):  # type: ignore[misc]
        def utc_ns(self) -> int:
            return SYSTEM.utc_ns() + 3600 * 1_000_000_000

    recording = Recording(tmp_path)
    recording.scans()
    feed = Feed(recording.path, Stepped())
    snapshot = picture(feed.live, feed.surroundings())
    assert snapshot.age_s is not None
    assert 0 <= snapshot.age_s < 5


def test_an_excursion_on_record_is_placed_at_its_first_reading_outside(tmp_path: Path) -> None:
    recording = Recording(tmp_path)
    began_ns = SYSTEM.boot_ns()
    recording.scans({"A1.heatsink": 97.0})
    recording.event(
        EventKind.LIMIT_OUT, "A1.heatsink", "out", side="high", began_boot_ns=began_ns, value=97.0
    )
    feed = Feed(recording.path)
    (excursion,) = picture(feed.live, feed.surroundings()).excursions
    assert excursion.began_ns == began_ns + recording.writer.offset_ns
    assert feed.live.layout == recording.plan


def test_a_new_session_with_another_rig_file_is_shown_by_the_new_one(tmp_path: Path) -> None:
    recording = Recording(tmp_path, layout(1))
    recording.scans()
    feed = Feed(recording.path)
    recording.stop()
    recording.begin(layout(3))
    recording.scans()
    feed.update()
    snapshot = picture(feed.live, feed.surroundings())
    assert {unit.name for unit in snapshot.units} == {"A1", "A2", "A3", "room"}
    assert snapshot.session == 2
    assert set(snapshot.counts()) == {ChannelCondition.OK}


def test_records_that_were_sealed_away_are_still_shown(tmp_path: Path) -> None:
    from rig.store import seal

    recording = Recording(tmp_path)
    recording.event(EventKind.NOTE, "run", "early words")
    recording.scans({"A1.bias": 55.5})
    recording.stop()
    seal.seal(recording.run)
    assert not list((recording.path / "journal").glob("*.journal"))
    feed = Feed(recording.path)
    snapshot = picture(feed.live, feed.surroundings())
    assert value(feed, "A1.bias") == 55.5
    assert "early words" in {event.text for event in snapshot.events}
    assert snapshot.counts() == {ChannelCondition.OK: len(recording.plan.channels)}


def test_a_folder_that_is_no_run_or_an_empty_run_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(FormatError, match="not a run directory"):
        Feed(tmp_path)
    run = rundir.create(tmp_path, rig="x", created_ns=SYSTEM.utc_ns(), software="test", name="empty")
    with pytest.raises(StoreError, match="has no session yet"):
        Feed(run.path)


def test_a_layout_survives_being_frozen(tmp_path: Path) -> None:
    plan = replace(layout(1), planned_s=60.0)
    assert Feed(Recording(tmp_path, plan).path).live.layout == plan
