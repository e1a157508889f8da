"""What is severe, from a recording on disk to real servers: never held back, first, and in one line."""

from __future__ import annotations

import json
import signal
import socket
import threading
from pathlib import Path
from typing import Any

import pytest

from rig.alerts.alert_service import AlertService
from rig.clock import SYSTEM
from rig.domain.cautions import FAILED_UNIT
from rig.domain.formatting import clock_time
from rig.domain.model import EventKind
from rig.rigfile.alerts_section import MailNotifier, Notifier, WebhookNotifier
from rig.view.alert_status import alert_words
from tests.alerts import peers
from tests.alerts.makers import (
    MINUTE,
    SECOND,
    START_NS,
    FakeClock,
    Recording,
    appending,
    sent,
    settings,
    settled,
    status,
)  # fmt: skip
from tests.alerts.peers import Hook, Sink
from tests.alerts.test_process import headlines, rig_text, running


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


@pytest.fixture
def recording(tmp_path: Path, clock: FakeClock) -> Recording:
    return Recording(tmp_path, clock)


def service(recording: Recording, **words: Any) -> AlertService:
    return AlertService(recording.path, settings(recording, **words), clock=recording.clock)


def hooked(port: int, **words: Any) -> Notifier:
    return Notifier(webhook=WebhookNotifier(url=f"http://127.0.0.1:{port}/"), **words)


def state(recording: Recording, unit: str, state: str, text: str = "", **data: Any) -> None:
    usual: dict[str, Any] = {
        "serial": "001", "state": state, "before": "driven", "cause": "", "certainty": "likely",
        "evidence": [], "retracts": False,
    }  # fmt: skip
    recording.event(EventKind.STATE, unit, text or f"{unit} {state}", **{**usual, **data})


def chatter(recording: Recording, alerts: AlertService, count: int) -> None:
    for number in range(count):
        recording.event(EventKind.SWITCH, "A1", f"A1 switched off, time {number}")
        settled(alerts)


def test_when_chatter_has_used_up_its_messages_lost_mains_and_a_failure_arrive_at_once_by_mail(
    recording: Recording, clock: FakeClock
) -> None:
    sink = Sink()
    with peers.mail_server(sink) as port:
        mail = MailNotifier(
            server=f"127.0.0.1:{port}", security="none", sender="rig@example.org", to=("a@example.org",)
        )
        alerts = service(recording, notifiers={"desk": Notifier(mail=mail)}, per_hour=2)
        state(recording, "A1", "driven")
        chatter(recording, alerts, 3)
        assert len(sink.letters) == 2
        recording.event(
            EventKind.LIMIT_OUT, "mains", side="high", limit=253.0, value=270.0, unit="V", trip=False
        )
        settled(alerts)
        assert sink.letters[2]["Subject"] == "hot-room: mains above high limit 253 V: 270 V"
        state(recording, "A2", "failed", "A2 failed: no output for 60 s while driven")
        settled(alerts)
        assert sink.letters[3]["Subject"] == "hot-room: A2 FAILED (likely), 1 unit goes on"
        text = " ".join(str(sink.letters[3].get_content()).split())
        assert "units that go on: A1" in text
        assert FAILED_UNIT in text
        assert len(sink.letters) == 4
        alerts.close()


