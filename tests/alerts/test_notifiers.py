"""Every way against real servers: what counts as delivered, and what an unkind server can do."""

from __future__ import annotations

import json
import shutil
import ssl
import subprocess
import sys
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from rig.alerts.delivery_outcome import DeliveryOutcome
from rig.alerts.delivery_process import DeliveryProcess, job_of
from rig.alerts.message import Message
from rig.domain.jsonmap import plain, printed
from rig.rigfile.alerts_section import CommandNotifier, MailNotifier, MqttNotifier, Notifier, WebhookNotifier
from tests.alerts import peers
from tests.alerts.peers import Hook, Sink

SECRET = "x7-not-for-anyone"
MESSAGE = Message(
    key="0123456789abcdef01234567", subject="hot-room: Küche über 95 °C", text="Zeile eins\nZeile zwei\n",
    rig="hot-room", run="soak", facts=({"number": 1},),
)  # fmt: skip


def carried(notifier: Notifier, message: Message = MESSAGE) -> DeliveryOutcome:
    """Return what became of a message, through a real courier process."""
    return ended(DeliveryProcess(job_of(notifier, plain(message))))


def ended(delivery: DeliveryProcess) -> DeliveryOutcome:
    for _ in range(3000):
        outcome = delivery.poll()
        if outcome is not None:
            return outcome
        time.sleep(0.01)
    raise AssertionError("the courier did not end")


def mail(port: int, deadline_s: float = 10.0, **words: Any) -> Notifier:
    settings = MailNotifier(
        server=f"127.0.0.1:{port}", sender="rig@example.org", to=("a@example.org", "b@example.org"),
        **{"security": "none", **words},
    )  # fmt: skip
    return Notifier(mail=settings, deadline_s=deadline_s)


def hook(url: str, deadline_s: float = 10.0, **words: Any) -> Notifier:
    return Notifier(webhook=WebhookNotifier(url=url, **words), deadline_s=deadline_s)


# ---- e-mail


def test_an_e_mail_arrives_whole_with_an_identity_that_a_repeat_shares() -> None:
    """Header fields: RFC 5322; Auto-Submitted: RFC 3834."""
    sink = Sink()
    with peers.mail_server(sink) as port:
        assert [carried(mail(port)).delivered for _ in range(2)] == [True, True]
    first, second = sink.letters
    assert first["Subject"] == MESSAGE.subject
    assert first.get_payload(decode=True) == MESSAGE.text.replace("\n", "\r\n").encode()
    assert first["Message-ID"] == second["Message-ID"] == "<0123456789abcdef01234567@example.org>"
    assert first["Auto-Submitted"] == "auto-generated"
    assert sink.recipients[0] == ["a@example.org", "b@example.org"]


@pytest.mark.parametrize("answer", ["451 try later", "552 too much", "554 no"])
def test_an_e_mail_that_the_server_does_not_accept_is_not_delivered(answer: str) -> None:
    sink = Sink()
    sink.answer = answer
    with peers.mail_server(sink) as port:
        outcome = carried(mail(port))
    assert (outcome.delivered, outcome.refused) == (False, True)
    assert answer[:3] in outcome.note


def test_one_unknown_recipient_keeps_the_others_from_nothing_and_is_named() -> None:
    sink = Sink()
    sink.refused = {"a@example.org"}
    with peers.mail_server(sink) as port:
        outcome = carried(mail(port))
        assert outcome.delivered
        assert outcome.note == "a@example.org refused: 550 b'no such person'"
        sink.refused.add("b@example.org")
        assert carried(mail(port)).refused
    assert sink.recipients == [["b@example.org"]]


def test_mail_by_starttls_logs_in_and_the_password_is_shown_nowhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cert, key = peers.certificate(tmp_path)
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(cert, key)
    monkeypatch.setenv("SOAKRIG_MAIL", SECRET)
    sink = Sink()
    words: dict[str, Any] = {
        "tls_context": context, "require_starttls": True, "auth_required": True,
        "authenticator": peers.password_check("rig", SECRET),
    }  # fmt: skip
    login: dict[str, Any] = {
        "security": "starttls",
        "user": "rig",
        "secret": "env:SOAKRIG_MAIL",
        "ca": str(cert),
    }
    with peers.mail_server(sink, **words) as port:
        assert carried(mail(port, **login)) == DeliveryOutcome(delivered=True)
        monkeypatch.setenv("SOAKRIG_MAIL", SECRET + "-wrong")
        wrong = carried(mail(port, **login))
        untrusted = carried(mail(port, **{**login, "ca": None}))
    assert len(sink.letters) == 1
    assert wrong.refused
    assert "535" in wrong.note
    assert untrusted.refused
    assert "certificate" in untrusted.note.lower()
    assert SECRET not in wrong.note + untrusted.note + repr(job_of(mail(port, **login), plain(MESSAGE)))


