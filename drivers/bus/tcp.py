"""Instruments behind a TCP port: a plain socket where the end of the stream is an error at once."""

from __future__ import annotations

import contextlib
import socket

from drivers.bus.transport import CHUNK_BYTES, pause_full, wait_readable, wait_writable
from rig.domain.formatting import setting
from rig.errors import BusError, DeadlineError, shown

_KEEPALIVE_IDLE_S = 10
_KEEPALIVE_EVERY_S = 5
_KEEPALIVE_TRIES = 3
CONNECT_TIMEOUT_S = 2.0


class TcpTransport:
    """A TCP connection to ``host``:``port``.

    Small writes go out at once (TCP_NODELAY: a command followed by a query would otherwise wait 40 ms
    for a delayed acknowledgement), and a peer that lost its power is noticed by keepalive within
    about 25 s even while nobody asks.
    """

    character_s = 0.0

    def __init__(self, *, host: str, port: int, connect_timeout_s: float = CONNECT_TIMEOUT_S) -> None:
        self.name = f"TCP {host}:{port}"
        self._host = host
        self._port = port
        self._connect_timeout_s = connect_timeout_s
        self._socket: socket.socket | None = None
        self._asked = False

    def open(self) -> None:
        """Connect; raises BusError with the reason in words."""
        self.close()
        try:
            link = socket.create_connection((self._host, self._port), self._connect_timeout_s)
        except TimeoutError as error:
            raise BusError(
                f"{self.name}: no answer to a connection attempt within "
                f"{setting(self._connect_timeout_s, 's')}; "
                "check address, cable and that the instrument is on"
            ) from error
        except OSError as error:
            raise BusError(
                f"{self.name}: cannot connect: {error.strerror or error}; "
                "check address and port, and whether another program holds the instrument's only connection"
            ) from error
        try:
            link.setblocking(False)
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            link.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, _KEEPALIVE_IDLE_S)
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, _KEEPALIVE_EVERY_S)
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, _KEEPALIVE_TRIES)
        except BaseException:
            link.close()
            raise
        self._socket = link
        self._asked = False

    def send(self, data: bytes, deadline_ns: int) -> None:
        """Send all bytes before the deadline."""
        link = self._opened()
        self._asked = True
        left = memoryview(data)
        while left:
            if not wait_writable(link.fileno(), deadline_ns):
                raise DeadlineError(
                    f"{self.name}: the peer takes no more bytes: {len(left)} of {len(data)} unsent "
                    f"of {shown(data)}; is the instrument stuck?"
                )
            try:
                left = left[link.send(left) :]
            except BlockingIOError:
                pause_full()

    def receive(self, deadline_ns: int) -> bytes:
        """Return what has arrived; raises BusError as soon as the peer has closed."""
        link = self._opened()
        if not wait_readable(link.fileno(), deadline_ns):
            return b""
        try:
            data = link.recv(CHUNK_BYTES)
        except BlockingIOError:
            return b""
        if not data:
            raise BusError(f"{self.name}: the instrument closed the connection")
        return data

    def drain(self) -> bytes:
        """Return what has arrived without waiting."""
        return self.receive(0)

    def resync(self, quiet_until_ns: int, give_up_ns: int) -> int:
        """Connect anew: what was on its way belongs to the old connection. Returns 0."""
        del quiet_until_ns, give_up_ns
        if self._asked:
            self.open()
        return 0

    def close(self) -> None:
        """Close the socket."""
        link, self._socket = self._socket, None
        if link is not None:
            with contextlib.suppress(OSError):
                link.close()

    def abandon(self) -> None:
        """End the conversation, so that the instrument is free for the next one."""
        link = self._socket
        if link is not None:
            with contextlib.suppress(OSError):
                link.shutdown(socket.SHUT_RDWR)

    def _opened(self) -> socket.socket:
        if self._socket is None:
            raise BusError(f"{self.name}: used while closed")
        return self._socket
