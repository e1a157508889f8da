"""The section ``alerts`` of a rig file: notifiers, what they send, and how often at most.

No secret stands in a rig file, because every recording keeps a copy of it: a secret is named by where it
is, ``env:SOAKRIG_...`` (an environment variable) or ``file:/path/name.secret`` (a file that only its
owner can read). Names outside these two shapes are refused, so that a rig file from somebody else cannot
have other secrets of this machine sent out.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit

from rig.rigfile.schema import AmountField, Checked, Choice, Flag, Integer, Map, Name, Section, Seq, Text, key

CATEGORIES: Final[Mapping[str, str]] = {
    "failed": "a unit that failed or is suspected to have failed; always sent, unless failed: no",
    "action": "something that a person has to set for the test program; run includes it",
    "limits": "a channel out of a limit",
    "early": "a channel beyond its warning level",
    "readings": "a channel without valid readings",
    "instruments": "an instrument offline, a hung bus",
    "logger": "a logger that is silent, stopped or was cut off; disk faults, damage, clock steps",
    "ways": "a notifier that fails",
    "switching": "a unit switched off, or without power for no known reason; a source that cannot be set",
    "gaps": "polls skipped, readings lost, machine suspended",
    "reports": "entries of an instrument's own error queue",
    "run": "session starts, phases, what the test program sets, a changed rig file",
    "states": "every other change of a unit's operating state",
}
"""Categories of alerts, and what each stands for."""

USUAL: Final = ("failed", "action", "limits", "readings", "instruments", "logger", "ways", "switching")
LOOPBACK: Final = frozenset({"localhost", "127.0.0.1", "::1"})


def _server(text: str) -> str:
    match = re.fullmatch(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+):([1-9][0-9]{0,4})", text)
    if match is None or int(match[2]) > 65535:
        raise ValueError("not a host and a port from 1 to 65535")
    return text


def endpoint(server: str) -> tuple[str, int]:
    """Return host and port of a checked ``HOST:PORT``."""
    host, _, port = server.rpartition(":")
    return host.strip("[]"), int(port)


def _secret(text: str) -> str:
    if re.fullmatch(r"env:SOAKRIG_[A-Z0-9_]+|file:/[^\0\n]+\.secret", text) is None:
        raise ValueError("does not say where the secret is")
    return text


def _address(text: str) -> str:
    if re.fullmatch(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]+@[A-Za-z0-9.-]+", text) is None:
        raise ValueError("not an e-mail address")
    return text


def _url(text: str) -> str:
    if text.startswith(("env:", "file:")):
        return _secret(text)
    check_url(text)
    return text


def check_url(text: str) -> None:
    """Raise ValueError unless ``text`` is an http or https URL without name or password in it."""
    parts = urlsplit(text)
    if parts.scheme not in {"http", "https"} or not parts.hostname or re.search(r"[\x00-\x20\x7f]", text):
        raise ValueError("not a URL that begins with http:// or https://")
    if parts.username is not None or parts.password is not None:
        raise ValueError("a name or password in a URL would be kept in every recording; use secret")
    _ = parts.port  # raises ValueError where it is none


def _topic(text: str) -> str:
    if re.search(r"[+#\x00-\x1f\x7f]", text) or len(text.encode()) > 1000:
        raise ValueError("a topic to publish to has no +, # or control characters")
    return text


def _program(words: tuple[str, ...]) -> None:
    if not words[0].startswith("/") or any("\0" in word for word in words):
        raise ValueError("run: the first word must be the absolute path of a program")


def _path(text: str) -> str:
    if not text.startswith("/") or "\0" in text:
        raise ValueError("not an absolute path")
    return text


_SERVER = Checked(Text(), _server, 'a host and a port such as "mail.example.org:587"')
_SECRET = Checked(
    Text(), _secret, "where the secret is: env:SOAKRIG_NAME, or file:/path/name.secret (mode 0600)"
)
_ADDRESS = Checked(Text(), _address, "an e-mail address such as rig@example.org")
_URL = Checked(
    Text(),
    _url,
    "a URL that begins with http:// or https://, or where it is: env:SOAKRIG_NAME, file:/path/name.secret",
)
_FILE = Checked(Text(), _path, "an absolute path")
_TELL = Seq(Choice(*CATEGORIES))


def _clear_secret(secret: str | None, encrypted: bool, host: str | None, accepted: bool) -> None:
    if secret is not None and not encrypted and host not in LOOPBACK and not accepted:
        raise ValueError(
            "the secret would cross the network in clear; encrypt the connection or say clear-secret-ok: yes"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MailNotifier:
    """E-mail by SMTP. ``security``: ``starttls`` (usually port 587), ``tls`` (465) or ``none`` (25)."""

    server: str = key(_SERVER, doc="mail server as HOST:PORT")
    security: str = key(Choice("starttls", "tls", "none"), default="starttls", doc="encryption")
    sender: str = key(_ADDRESS, name="from", doc="address of the rig")
    to: tuple[str, ...] = key(Seq(_ADDRESS, least=1, most=50), doc="addresses of the recipients")
    user: str | None = key(Text(), default=None, doc="name to log in with")
    secret: str | None = key(_SECRET, default=None, doc="where the password is")
    ca: str | None = key(_FILE, default=None, doc="file with the certificate authority to trust instead")
    clear_secret_ok: bool = key(Flag(), default=False, doc="send the password without encryption")

    def __post_init__(self) -> None:
        if (self.user is None) != (self.secret is None):
            raise ValueError("user and secret go together: write both or none")
        _clear_secret(self.secret, self.security != "none", endpoint(self.server)[0], self.clear_secret_ok)


@dataclass(frozen=True, slots=True, kw_only=True)
class WebhookNotifier:
    """An HTTP POST with the message as JSON. Only an answer 200 to 299 counts; redirects are not followed."""

    url: str = key(_URL, doc="where to post; where the URL itself is the secret, name its place")
    secret: str | None = key(_SECRET, default=None, doc="where the token is (sent as Authorization: Bearer)")
    expect: str = key(Text(), default="", doc="text that the answer must hold to count as delivered")
    ca: str | None = key(_FILE, default=None, doc="file with the certificate authority to trust instead")
    clear_secret_ok: bool = key(Flag(), default=False, doc="send the token without encryption")

    def __post_init__(self) -> None:
        if self.url.startswith(("http:", "https:")):
            parts = urlsplit(self.url)
            _clear_secret(self.secret, parts.scheme == "https", parts.hostname, self.clear_secret_ok)


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttNotifier:
    """An MQTT publish with quality of service 1; the broker's acknowledgement counts."""

    server: str = key(_SERVER, doc="broker as HOST:PORT")
    topic: str = key(Checked(Text(), _topic, "a topic such as room/alerts"), doc="topic to publish to")
    security: str = key(Choice("tls", "none"), default="tls", doc="encryption")
    user: str | None = key(Text(), default=None, doc="name to log in with")
    secret: str | None = key(_SECRET, default=None, doc="where the password is")
    ca: str | None = key(_FILE, default=None, doc="file with the certificate authority to trust instead")
    clear_secret_ok: bool = key(Flag(), default=False, doc="send the password without encryption")

    def __post_init__(self) -> None:
        if (self.user is None) != (self.secret is None):
            raise ValueError("user and secret go together: write both or none")
        _clear_secret(self.secret, self.security == "tls", endpoint(self.server)[0], self.clear_secret_ok)


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandNotifier:
    """A program of this machine; no shell. Exit code 0 counts. The message comes on its standard input."""

    run: tuple[str, ...] = key(
        Seq(Text(), least=1, most=50), doc="program (absolute path) and its arguments, word by word"
    )

    def __post_init__(self) -> None:
        _program(self.run)