def test_a_server_without_starttls_gets_neither_password_nor_text(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOAKRIG_MAIL", SECRET)
    sink = Sink()
    with peers.mail_server(sink) as port:
        outcome = carried(mail(port, 10.0, security="starttls", user="rig", secret="env:SOAKRIG_MAIL"))
    assert outcome.refused
    assert "STARTTLS" in outcome.note
    assert sink.letters == []


def test_a_subject_cannot_bring_header_fields_of_its_own() -> None:
    sink = Sink()
    message = Message(key="k", subject="a\r\nBcc: x@example.org", text="t", rig="r", run="u")
    with peers.mail_server(sink) as port:
        outcome = carried(mail(port), message)
    assert not outcome.delivered
    assert sink.letters == []


# ---- unkind servers, for every way that has one


def unkind(port: int) -> dict[str, Notifier]:
    return {
        "mail": mail(port, deadline_s=1.0),
        "webhook": hook(f"http://127.0.0.1:{port}/", deadline_s=1.0),
        "mqtt": Notifier(
            mqtt=MqttNotifier(server=f"127.0.0.1:{port}", topic="t", security="none"), deadline_s=1.0
        ),
    }


@pytest.mark.slow
def test_an_unkind_server_costs_no_more_than_the_deadline_and_delivers_nothing() -> None:
    talks = {
        "silent": peers.silent,
        "dripping": peers.dripping(b""),
        "dripping later": peers.dripping(b"220 hello\r\n250"),
        "hanging up": peers.rude,
    }
    with ExitStack() as stack:
        deliveries = {
            (talk, name): DeliveryProcess(job_of(notifier, plain(MESSAGE)))
            for talk, behave in talks.items()
            for name, notifier in unkind(stack.enter_context(peers.raw_server(behave))).items()
        }
        outcomes = {which: ended(delivery) for which, delivery in deliveries.items()}
    for (_, name), outcome in outcomes.items():
        assert not outcome.delivered
        # before the text is sent a refusal is certain; a web server has it then, and may have kept it
        assert outcome.refused == (name != "webhook")
        assert outcome.note


def test_a_closed_port_is_a_refusal() -> None:
    for notifier in unkind(peers.free_port()).values():
        outcome = carried(notifier)
        assert outcome.refused
        assert "refused" in outcome.note.lower()


@pytest.mark.parametrize(
    ("settings", "scheme"), [({"security": "tls"}, "mail"), ({}, "webhook")], ids=["mail", "webhook"]
)
def test_a_broken_tls_greeting_is_a_refusal(settings: dict[str, Any], scheme: str) -> None:
    def talk(connection: Any) -> None:
        connection.recv(100)
        connection.sendall(b"HTTP/1.1 200 OK\r\n\r\n")

    with peers.raw_server(talk) as port:
        notifier = mail(port, **settings) if scheme == "mail" else hook(f"https://127.0.0.1:{port}/")
        assert carried(notifier).refused


# ---- webhook


def test_a_webhook_gets_the_message_as_json_with_its_key_and_token(
    tmp_path: Path,
) -> None:
    place = tmp_path / "hook.secret"
    place.write_text(SECRET + "\n")
    place.chmod(0o600)
    with Hook() as server:
        assert carried(hook(server.url + "?room=1", secret=f"file:{place}")) == DeliveryOutcome(
            delivered=True
        )
    [(path, headers, body)] = server.posts
    assert path == "/alerts?room=1"
    assert json.loads(body) == printed(MESSAGE)
    assert headers["Idempotency-Key"] == f'"{MESSAGE.key}"'
    assert headers["Authorization"] == f"Bearer {SECRET}"


def test_only_an_answer_from_200_to_299_counts() -> None:
    """RFC 9110, section 15: 2xx is success and nothing else is."""
    with Hook() as server, Hook() as elsewhere:
        deliveries = {}
        for code in (200, 202, 204, 199, 301, 302, 307, 308, 400, 401, 404, 429, 500, 503):
            server.by_path[f"/{code}"] = (code, {"Location": elsewhere.url}, b"")
            notifier = hook(f"http://127.0.0.1:{server.port}/{code}", deadline_s=5.0)
            deliveries[code] = DeliveryProcess(job_of(notifier, plain(MESSAGE)))
        for code, delivery in deliveries.items():
            assert ended(delivery).delivered == (200 <= code < 300), code
        assert elsewhere.posts == []  # a redirect is not followed: the token is not for others


def test_an_answer_200_that_says_error_does_not_count_where_a_text_is_expected() -> None:
    with Hook() as server:
        server.answers = [(200, {}, b'{"error": "no such room"}'), (202, {}, b'{"ok": true}')]
        notifier = hook(server.url, expect='"ok": true')
        assert [carried(notifier).delivered for _ in range(2)] == [False, True]


def test_a_url_that_is_itself_a_secret_is_shown_nowhere(monkeypatch: pytest.MonkeyPatch) -> None:
    with Hook() as server:
        server.usual = (500, {}, b"")
        monkeypatch.setenv("SOAKRIG_HOOK", server.url + "/" + SECRET)
        notifier = hook("env:SOAKRIG_HOOK")
        outcome = carried(notifier)
        assert server.posts[0][0] == f"/alerts/{SECRET}"
    assert "500" in outcome.note
    assert SECRET not in outcome.note + repr(notifier)


def test_what_is_no_url_is_refused_without_showing_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOAKRIG_HOOK", f"file:///etc/{SECRET}")
    outcome = carried(hook("env:SOAKRIG_HOOK"))
    assert outcome.refused
    assert SECRET not in outcome.note


# ---- MQTT


def test_an_mqtt_message_is_published_with_quality_of_service_1(tmp_path: Path) -> None:
    port = peers.free_port()
    notifier = Notifier(
        mqtt=MqttNotifier(server=f"127.0.0.1:{port}", topic="room/alerts", security="none"), deadline_s=10.0
    )
    with peers.broker(tmp_path, port), peers.subscriber(port, "room/#") as heard:
        assert carried(notifier) == DeliveryOutcome(delivered=True)
        peers.wait_for(lambda: heard)
    assert json.loads(heard[0]) == printed(MESSAGE)


def test_a_broker_that_wants_a_password_refuses_a_wrong_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    port = peers.free_port()
    settings = MqttNotifier(
        server=f"127.0.0.1:{port}", topic="t", security="none", user="rig", secret="env:SOAKRIG_BROKER"
    )
    maker = shutil.which("mosquitto_passwd")
    if maker is None:
        pytest.skip("mosquitto_passwd is not installed (it comes with the broker mosquitto)")
    people = tmp_path / "people"
    subprocess.run([maker, "-b", "-c", str(people), "rig", SECRET], check=True, capture_output=True)
    outcomes = []
    with peers.broker(tmp_path, port, f"allow_anonymous false\npassword_file {people}\n"):
        for password in (SECRET, SECRET + "-wrong"):
            monkeypatch.setenv("SOAKRIG_BROKER", password)
            outcomes.append(carried(Notifier(mqtt=settings, deadline_s=10.0)))
    assert outcomes[0].delivered
    assert outcomes[1].refused
    assert "Not authorized" in outcomes[1].note
    assert SECRET not in outcomes[1].note


# ---- command


def test_a_command_gets_the_text_on_its_input_and_the_rest_in_its_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOAKRIG_MAIL_PASSWORD", SECRET)
    target = tmp_path / "told"
    code = (
        "import os, sys; came = sys.argv[2:], dict(os.environ), sys.stdin.read(); "
        "open(sys.argv[1], 'w').write(repr(came))"
    )
    arguments = ("$(id) ; `id` | x", "a b")
    command = CommandNotifier(run=(sys.executable, "-c", code, str(target), *arguments))
    assert carried(Notifier(command=command)) == DeliveryOutcome(delivered=True)
    words, environment, text = eval(target.read_text())
    assert words == list(arguments)  # word by word, no shell
    assert text == MESSAGE.text
    assert environment["SOAKRIG_SUBJECT"] == MESSAGE.subject
    assert environment["SOAKRIG_KEY"] == MESSAGE.key
    assert SECRET not in repr(environment)


@pytest.mark.parametrize(
    ("run", "refused", "note"),
    [
        (("/bin/false",), True, "/bin/false ended with exit code 1"),
        (("/no/such/program",), True, "/no/such/program could not be started: No such file or directory"),
        (("/bin/sleep", "60"), False, "/bin/sleep ended after the deadline of 1 s"),
    ],
)
def test_a_command_that_fails_is_not_delivered(run: tuple[str, ...], refused: bool, note: str) -> None:
    outcome = carried(Notifier(command=CommandNotifier(run=run), deadline_s=1.0))
    assert outcome == DeliveryOutcome(delivered=False, refused=refused, note=note)


def test_a_command_that_does_not_read_its_input_has_been_told_all_the_same() -> None:
    message = Message(key="k", subject="s", text="x" * 300_000, rig="r", run="u")
    assert carried(Notifier(command=CommandNotifier(run=("/bin/true",))), message).delivered


# ---- secrets


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o644])
def test_a_secret_file_that_others_can_read_is_refused(tmp_path: Path, mode: int) -> None:
    place = tmp_path / "hook.secret"
    place.write_text(SECRET)
    place.chmod(mode)
    with Hook() as server:
        outcome = carried(hook(server.url, secret=f"file:{place}"))
    assert outcome.refused
    assert f"chmod 0600 {place}" in outcome.note
    assert server.posts == []


def test_a_secret_that_is_a_link_or_empty_or_missing_is_refused(tmp_path: Path) -> None:
    place = tmp_path / "a.secret"
    place.write_text("  \n")
    place.chmod(0o600)
    link = tmp_path / "b.secret"
    link.symlink_to(place)
    for one in (f"file:{place}", f"file:{link}", "env:SOAKRIG_NOT_THERE"):
        outcome = carried(hook("http://127.0.0.1:1/", secret=one))
        assert outcome.refused
        assert one.partition(":")[2] in outcome.note
