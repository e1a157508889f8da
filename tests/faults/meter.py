"""An instrument that counts: each reading it gives is a number it never gives again, and it keeps a ledger.

So every number in a recording can be traced to the moment at which it was really said, or is found out
as one that was never said at all.
"""

from __future__ import annotations

import contextlib
import os
import pty
import select
import socket
import struct
import threading
import time
import tty
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

Behaviour = Callable[["Meter", bytes], None]
IDENTITY = "EXAMPLE,METER,0001,1.0"


def boot_ns() -> int:
    """Return the clock that stamps readings."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


class Port(Protocol):
    """The instrument's end of a line. ``hear`` is called in the port's own thread with what came."""

    hear: Callable[[bytes], None]

    def send(self, data: bytes) -> None: ...

    def stop(self) -> None: ...


class PtyPort:
    """A serial adapter: a pty behind a link, as udev makes one. May be unplugged and plugged in anew."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.hear: Callable[[bytes], None] = lambda _data: None
        self._lock = threading.RLock()
        self._fds: tuple[int, int] | None = None
        self._stopping = threading.Event()
        self.deaf = False
        self.plug()
        self._thread = threading.Thread(target=self._serve, name="pty port")
        self._thread.start()

    @property
    def bus(self) -> str:
        return f'{{serial: "{self.link}", baud: 115200}}'

    def plug(self) -> str:
        """Make a new device and point the link at it; return the device's name."""
        with self._lock:
            master, slave = pty.openpty()
            tty.setraw(slave)
            os.set_blocking(master, False)
            self._fds = (master, slave)
            fresh = self.link.with_suffix(".new")
            fresh.symlink_to(os.ttyname(slave))
            fresh.replace(self.link)
            return os.ttyname(slave)

    def unplug(self, *, keep_link: bool = False) -> None:
        """Take the device away, and its link too as udev does."""
        with self._lock:
            fds, self._fds = self._fds, None
            for fd in fds or ():
                os.close(fd)
            if not keep_link:
                self.link.unlink(missing_ok=True)

    def send(self, data: bytes) -> None:
        with contextlib.suppress(OSError), self._lock:
            if self._fds is not None:
                os.write(self._fds[0], data)

    def stop(self) -> None:
        self._stopping.set()
        self._thread.join(10.0)
        self.unplug()

    def _serve(self) -> None:
        while not self._stopping.is_set():
            fds = self._fds
            if fds is None or self.deaf:
                self._stopping.wait(0.01)
                continue
            data = b""
            with contextlib.suppress(OSError, ValueError):
                if select.select([fds[0]], [], [], 0.02)[0]:
                    with self._lock:
                        data = os.read(fds[0], 4096) if self._fds == fds else b""
            if data:
                self.hear(data)


class TcpPort:
    """A socket instrument that serves one connection at a time, as most do."""

    def __init__(self) -> None:
        self.hear: Callable[[bytes], None] = lambda _data: None
        self.connected: Callable[[], None] = lambda: None
        self.connections = 0
        self._link: socket.socket | None = None
        self._stopping = threading.Event()
        self._listener: socket.socket | None = None
        self.number = 0
        self.listen()
        self._thread = threading.Thread(target=self._serve, name="tcp port")
        self._thread.start()

    @property
    def bus(self) -> str:
        return f'{{tcp: "127.0.0.1:{self.number}"}}'

    def listen(self) -> None:
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", self.number))
        listener.listen(16)
        self.number = listener.getsockname()[1]
        self._listener = listener

    def refuse(self) -> None:
        """Take no connections until ``listen``; the kernel refuses them."""
        listener, self._listener = self._listener, None
        if listener is not None:
            listener.close()
        self.drop()

    def drop(self, *, reset: bool = False) -> None:
        """End the connection, by FIN or by RST."""
        link, self._link = self._link, None
        if link is not None:
            with contextlib.suppress(OSError):
                if reset:
                    link.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                else:
                    link.shutdown(socket.SHUT_RDWR)
            link.close()

    def vanish(self) -> None:
        """Forget the connection without a word on the wire, as a power cut does (TCP_REPAIR; needs root)."""
        link = self._link
        if link is not None:
            link.setsockopt(socket.IPPROTO_TCP, 19, 1)  # TCP_REPAIR of linux/tcp.h
            self._link = None
            link.close()

    def send(self, data: bytes) -> None:
        link = self._link
        with contextlib.suppress(OSError):
            if link is not None:
                link.sendall(data)

    def stop(self) -> None:
        self._stopping.set()
        self._thread.join(10.0)
        self.refuse()

    def _serve(self) -> None:
        while not self._stopping.is_set():
            with contextlib.suppress(OSError, ValueError):
                link = self._link
                if link is None:
                    self._accept()
                elif select.select([link], [], [], 0.02)[0]:
                    data = link.recv(4096)
                    if data:
                        self.hear(data)
                    elif link is self._link:
                        self.drop()

    def _accept(self) -> None:
        listener = self._listener
        if listener is None or not select.select([listener], [], [], 0.02)[0]:
            self._stopping.wait(0.005)
            return
        self._link, _ = listener.accept()
        self._link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.connections += 1
        self.connected()


class Meter:
    """Answers ``V?`` with the next number, and the questions every SCPI instrument must answer.

    said: number -> CLOCK_BOOTTIME at which its question was heard (of a meter that is asked nothing: at
    which it was said), so a late reply lies outside the interval of every question but its own;
    heard: every line that came, in order; heard_ns: when the newest of them came; answers: when what was
    heard had been answered, both on CLOCK_BOOTTIME;
    errors: its error queue; behave: what it does with a line, ``well`` unless a fault is provoked.
    """

    def __init__(self, port: PtyPort | TcpPort, *, first: int = 1) -> None:
        self.port = port
        self.identity = IDENTITY
        self.said: dict[int, int] = {}
        self.heard: list[bytes] = []
        self.heard_ns = 0
        self.answers: list[tuple[int, int]] = []
        self.errors: deque[str] = deque()
        self.behave: Behaviour = well
        self.stopping = threading.Event()
        self._next = first
        self._rest = b""
        port.hear = self._hear

    def _hear(self, data: bytes) -> None:
        self._rest += data
        while b"\n" in self._rest:
            line, _, self._rest = self._rest.partition(b"\n")
            self.note(line)
            self.behave(self, line)

    def note(self, question: bytes) -> None:
        """Note that a question was heard now."""
        self.heard_ns = boot_ns()
        self.heard.append(question)

    def say(self, data: bytes) -> None:
        self.port.send(data)
        self.answers.append((self.heard_ns, boot_ns()))

    def reading(self, *, known: bool = True) -> bytes:
        """Return the next number as a whole reply; ``known``: it is one that may be recorded."""
        number, self._next = self._next, self._next + 1
        if known:
            self.said[number] = self.heard_ns or boot_ns()
        return b"%d\n" % number

    def pause(self, seconds: float) -> None:
        self.stopping.wait(seconds)

    def stop(self) -> None:
        self.stopping.set()
        self.port.stop()


def well(meter: Meter, line: bytes) -> None:
    """Do what a healthy instrument does."""
    if line == b"V?":
        meter.say(meter.reading())
    elif line == b"*IDN?":
        meter.say(meter.identity.encode() + b"\n")
    elif line == b"SYST:ERR?":
        entry = meter.errors.popleft() if meter.errors else '0,"No error"'
        meter.say(entry.encode() + b"\n")
    elif line == b"*CLS":
        meter.errors.clear()
