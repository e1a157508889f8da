"""The sign of life, seen by a watcher that knows only when it last came and what it said."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rig.alerts.alert_service import AlertService
from rig.rigfile.alerts_section import HeartbeatSection
from tests.alerts import peers
from tests.alerts.makers import MINUTE, SECOND, FakeClock, Recording, settings
from tests.alerts.peers import Hook


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


@pytest.fixture
def recording(tmp_path: Path, clock: FakeClock) -> Recording:
    return Recording(tmp_path, clock)


def service(recording: Recording, heartbeat: HeartbeatSection) -> AlertService:
    words = settings(recording, heartbeat=heartbeat, silence_s=100.0)
    return AlertService(recording.path, words, clock=recording.clock)


def beaten(alerts: AlertService) -> None:
    """Let beats that are under way arrive."""
    heartbeat = alerts.heartbeat
    assert heartbeat is not None

    def done() -> bool:
        alerts.turn()
        return not heartbeat._deliveries

    peers.wait_for(done)


def test_it_says_how_old_the_newest_reading_on_disk_is(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    file = tmp_path / "watch" / "beat"
    file.parent.mkdir()
    with Hook() as hook:
        alerts = service(recording, HeartbeatSection(every_s=60.0, file=str(file), url=hook.url))
        recording.scan()
        clock.forward(7 * SECOND)
        beaten(alerts)
        [(_, _, body)] = hook.posts
        for words in (json.loads(body), json.loads(file.read_text())):
            assert words["newest_row_age_s"] == 7.0
            assert words["newest_row_utc"] == "2030-03-17 17:46:40 UTC"
            assert (words["rig"], words["run"], words["state"]) == ("hot-room", "soak", "recording")
        alerts.close()
    assert [one.name for one in file.parent.iterdir()] == ["beat"]


def test_it_comes_at_its_interval_and_stops_when_nothing_reaches_the_disk_any_more(
    recording: Recording, clock: FakeClock
) -> None:
    """What a stopped or hung logger, or one whose disk is gone, looks like to the watcher: silence."""
    with Hook() as hook:
        alerts = service(recording, HeartbeatSection(every_s=30.0, url=hook.url))
        for _ in range(4):
            recording.scan()
            beaten(alerts)
            clock.forward(15 * SECOND)
        assert len(hook.posts) == 2
        for _ in range(14):  # the process of the logger is there; rows are not
            beaten(alerts)
            clock.forward(15 * SECOND)
        assert len(hook.posts) == 2 + 3
        assert json.loads(hook.posts[-1][2])["newest_row_age_s"] <= 100.0
        recording.scan()
        clock.forward(30 * SECOND)
        beaten(alerts)
        assert len(hook.posts) == 6
        alerts.close()


def test_a_recording_stopped_on_purpose_says_so_and_the_sign_goes_on(
    recording: Recording, clock: FakeClock
) -> None:
    with Hook() as hook:
        alerts = service(recording, HeartbeatSection(every_s=60.0, url=hook.url))
        recording.scan()
        recording.stop()
        for _ in range(5):
            clock.forward(2 * MINUTE)
            beaten(alerts)
        assert {json.loads(body)["state"] for _, _, body in hook.posts} == {"stopped"}
        assert len(hook.posts) == 5
        alerts.close()


def test_a_hung_watcher_holds_up_nothing_and_is_never_asked_twice_at_once(
    recording: Recording, clock: FakeClock
) -> None:
    connections = []

    def talk(connection: object) -> None:
        connections.append(connection)
        peers.silent(connection)  # type: ignore[arg-type]

    with peers.raw_server(talk) as port:
        alerts = service(recording, HeartbeatSection(every_s=10.0, url=f"http://127.0.0.1:{port}/"))
        for _ in range(10):
            recording.scan()
            alerts.turn()
            clock.forward(10 * SECOND)
        peers.wait_for(lambda: connections)
        alerts.close()
    assert len(connections) == 1


def test_a_folder_that_is_gone_is_noted_and_tried_again(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    file = tmp_path / "gone" / "beat"
    alerts = service(recording, HeartbeatSection(every_s=10.0, file=str(file)))
    recording.scan()
    beaten(alerts)
    assert alerts.heartbeat is not None
    assert "No such file or directory" in alerts.heartbeat.last["file"].note
    file.parent.mkdir()
    clock.forward(10 * SECOND)
    beaten(alerts)
    assert alerts.heartbeat.last["file"].delivered
    alerts.close()
