"""From a recording on disk to messages that arrive: whole chains, with restarts and outages in between."""

from __future__ import annotations

import errno
import json
import socket
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from rig.alerts.alert_service import AlertService
from rig.domain.model import EventKind
from rig.rigfile.alerts_section import MailNotifier, MqttNotifier, Notifier, WebhookNotifier
from tests.alerts import peers
from tests.alerts.makers import (
    HOUR,
    MINUTE,
    SECOND,
    FakeClock,
    Recording,
    appending,
    sent,
    settings,
    settled,
    status,
)
from tests.alerts.peers import Hook, Sink
from tests.alerts.test_outbox import MoodyDisk


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


@pytest.fixture
def recording(tmp_path: Path, clock: FakeClock) -> Recording:
    return Recording(tmp_path, clock)


def service(recording: Recording, **words: object) -> AlertService:
    return AlertService(recording.path, settings(recording, **words), clock=recording.clock)


def test_a_limit_becomes_one_message_with_its_beginning_from_the_first_reading_outside(
    recording: Recording, tmp_path: Path
) -> None:
    target = tmp_path / "told"
    alerts = service(recording, notifiers={"horn": appending(target)})
    recording.out()
    settled(alerts)
    settled(alerts)
    [message] = sent(target)
    assert message.startswith("A1.heatsink above high limit 95 degC: 96.2 degC\n")
    assert "2030-03-17 17:46:35 UTC" in message  # five seconds before the event: the on-delay
    alerts.close()