@dataclass(frozen=True, slots=True, kw_only=True)
class Notifier:
    """One notifier: exactly one of ``mail``, ``webhook``, ``mqtt``, ``command``."""

    mail: MailNotifier | None = key(Section(MailNotifier), default=None, doc="e-mail")
    webhook: WebhookNotifier | None = key(Section(WebhookNotifier), default=None, doc="HTTP POST")
    mqtt: MqttNotifier | None = key(Section(MqttNotifier), default=None, doc="MQTT publish")
    command: CommandNotifier | None = key(
        Section(CommandNotifier), default=None, doc="program of this machine"
    )
    tell: tuple[str, ...] | None = key(
        _TELL, default=None, doc="categories that this notifier sends; default: those of alerts.tell"
    )
    failed: bool = key(
        Flag(),
        default=True,
        doc="whether this notifier sends failed units even where tell does not name them",
    )
    deadline_s: float = key(
        AmountField("s", low=1.0, high=600.0),
        name="deadline",
        default=30.0,
        doc="longest time for one message altogether; then it is given up and tried again later",
    )

    def __post_init__(self) -> None:
        given = [one for one in (self.mail, self.webhook, self.mqtt, self.command) if one is not None]
        if len(given) != 1:
            raise ValueError(f"{len(given)} of mail, webhook, mqtt and command are given; write exactly one")
        if not self.failed and "failed" in (self.tell or ()):
            raise ValueError("tell names failed, and failed: no refuses it; write one of the two")


