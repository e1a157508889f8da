"""The other side: real servers on the loopback that a test starts, kind and unkind."""

from __future__ import annotations

import getpass
import shutil
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Self

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session


def free_port() -> int:
    """Return a TCP port of the loopback that nobody listens on."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        port: int = listener.getsockname()[1]
        return port


class Sink:
    """A mail server's handler: keeps letters; ``answer`` is what it says to the text of one."""

    def __init__(self) -> None:
        self.letters: list[EmailMessage] = []
        self.recipients: list[list[str]] = []
        self.answer = "250 kept"
        self.refused: set[str] = set()

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if address in self.refused:
            return "550 no such person"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        if self.answer.startswith("250"):
            letter = message_from_bytes(envelope.original_content or b"", EmailMessage, policy=default)
            self.letters.append(letter)
            self.recipients.append(list(envelope.rcpt_tos))
        return self.answer


@contextmanager
def mail_server(sink: Sink, *, port: int = 0, **words: Any) -> Iterator[int]:
    """Run a mail server; give its port. ``words`` go to aiosmtpd."""
    controller = Controller(sink, hostname="127.0.0.1", port=port or free_port(), **words)
    controller.start()
    try:
        yield controller.port
    finally:
        controller.stop()


def password_check(user: str, password: str) -> Callable[..., AuthResult]:
    """Return a check that lets in one user."""

    def check(
        _server: object, _session: object, _envelope: object, mechanism: str, data: object
    ) -> AuthResult:
        right = isinstance(data, LoginPassword) and (data.login, data.password) == (
            user.encode(), password.encode(),
        )  # fmt: skip
        return AuthResult(success=right, handled=False)

    return check


class Hook:
    """A web server: keeps what was posted, answers as told, for instance ``[503, 200]``."""

    def __init__(self, port: int = 0) -> None:
        hook = self
        self.posts: list[tuple[str, dict[str, str], bytes]] = []
        self.answers: list[tuple[int, dict[str, str], bytes]] = []
        self.by_path: dict[str, tuple[int, dict[str, str], bytes]] = {}
        self.usual: tuple[int, dict[str, str], bytes] = (200, {}, b"ok")

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                usual = hook.by_path.get(self.path, hook.usual)
                code, headers, said = hook.answers.pop(0) if hook.answers else usual
                hook.posts.append((self.path, dict(self.headers), body))
                self.send_response(code)
                for name, value in headers.items():
                    self.send_header(name, value)
                self.end_headers()
                self.wfile.write(said)

            def log_message(self, *_words: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self.port: int = self.server.server_address[1]
        self._thread = threading.Thread(target=self.server.serve_forever, args=(0.02,))

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_error: object) -> None:
        self.server.shutdown()
        self._thread.join()
        self.server.server_close()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/alerts"


@contextmanager
def raw_server(talk: Callable[[socket.socket], None], tls: ssl.SSLContext | None = None) -> Iterator[int]:
    """Run a server that lets ``talk`` do what it likes with each connection; give its port."""
    listener = socket.create_server(("127.0.0.1", 0), backlog=16)
    listener.settimeout(0.05)
    ended = threading.Event()
    threads: list[threading.Thread] = []

    def one(connection: socket.socket) -> None:
        with connection:
            try:
                connection.settimeout(5)
                talk(tls.wrap_socket(connection, server_side=True) if tls else connection)
            except OSError:
                return

    def serve() -> None:
        while not ended.is_set():
            try:
                connection, _ = listener.accept()
            except TimeoutError:
                continue
            threads.append(threading.Thread(target=one, args=(connection,)))
            threads[-1].start()

    threads.append(threading.Thread(target=serve))
    threads[0].start()
    try:
        yield listener.getsockname()[1]
    finally:
        ended.set()
        for thread in threads:
            thread.join()
        listener.close()


def silent(connection: socket.socket) -> None:
    """Take the connection and never say a word, until the other side leaves."""
    while connection.recv(4096):
        pass


def dripping(first: bytes) -> Callable[[socket.socket], None]:
    """Return a talk that says one byte now and then and never ends a line."""

    def talk(connection: socket.socket) -> None:
        connection.sendall(first)
        while True:
            connection.sendall(b"-")
            time.sleep(0.1)

    return talk


def rude(connection: socket.socket) -> None:
    """Hang up at once."""


@contextmanager
def broker(
    folder: Path, port: int, extra: str = "allow_anonymous true\n"
) -> Iterator[subprocess.Popen[bytes]]:
    """Run an MQTT broker (Debian's mosquitto); skips the test where it is not installed."""
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if program is None:
        pytest.skip("the MQTT broker mosquitto is not installed (apt-get install mosquitto)")
    config = folder / "broker.conf"
    config.write_text(f"user {getpass.getuser()}\nlistener {port} 127.0.0.1\n{extra}")
    process = subprocess.Popen([program, "-c", str(config)], stderr=subprocess.DEVNULL)
    try:
        for _ in range(200):
            try:
                socket.create_connection(("127.0.0.1", port), 1).close()
                break
            except ConnectionRefusedError:
                time.sleep(0.02)
        yield process
    finally:
        process.terminate()
        process.wait()


@contextmanager
def subscriber(port: int, topic: str) -> Iterator[list[bytes]]:
    """Give a list that fills with what is published."""
    from paho.mqtt import client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    heard: list[bytes] = []
    ready = threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2, "a-test")

    def subscribe(*_words: object) -> None:
        client.subscribe(topic, 1)

    client.on_connect = subscribe
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = lambda _client, _data, message: heard.append(bytes(message.payload))
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert ready.wait(5)
        yield heard
    finally:
        client.disconnect()
        client.loop_stop()


def certificate(folder: Path) -> tuple[Path, Path]:
    """Return certificate and key files for 127.0.0.1, made by openssl; skips where that is missing."""
    program = shutil.which("openssl")
    if program is None:
        pytest.skip("openssl is not installed")
    cert, key = folder / "cert.pem", folder / "key.pem"
    subprocess.run(
        [program, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
         "-keyout", str(key), "-out", str(cert), "-days", "2", "-subj", "/CN=127.0.0.1",
         "-addext", "subjectAltName=IP:127.0.0.1"],
        check=True, capture_output=True,
    )  # fmt: skip
    return cert, key


def wait_for(true: Callable[[], object], seconds: float = 10.0) -> None:
    """Return as soon as something is true; fail after some seconds."""
    for _ in range(int(seconds / 0.02)):
        if true():
            return
        time.sleep(0.02)
    raise AssertionError("it did not become true")