def test_a_chattering_channel_and_three_restarts_make_exactly_two_messages(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    """An hour of chatter: one message when it begins, one when it has been calm for ten minutes."""
    target = tmp_path / "told"
    notifiers = {"horn": appending(target)}
    alerts = service(recording, notifiers=notifiers)
    for second in range(0, 3600, 60):
        recording.out()
        settled(alerts)
        clock.forward(30 * SECOND)
        recording.back()
        recording.scan()
        settled(alerts)
        clock.forward(30 * SECOND)
        if second in (600, 1800, 3000):
            alerts.close()
            alerts = service(recording, notifiers=notifiers)
    for _ in range(6):
        clock.forward(4 * MINUTE)
        recording.scan()
        settled(alerts)
    first, second_message = sent(target)
    assert first.startswith("A1.heatsink above high limit 95 degC: 96.2 degC\n")
    assert second_message.startswith("A1.heatsink returned to normal (high limit), after 1 h\n")
    assert "60 times so far" in second_message
    alerts.close()


@pytest.mark.slow
def test_no_network_during_thirty_events_gives_one_digest_afterwards_in_order(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    """By mail, webhook and MQTT: nothing lost, nothing doubled; alerts end without a goodbye in between."""
    ports = [peers.free_port() for _ in range(3)]
    mail = MailNotifier(
        server=f"127.0.0.1:{ports[0]}", security="none", sender="rig@example.org", to=("a@example.org",)
    )
    notifiers = {
        "mail": Notifier(mail=mail, deadline_s=10.0),
        "hook": Notifier(webhook=WebhookNotifier(url=f"http://127.0.0.1:{ports[1]}/"), deadline_s=10.0),
        "room": Notifier(
            mqtt=MqttNotifier(server=f"127.0.0.1:{ports[2]}", topic="t", security="none"), deadline_s=10.0
        ),
    }
    alerts = service(recording, notifiers=notifiers, settle_s=0.0, most_lines=100, failing_s=604800.0)
    for number in range(30):
        channel = f"A{number % 2 + 1}.heatsink"
        recording.out(channel, value=100.0 + number)
        settled(alerts)
        clock.forward(MINUTE)
        recording.back(channel)
        recording.scan()
        settled(alerts)
        clock.forward(MINUTE)
        if number == 15:  # as if killed: nothing is closed
            alerts.outbox.close()
            alerts = service(recording, notifiers=notifiers, settle_s=0.0, most_lines=100, failing_s=604800.0)
    clock.forward(16 * MINUTE)  # the longest wait between two tries is a quarter of an hour
    recording.scan()
    sink, hook = Sink(), Hook(ports[1])
    with (
        peers.mail_server(sink, port=ports[0]),
        hook,
        peers.broker(tmp_path, ports[2]),
        peers.subscriber(ports[2], "t") as heard,
    ):
        settled(alerts)
        settled(alerts)
        peers.wait_for(lambda: heard)
    [letter], [(_, _, posted)], [published] = sink.letters, hook.posts, heard
    expected = [
        line
        for n in range(30)
        for line in (
            f"A{n % 2 + 1}.heatsink above high limit 95 degC: {100 + n} degC",
            f"A{n % 2 + 1}.heatsink returned to normal (high limit), after 1.1 min",
        )
    ]
    for digest in (str(letter.get_content()), json.loads(posted)["text"], json.loads(published)["text"]):
        lines = digest.splitlines()
        assert lines[0] == "60 alarms, in the order of detection:"
        assert [line for line in lines[2:] if line.startswith("A")] == expected
        assert "  delayed by 1.3 h" in lines
    alerts.close()


def sealed(recording: Recording) -> None:
    """Turn the closed journals of a run into Parquet, as the logger's child does."""
    subprocess.run([sys.executable, "-m", "rig.store.seal", str(recording.path)], check=True)


@pytest.mark.slow
def test_what_was_sealed_while_nobody_looked_is_told_all_the_same(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    target = tmp_path / "told"
    alerts = service(recording, notifiers={"horn": appending(target)})
    recording.scan()
    settled(alerts)
    recording.out()
    recording.scan()
    recording.stop()
    sealed(recording)
    assert list((recording.path / "journal").glob("*.journal")) == []
    settled(alerts)
    settled(alerts)
    [digest] = sent(target)  # a stop holds nothing back
    lines = digest.splitlines()
    assert lines[0] == "2 alarms, in the order of detection:"
    assert "A1.heatsink above high limit 95 degC: 96.2 degC" in lines
    assert "session 1 stopped: signal SIGTERM" in lines
    assert "  active at that time: A1.heatsink" in lines
    alerts.close()
    again = service(recording, notifiers={"horn": appending(target)})
    clock.forward(HOUR)
    settled(again)
    assert len(sent(target)) == 1  # a stopped logger is not a silent one, and nothing is told twice
    again.close()


@pytest.mark.slow
def test_sealed_events_that_cannot_be_read_hold_the_later_ones_for_a_while_and_are_told(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    target = tmp_path / "told"
    recording.stop()
    sealed(recording)
    recording.begin()
    alerts = service(recording, notifiers={"horn": appending(target)})
    recording.out()
    (recording.path / "run.json").unlink()  # whoever reads the sealed files finds no run
    settled(alerts)
    assert sent(target) == []
    for _ in range(3):
        clock.forward(11 * SECOND)
        settled(alerts)
    settled(alerts)
    messages = "".join(sent(target))
    assert "the earlier events of" in messages
    assert "A1.heatsink above high limit" in messages
    alerts.close()


def test_a_stop_that_was_seen_before_is_known_after_a_restart(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    target = tmp_path / "told"
    notifiers = {"horn": appending(target)}
    alerts = service(recording, notifiers=notifiers)
    recording.scan()
    recording.stop()
    settled(alerts)
    alerts.close()
    again = service(recording, notifiers=notifiers)
    clock.forward(HOUR)
    settled(again)
    [message] = sent(target)
    assert message.startswith("session 1 stopped")
    again.close()


def test_of_the_past_of_a_run_first_looked_at_only_what_goes_on_is_told(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    target = tmp_path / "told"
    recording.out("A1.heatsink")
    recording.scan()
    recording.back("A1.heatsink")
    recording.out("A2.heatsink")
    clock.forward(24 * HOUR)
    recording.scan()
    alerts = service(recording, notifiers={"horn": appending(target)})
    settled(alerts)
    settled(alerts)
    [message] = sent(target)
    assert message.startswith("A2.heatsink above high limit")
    alerts.close()


def test_a_silent_logger_is_told_and_so_is_its_return(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    target = tmp_path / "told"
    alerts = service(recording, notifiers={"horn": appending(target)}, silence_s=60.0, settle_s=60.0)
    recording.scan()
    settled(alerts)
    clock.forward(61 * SECOND)
    settled(alerts)
    clock.forward(HOUR)
    settled(alerts)
    [message] = sent(target)
    assert message.startswith("logger silent: nothing new on disk for 1 min\n")
    for _ in range(3):
        clock.forward(30 * SECOND)
        recording.scan()
        settled(alerts)
    assert sent(target)[1].startswith("logger records again, after 1 h\n")
    alerts.close()


def test_a_run_folder_that_vanishes_is_told_as_silence(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    """A network folder that is gone, say: the alerts process goes on from memory."""
    target = tmp_path / "told"
    alerts = service(recording, notifiers={"horn": appending(target)}, silence_s=60.0)
    recording.scan()
    settled(alerts)
    recording.path.rename(tmp_path / "gone")
    recording.path.write_text("not even a folder")
    clock.forward(61 * SECOND)
    settled(alerts)
    settled(alerts)
    [message] = sent(target)
    assert message.startswith("logger silent")
    alerts.close()


def test_a_machine_that_came_up_in_1970_with_a_dead_logger_is_silent_too(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    target = tmp_path / "told"
    recording.scan()
    clock.id, clock.boot, clock.utc = "boot-two", 10 * SECOND, 3600 * SECOND
    alerts = service(recording, notifiers={"horn": appending(target)}, silence_s=60.0)
    settled(alerts)
    assert sent(target) == []
    clock.forward(61 * SECOND)
    settled(alerts)
    assert "logger silent" in sent(target)[0]
    alerts.close()


def test_a_wall_clock_that_steps_makes_no_alert_of_its_own(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    target = tmp_path / "told"
    alerts = service(recording, notifiers={"horn": appending(target)}, silence_s=60.0)
    recording.scan()
    settled(alerts)
    clock.utc += 100 * HOUR
    settled(alerts)
    clock.utc -= 200 * HOUR
    recording.out()
    settled(alerts)
    [message] = sent(target)
    assert "delayed" not in message
    alerts.close()


def test_a_message_that_may_have_arrived_goes_again_with_the_same_facts_under_its_key(
    recording: Recording, clock: FakeClock
) -> None:
    """A server takes the message and dies before it answers, and so does the alerts process."""
    taken: list[bytes] = []
    came = threading.Event()

    def talk(connection: socket.socket) -> None:
        taken.append(connection.recv(100_000))
        came.set()
        peers.silent(connection)

    with peers.raw_server(talk) as port:
        notifiers = {
            "hook": Notifier(webhook=WebhookNotifier(url=f"http://127.0.0.1:{port}/"), deadline_s=30.0)
        }
        alerts = service(recording, notifiers=notifiers)
        recording.out()
        alerts.turn()
        assert came.wait(10)
        alerts._deliveries["hook"].kill()
        peers.wait_for(lambda: alerts._deliveries["hook"]._process.poll() is not None)
        alerts.outbox.close()
    with Hook(port) as hook:
        recording.out("A2.heatsink")
        again = service(recording, notifiers=notifiers)
        settled(again)
        settled(again)
        again.close()
    keys = [json.loads(body)["key"] for _, _, body in hook.posts]
    assert keys[0].encode() in taken[0]
    assert len(set(keys)) == 2
    assert [json.loads(body)["facts"][0]["group"] for _, _, body in hook.posts] == ["A1", "A2"]


def test_a_notifier_that_fails_is_told_by_the_other_and_shown_in_the_status(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    target = tmp_path / "told"
    with Hook() as hook:
        hook.usual = (500, {}, b"")
        notifiers = {
            "horn": appending(target),
            "hook": Notifier(webhook=WebhookNotifier(url=hook.url), deadline_s=5.0),
        }
        alerts = service(recording, notifiers=notifiers, failing_s=120.0)
        recording.out()
        settled(alerts)
        for _ in range(3):
            clock.forward(MINUTE)
            recording.scan()
            settled(alerts)
        settled(alerts)
        assert status(recording.path)["ways"]["hook"]["waiting"] == 1
        assert "500" in status(recording.path)["ways"]["hook"]["error"]
        assert sent(target)[1].startswith("notifier hook does not deliver: 127.0.0.1 answered 500")
        hook.usual = (200, {}, b"")
        for _ in range(2):
            clock.forward(MINUTE)
            recording.scan()
            settled(alerts)
        settled(alerts)
        assert sent(target)[2].startswith("notifier hook delivers again, after")
        assert status(recording.path)["ways"]["hook"]["waiting"] == 0
        assert sum("notifier hook" in body.decode() for _, _, body in hook.posts) == 0
        alerts.close()


def test_every_notifier_is_tested_at_the_start_of_a_run_and_then_weekly(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    target = tmp_path / "told"
    notifiers = {"horn": appending(target)}
    alerts = service(recording, notifiers=notifiers, test_s=7 * 86400.0, silence_s=86400.0)
    settled(alerts)
    alerts.close()
    alerts = service(recording, notifiers=notifiers, test_s=7 * 86400.0, silence_s=86400.0)
    for _ in range(20):
        clock.forward(9 * HOUR)
        recording.scan()
        settled(alerts)
    assert [one.partition("\n")[0] for one in sent(target)] == [
        "test of notifier horn",
        "test of notifier horn",
    ]
    age_ns = clock.utc - status(recording.path)["ways"]["horn"]["test_ok_ns"]
    assert 0 < age_ns < 24 * HOUR
    alerts.close()


def test_a_full_disk_keeps_no_alert_back(recording: Recording, tmp_path: Path) -> None:
    target = tmp_path / "told"
    disk = MoodyDisk()
    alerts = AlertService(
        recording.path,
        settings(recording, notifiers={"horn": appending(target)}),
        clock=recording.clock,
        disk=disk,
    )
    disk.mood = "full"
    recording.event(
        EventKind.STORE_FAULT, "run", "could not append to j000001.journal: No space left on device",
        errno=errno.ENOSPC, reason="No space left on device",
    )  # fmt: skip
    settled(alerts)
    settled(alerts)
    [message] = sent(target)
    assert "No space left on device" in message
    assert "check first: disk of the run" in message
    assert "No space left" in alerts.outbox.fault
    alerts.close()


def test_a_damaged_outbox_is_told(recording: Recording, tmp_path: Path) -> None:
    target = tmp_path / "told"
    notifiers = {"horn": appending(target)}
    alerts = service(recording, notifiers=notifiers)
    recording.out()
    settled(alerts)
    alerts.close()
    file = recording.path / "alerts" / "outbox"
    file.write_bytes(file.read_bytes().replace(b"heatsink", b"heatsunk"))
    again = service(recording, notifiers=notifiers)
    settled(again)
    settled(again)
    assert "outbox: damaged from byte " in "".join(sent(target))
    again.close()


def test_more_than_the_most_of_an_hour_is_held_back_and_comes_in_one_digest(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    target = tmp_path / "told"
    alerts = service(recording, notifiers={"horn": appending(target)}, per_hour=3)
    for number in range(10):
        recording.event(EventKind.SWITCH, "A1", f"A1 switched off, time {number}")
        settled(alerts)
        clock.forward(MINUTE)
        recording.scan()
    messages = sent(target)
    assert len(messages) == 3
    assert "last message of this hour" in messages[2]
    for _ in range(55):
        clock.forward(MINUTE)
        recording.scan()
        settled(alerts)
    messages = sent(target)
    assert len(messages) == 4
    assert messages[3].startswith("7 alarms, in the order of detection:")
    assert "7 alarms held back" in messages[3]
    alerts.close()