@dataclass(frozen=True, slots=True, kw_only=True)
class HeartbeatSection:
    """Heartbeat for an external watchdog; it stops when the newest reading on disk is too old."""

    every_s: float = key(
        AmountField("s", low=1.0, high=86_400.0), name="every", default=60.0, doc="interval of the heartbeat"
    )
    file: str | None = key(_FILE, default=None, doc="file to write, best on another machine's disk")
    url: str | None = key(_URL, default=None, doc="URL to post to")
    secret: str | None = key(_SECRET, default=None, doc="where the token for the URL is")
    ca: str | None = key(_FILE, default=None, doc="file with the certificate authority to trust instead")
    clear_secret_ok: bool = key(Flag(), default=False, doc="send the token without encryption")

    def __post_init__(self) -> None:
        if self.file is None and self.url is None:
            raise ValueError("neither file nor url is given; write at least one")
        self.webhook()

    def webhook(self) -> WebhookNotifier | None:
        """Return the URL as something to post to. Raises ValueError like ``WebhookNotifier``."""
        if self.url is None:
            return None
        return WebhookNotifier(
            url=self.url, secret=self.secret, ca=self.ca, clear_secret_ok=self.clear_secret_ok
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Alerts:
    """Notifiers, categories and rates of alerts. Times in seconds."""

    notifiers: dict[str, Notifier] = key(
        Map(Section(Notifier), names=Name(hyphens=True), word="NOTIFIER"),
        name="ways",
        default={},
        doc="notifiers, by name",
    )
    tell: tuple[str, ...] = key(_TELL, default=USUAL, doc="categories that are sent")
    silence_s: float = key(
        AmountField("s", low=5.0, high=86_400.0),
        name="silence",
        default=120.0,
        doc="age of the newest reading on disk at which the logger counts as silent",
    )
    settle_s: float = key(
        AmountField("s", low=0.0, high=86_400.0),
        name="settle",
        default=600.0,
        doc="how long it must be normal again before that is sent; until then a return counts as a repeat",
    )
    repeat_s: float = key(
        AmountField("s", low=0.0, high=30 * 86_400.0),
        name="repeat",
        default=0.0,
        doc="send again what still lasts after this time; 0 s: only when it gets worse",
    )
    gather_s: float = key(
        AmountField("s", low=0.0, high=3600.0),
        name="gather",
        default=20.0,
        doc="how long a first alert waits for others that belong to it",
    )
    digest_after: int = key(
        Integer(1, 1000), default=5, doc="more alerts than this at once come in one message"
    )
    most_lines: int = key(
        Integer(1, 1000), default=50, doc="how many alerts one message lists; the rest is counted"
    )
    per_hour: int = key(
        Integer(2, 1000),
        default=20,
        doc=(
            "most messages an hour by each notifier; the rest waits for a digest; failures, trips, lost "
            "mains and a dead logger do not wait for it"
        ),
    )
    failing_s: float = key(
        AmountField("s", low=0.0, high=7 * 86_400.0),
        name="failing",
        default=600.0,
        doc="how long a notifier may fail before the other notifiers report it",
    )
    test_s: float = key(
        AmountField("s", low=0.0, high=366 * 86_400.0),
        name="test",
        default=7 * 86_400.0,
        doc="time between two test messages by each notifier, the first at the start of a run; 0 s: none",
    )
    heartbeat: HeartbeatSection | None = key(
        Section(HeartbeatSection), default=None, doc="heartbeat for an external watchdog"
    )

    def categories_of(self, notifier: str) -> tuple[str, ...]:
        """Return the categories that a notifier sends: those it names, what they include, and failed units.

        A rig file from before there were failed units names them nowhere and gets them all the same.
        """
        one = self.notifiers[notifier]
        named = self.tell if one.tell is None else one.tell
        included = [*named, *(("action",) if "run" in named else ()), "failed"]
        return tuple(dict.fromkeys(word for word in included if word != "failed" or one.failed))