def test_the_subject_names_what_left_its_limits_first_where_that_is_certain(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    with Hook() as hook:
        alerts = service(recording, notifiers={"phone": hooked(hook.port)}, tell=("failed",))
        state(recording, "A2", "driven")
        for k in range(40):
            recording.scan(heatsink=99.0 if k >= 30 else 90.0)
            if k == 30:
                crossed_ns = clock.utc
            clock.forward(SECOND)
        recording.event(
            EventKind.LIMIT_OUT, "A1.heatsink", side="high", limit=95.0, value=99.0, unit="degC",
            began_boot_ns=clock.boot_ns() - 10 * SECOND - 1000, trip=False,
        )  # fmt: skip
        state(recording, "A1", "failed", "A1 failed: no output for 60 s while driven")
        settled(alerts)
        [(_, _, body)] = hook.posts
        said = json.loads(body)
        time = clock_time(crossed_ns - 1000, None)  # the middle of its exchange of 2 us
        assert said["subject"] == (
            f"hot-room: A1 FAILED (likely), 1 unit goes on. First out: A1.heatsink {time}"
        )
        assert said["facts"][0]["severity"] == "failed"
        assert said["facts"][0]["goes_on"] == ["A2"]
        assert said["facts"][0]["first_out"]["channels"] == ["A1.heatsink"]
        alerts.close()


def test_a_failure_waits_for_one_try_of_the_chatter_before_it_and_the_chatter_keeps_its_key(
    recording: Recording,
) -> None:
    """A server takes the chatter and never answers; then it answers."""
    bodies: list[bytes] = []
    came = threading.Event()

    def talk(connection: socket.socket) -> None:
        data = connection.recv(100_000)
        while b"\r\n\r\n" not in data or not data.endswith(b"}\n"):
            data += connection.recv(100_000)
        bodies.append(data.partition(b"\r\n\r\n")[2])
        came.set()
        if len(bodies) == 1:
            peers.silent(connection)
        else:
            connection.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")

    with peers.raw_server(talk) as port:
        alerts = service(recording, notifiers={"phone": hooked(port, deadline_s=1.0)})
        recording.out("A2.heatsink")
        alerts.turn()
        assert came.wait(10)
        state(recording, "A2", "failed")
        peers.wait_for(lambda: alerts.turn() is not None and len(bodies) == 2)
        settled(alerts)
        recording.clock.forward(MINUTE)  # type: ignore[attr-defined]
        peers.wait_for(lambda: alerts.turn() is not None and len(bodies) == 3)
        settled(alerts)
        alerts.close()
    first, second, third = (json.loads(body) for body in bodies)
    assert second["subject"].startswith("hot-room: A2 FAILED")
    assert [fact["category"] for fact in second["facts"]] == ["failed"]
    assert (third["key"], third["facts"]) == (first["key"], first["facts"])


def test_a_retraction_reaches_those_who_got_the_suspicion(recording: Recording, tmp_path: Path) -> None:
    horn, desk = tmp_path / "horn", tmp_path / "desk"
    deaf = Notifier(command=appending(desk).command, failed=False)
    alerts = service(recording, notifiers={"horn": appending(horn), "desk": deaf}, tell=("limits",))
    state(recording, "A2", "failed")
    settled(alerts)
    state(recording, "A2", "driven", retracts=True)
    settled(alerts)
    assert [one.partition("\n")[0] for one in sent(horn)] == [
        "A2 FAILED (likely)",
        "A2 goes on: output came back",
    ]
    assert sent(desk) == []
    alerts.close()


def test_a_suspicion_that_was_retracted_before_it_went_out_is_told_as_what_it_came_to(
    recording: Recording,
) -> None:
    with Hook() as hook:
        hook.usual = (503, {}, b"")
        alerts = service(recording, notifiers={"phone": hooked(hook.port)})
        state(recording, "A2", "failed")
        settled(alerts)
        state(recording, "A2", "driven", retracts=True)
        hook.usual = (200, {}, b"")
        settled(alerts)
        said = json.loads(hook.posts[-1][2])
        assert said["subject"] == "hot-room: A2 goes on: output came back (and 1 more)"
        assert len(said["facts"]) == 2
        alerts.close()


def test_what_is_held_back_is_shown_with_the_time_and_comes_at_the_stop(
    recording: Recording, clock: FakeClock, tmp_path: Path
) -> None:
    target = tmp_path / "told"
    alerts = service(recording, notifiers={"horn": appending(target)}, per_hour=2)
    chatter(recording, alerts, 62)
    clock.forward(11 * SECOND)  # the status is written every ten seconds
    recording.scan()
    settled(alerts)
    found = status(recording.path)["ways"]["horn"]
    assert (found["waiting"], found["held"]) == (60, 60)
    assert found["next_ns"] == START_NS + 3600 * SECOND
    words, _ = alert_words(recording.path, clock.utc, running=True)
    assert ", 60 held back, next at " in words
    assert "waiting" not in words
    recording.stop()
    settled(alerts)
    settled(alerts)
    digest = sent(target)[2]
    assert digest.startswith("61 alarms, in the order of detection:\n")
    assert "all that waited, sent at the stop" in digest
    alerts.close()
    assert status(recording.path)["ways"]["horn"]["waiting"] == 0


def test_a_state_that_was_known_is_known_after_a_restart_of_the_alerts(
    recording: Recording, tmp_path: Path
) -> None:
    target = tmp_path / "told"
    alerts = service(recording, notifiers={"horn": appending(target)})
    state(recording, "A1", "driven")
    settled(alerts)
    alerts.close()
    again = service(recording, notifiers={"horn": appending(target)})
    state(recording, "A2", "failed")
    settled(again)
    assert "units that go on: A1" in sent(target)[0]
    again.close()


def test_a_real_process_that_is_asked_to_end_sends_what_it_gathered(tmp_path: Path) -> None:
    with Hook() as hook:
        text = rig_text(hook).replace("gather: 0 s", "gather: 1 h")
        recording = Recording(tmp_path, SYSTEM, text)
        with running(recording.path) as process:
            recording.out()
            outbox = recording.path / "alerts" / "outbox"
            peers.wait_for(lambda: outbox.exists() and b"A1.heatsink" in outbox.read_bytes())
            assert hook.posts == []
            process.send_signal(signal.SIGTERM)
            assert process.wait(15) == 0
        assert headlines(hook) == ["A1.heatsink above high limit 95 degC: 96.2 degC"]
        assert status(recording.path)["ways"]["hook"]["waiting"] == 0


def test_a_server_that_hangs_delays_the_end_of_the_process_by_a_moment_and_loses_nothing(
    tmp_path: Path,
) -> None:
    with peers.raw_server(peers.silent) as port:
        text = (
            f"alerts:\n  ways: {{hook: {{webhook: {{url: 'http://127.0.0.1:{port}/'}}, deadline: 30 s}}}}\n"
            "  gather: 1 h\n  test: 0 s\n"
        )
        recording = Recording(tmp_path, SYSTEM, text)
        with running(recording.path) as process:
            recording.out()
            outbox = recording.path / "alerts" / "outbox"
            peers.wait_for(lambda: outbox.exists() and b"A1.heatsink" in outbox.read_bytes())
            process.send_signal(signal.SIGTERM)
            assert process.wait(20) == 0
    assert status(recording.path)["ways"]["hook"]["waiting"] == 1


def test_an_action_of_the_test_program_comes_with_its_caution(recording: Recording, tmp_path: Path) -> None:
    target = tmp_path / "told"
    alerts = service(recording, notifiers={"horn": appending(target)})
    recording.event(EventKind.PHASE, "high", "ACTION: set mains to 248 ± 4 V", action=True)
    recording.event(EventKind.PHASE, "high", "phase high reached")
    settled(alerts)
    [message] = sent(target)
    assert message.startswith("ACTION: set mains to 248 ± 4 V\n")
    assert "mains voltage kills, a variac does not isolate" in message
    alerts.close()
