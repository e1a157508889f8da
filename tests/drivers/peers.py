"""Instruments for tests: a thread behind a real pty or a real TCP port, doing what a script says."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import socket
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Protocol

from drivers import Exchange, Reply
from drivers.bus.exchange import Link
from drivers.bus.lines import take_line
from drivers.bus.numbers import decode, read_field
from drivers.bus.transport import Transport


class Conn(Protocol):
    """The instrument's end of the line."""

    stopping: threading.Event

    def send(self, data: bytes) -> None: ...

    def ask(self, size: int = 4096) -> bytes:
        """Return what came; b'' when the other side is gone or the peer is stopped."""
        ...

    def hang_up(self) -> None: ...

    def pause(self, seconds: float) -> None: ...


Script = Callable[[Conn], None]


class PtyConn:
    def __init__(self) -> None:
        self.stopping = threading.Event()
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.path = os.ttyname(self.slave)
        self._gone = False

    def send(self, data: bytes) -> None:
        with contextlib.suppress(OSError):
            while data and not self.stopping.is_set():
                _, ready, _ = select.select([], [self.master], [], 0.05)
                if ready:
                    data = data[os.write(self.master, data[:2048]) :]

    def ask(self, size: int = 4096) -> bytes:
        while not self.stopping.is_set() and not self._gone:
            ready, _, _ = select.select([self.master], [], [], 0.02)
            if ready:
                with contextlib.suppress(OSError):
                    return os.read(self.master, size)
        return b""

    def hang_up(self) -> None:
        if not self._gone:
            self._gone = True
            os.close(self.master)
            os.close(self.slave)

    def pause(self, seconds: float) -> None:
        self.stopping.wait(seconds)


class TcpConn:
    def __init__(self, link: socket.socket, stopping: threading.Event) -> None:
        self.stopping = stopping
        self._link = link

    def send(self, data: bytes) -> None:
        with contextlib.suppress(OSError):
            self._link.sendall(data)

    def ask(self, size: int = 4096) -> bytes:
        while not self.stopping.is_set():
            ready, _, _ = select.select([self._link], [], [], 0.02)
            if ready:
                with contextlib.suppress(OSError):
                    return self._link.recv(size)
                return b""
        return b""

    def hang_up(self) -> None:
        with contextlib.suppress(OSError):
            self._link.shutdown(socket.SHUT_RDWR)
        self._link.close()

    def pause(self, seconds: float) -> None:
        self.stopping.wait(seconds)


@contextlib.contextmanager
def pty_peer(script: Script, link: Path | None = None) -> Iterator[PtyConn]:
    """Yield a pty with ``script`` at its far end; ``link`` is pointed at it, as udev does."""
    conn = PtyConn()
    if link is not None:
        fresh = link.with_suffix(".new")
        fresh.symlink_to(conn.path)
        fresh.replace(link)
    thread = threading.Thread(target=script, args=(conn,), name="pty peer")
    thread.start()
    try:
        yield conn
    finally:
        conn.stopping.set()
        thread.join(5.0)
        assert not thread.is_alive(), "the peer's script does not end"
        conn.hang_up()


@contextlib.contextmanager
def tcp_peer(script: Script) -> Iterator[int]:
    """Yield the port of a server that runs ``script`` for one connection after the other."""
    stopping = threading.Event()
    listener = socket.create_server(("127.0.0.1", 0), backlog=128)
    listener.settimeout(0.02)

    def serve() -> None:
        while not stopping.is_set():
            try:
                link, _ = listener.accept()
            except TimeoutError:
                continue
            link.settimeout(5.0)
            conn = TcpConn(link, stopping)
            try:
                script(conn)
            finally:
                conn.hang_up()

    thread = threading.Thread(target=serve, name="tcp peer")
    thread.start()
    try:
        yield int(listener.getsockname()[1])
    finally:
        stopping.set()
        thread.join(5.0)
        assert not thread.is_alive(), "the peer's script does not end"
        listener.close()


def echo_tags(conn: Conn) -> None:
    """Answer each question ``n`` with the line ``n``: every reply says whose it is."""
    rest = b""
    while data := conn.ask():
        rest += data
        while b"\n" in rest:
            line, _, rest = rest.partition(b"\n")
            conn.send(line + b"\n")


class Tagged:
    """A question that carries a number and takes any number for an answer."""

    fields: tuple[str, ...] = ("tag",)
    reply_bytes = 6

    def __init__(self, tag: int = 0) -> None:
        self.tag = tag
        self.label = f"tag {tag}"
        self.request_bytes = len(self.request())

    def request(self) -> bytes:
        return f"{self.tag}\n".encode()

    def parse(self, received: bytes) -> Reply | None:
        taken = take_line(received, b"\n")
        if taken is None:
            return None
        value, status = read_field(decode(taken[0]))
        return Reply(values=(value,), statuses=(status,), used=taken[1])


class Heard(Tagged):
    """A line that comes by itself."""

    def __init__(self) -> None:
        super().__init__()
        self.request_bytes = 0
        self.label = "next line"


def opened(transport: Transport) -> Link:
    """Return an open link that does not wait for answers to whoever had the line before: nobody had."""
    link = Link(transport)
    link.open()
    link._failed_ns = None
    return link


_: type[Exchange] = Tagged  # mypy: the fakes fit the protocol
