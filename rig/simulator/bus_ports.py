"""The room's ends of its buses: pseudo-terminals behind stable links, and TCP ports on the loopback.

A pty has no line speed; the server waits the time that the characters would take. The slave
side is never kept open here: an open port without a master is what "in use" looks like to others.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import tty
from pathlib import Path

CHUNK = 4096
_ABSENT_S = 0.02


class PollableFlag:
    """A flag that also ends waits: readable once set."""

    def __init__(self) -> None:
        self._seen, self._said = os.pipe()

    def set(self) -> None:
        """Set the flag for good."""
        with contextlib.suppress(OSError):
            os.write(self._said, b"x")

    def fileno(self) -> int:
        """Return the descriptor that is readable once the flag is set."""
        return self._seen

    @property
    def is_set(self) -> bool:
        """Whether the flag is set."""
        return self.wait(0.0)

    def wait(self, seconds: float) -> bool:
        """Return whether the flag is or becomes set within ``seconds``."""
        return bool(select.select([self._seen], [], [], max(seconds, 0.0))[0])

    def close(self) -> None:
        """Free the descriptors; nobody may wait any more."""
        os.close(self._seen)
        os.close(self._said)


class PtyPort:
    """A serial port that does not exist: a raw pty behind a link of a stable name.

    wanted: set to False from any thread, it takes the plug out, as for a USB adapter: a process that has the
    device open is hung up on, and the link goes; True puts it back. ``receive`` sees to it, since only
    the serving thread may close what it waits for.
    """

    def __init__(self, link: Path) -> None:
        self.link = link
        self.wanted = True
        self._master = -1
        self._slave_name = ""
        self._present = False
        self._make()

    def _make(self) -> None:
        """Make the device and let the link point to it."""
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self._slave_name = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self._master, False)
        fresh = self.link.with_name(f".{self.link.name}.new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(self._slave_name)
        fresh.replace(self.link)
        self._present = False

    def remove(self) -> None:
        """Take the device and its link away; for the serving thread, or when nobody serves any more."""
        self.link.unlink(missing_ok=True)
        master, self._master = self._master, -1
        if master >= 0:
            os.close(master)

    def receive(self, seconds: float, stop: PollableFlag) -> bytes:
        """Return what has arrived within ``seconds``; b'' for nothing, also while nobody has it open."""
        if self.wanted != (self._master >= 0):
            (self._make if self.wanted else self.remove)()
        if self._master < 0:
            stop.wait(min(seconds, _ABSENT_S))
            return b""
        if not select.select([self._master, stop.fileno()], [], [], max(seconds, 0.0))[0] or stop.is_set:
            return b""
        try:
            received = os.read(self._master, CHUNK)
        except BlockingIOError:
            return b""
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            self._nobody()
            stop.wait(min(seconds, _ABSENT_S))
            return b""
        self._present = True
        return received

    def send(self, data: bytes) -> None:
        """Put bytes on the line; what nobody takes is lost, as on a real line."""
        if self._master < 0 or not self.attended:
            return
        with contextlib.suppress(OSError):
            os.write(self._master, data)

    @property
    def attended(self) -> bool:
        """Whether anybody has the port open."""
        poll = select.poll()
        poll.register(self._master, 0)
        return not any(event & select.POLLHUP for _, event in poll.poll(0))

    def _nobody(self) -> None:
        """Replace a device that its last user left locked (killed before it could unlock).

        The lock of a pty outlives its user for as long as the master is open; a real port's does not.
        """
        if not self._present:
            return
        self._present = False
        try:
            os.close(os.open(self._slave_name, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK))
        except OSError as error:
            if error.errno == errno.EBUSY:
                self.remove()
                self._make()


class TcpPort:
    """A listening port on 127.0.0.1 and its connections; ``wanted`` as for a serial port."""

    def __init__(self) -> None:
        self.wanted = True
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.number: int = self._listener.getsockname()[1]
        self._open = True
        self.connections: list[socket.socket] = []

    def _listen(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", self.number))
        self._open = True

    def remove(self) -> None:
        """Stop listening and drop all connections; for the serving thread, or when nobody serves."""
        self._listener.close()
        self._open = False
        for connection in list(self.connections):
            self.drop(connection)

    def receive(self, seconds: float, stop: PollableFlag) -> list[tuple[socket.socket, bytes]]:
        """Return (connection, bytes) of what has arrived within ``seconds``; b'' when it was closed."""
        if self.wanted != self._open:
            (self._listen if self.wanted else self.remove)()
        if not self._open:
            stop.wait(min(seconds, _ABSENT_S))
            return []
        sockets = [self._listener, *self.connections]
        watched: list[int | socket.socket] = [stop.fileno(), *sockets]
        ready = select.select(watched, [], [], max(seconds, 0.0))[0]
        arrived: list[tuple[socket.socket, bytes]] = []
        for one in ready:
            if one is self._listener:
                self._accept()
            elif isinstance(one, socket.socket):
                arrived.append((one, _received(one)))
        return arrived

    def send(self, connection: socket.socket, data: bytes) -> None:
        """Send bytes; a connection that does not take them within a second is dropped."""
        try:
            connection.sendall(data)
        except OSError:
            self.drop(connection)

    def drop(self, connection: socket.socket) -> None:
        """Close a connection."""
        if connection in self.connections:
            self.connections.remove(connection)
        connection.close()

    def _accept(self) -> None:
        try:
            connection, _ = self._listener.accept()
        except OSError:
            return
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.settimeout(1.0)
        self.connections.append(connection)


def _received(connection: socket.socket) -> bytes:
    try:
        return connection.recv(CHUNK)
    except OSError:
        return b""
