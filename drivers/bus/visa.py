"""Instruments that need VISA: VXI-11 and HiSLIP on a network, USBTMC, GPIB.

Sockets and serial lines do not come here (see ``opening``): the library times their reads by the wall
clock, hides a closed peer and hands a late reply to the next question.
"""

from __future__ import annotations

import contextlib
import functools
import socket
import time
import traceback
from typing import Any

from drivers.bus.transport import NS_PER_S, passed, remaining_ms
from rig.clock import SYSTEM
from rig.errors import BusError, DeadlineError, shown

OPEN_TIMEOUT_MS = 2000
_LOOK_MS = 20


def _known_host(name: str, resource: str) -> None:
    """Raise BusError if a network resource names an unknown host: the library hides that."""
    kind, _, rest = resource.partition("::")
    host = rest.partition("::")[0]
    if not kind.upper().startswith("TCPIP") or not host:
        return
    try:
        socket.getaddrinfo(host.partition(",")[0].strip("[]"), None)
    except OSError as error:
        why = f"host {host!r} is not known ({error.strerror or error})"
        raise BusError(f"{name}: cannot be opened: {why}; check the name and the network") from error


@functools.cache
def _resource_manager(backend: str) -> Any:
    """Return the process's one resource manager: closing one would kill all sessions of the process."""
    import pyvisa

    return pyvisa.ResourceManager(backend)


class VisaTransport:
    """A message-based VISA resource.

    resource: VISA resource string; backend: as ``pyvisa.ResourceManager`` takes it. A message is whole
    when the instrument marks its end, so nothing has to be guessed from silence.
    """

    character_s = 0.0

    def __init__(self, *, resource: str, backend: str = "@py") -> None:
        self.name = f"VISA {resource}"
        self._resource = resource
        self._backend = backend
        self._session: Any = None
        self._asked = False
        self._broken = False

    def open(self) -> None:
        """Open the resource; raises BusError with the library's reason."""
        self.close()
        if self._backend.endswith("@py"):
            _known_host(self.name, self._resource)
        try:
            manager = _resource_manager(self._backend)
            self._session = manager.open_resource(self._resource, open_timeout=OPEN_TIMEOUT_MS)
        except Exception as error:
            with contextlib.suppress(Exception):
                _let_go(error)
            raise BusError(
                f"{self.name}: cannot be opened: {type(error).__name__}: {error}; check the resource "
                "string, the cable, and that the instrument is on"
            ) from error
        self._asked = self._broken = False

    def send(self, data: bytes, deadline_ns: int) -> None:
        """Send one message before the deadline."""
        session = self._opened()
        self._asked = True
        session.timeout = max(1, remaining_ms(deadline_ns))
        try:
            count = session.write_raw(data)
        except Exception as error:
            if _is_timeout(error):
                raise DeadlineError(f"{self.name}: {shown(data)} was not taken in time") from error
            self._broken = True
            raise
        if count is not None and count < len(data):
            raise BusError(f"{self.name}: only {count} of {len(data)} bytes of {shown(data)} were taken")

    def receive(self, deadline_ns: int) -> bytes:
        """Return the message that arrived, b'' if none did."""
        session = self._opened()
        session.timeout = max(1, remaining_ms(deadline_ns))
        try:
            return bytes(session.read_raw())
        except Exception as error:
            if _is_timeout(error):
                return b""
            self._broken = True
            raise

    def drain(self) -> bytes:
        """Return b'': these instruments speak only when asked, and reading unasked upsets some."""
        return b""

    def resync(self, quiet_until_ns: int, give_up_ns: int) -> int:
        """Let a late reply reach the instrument's output queue, then have the instrument clear it.

        Where the resource knows no clear, read and throw away until nothing comes. Returns the bytes
        thrown away by reading.
        """
        session = self._opened()
        if self._asked:
            time.sleep(max(0, quiet_until_ns - SYSTEM.monotonic_ns()) / NS_PER_S)
        self._asked = False
        try:
            session.timeout = max(1, remaining_ms(give_up_ns))
            session.clear()
        except Exception:  # not every resource can; reading is the other way
            return self._read_off(give_up_ns)
        return 0

    def close(self) -> None:
        """Close the session, not the resource manager.

        After a failure the session is not closed in agreement: that takes 5 s with a dead instrument.
        """
        session, self._session = self._session, None
        if session is None:
            return
        with contextlib.suppress(Exception):
            handle, table = session.session, getattr(session.visalib, "sessions", {})
            try:
                if self._broken:
                    _cut(table.get(handle))
                session.close()
            finally:
                table.pop(handle, None)  # the library keeps closed sessions for ever

    def abandon(self) -> None:
        """Cut the network connection, where there is one, and take its descriptor away.

        Cut alone it would read as empty, and the library asks again without a pause until its own deadline,
        which goes by the wall clock and may be an hour off.
        """
        session = self._session
        if session is not None:
            with contextlib.suppress(Exception):
                link = _cut(getattr(session.visalib, "sessions", {}).get(session.session))
                if link is not None:
                    link.close()

    def _read_off(self, give_up_ns: int) -> int:
        count = 0
        while data := self.receive(SYSTEM.monotonic_ns() + _LOOK_MS * 1_000_000):
            count += len(data)
            if passed(give_up_ns):
                raise BusError(f"{self.name}: never quiet: {count} unsolicited bytes, the last {shown(data)}")
        return count

    def _opened(self) -> Any:
        if self._session is None:
            raise BusError(f"{self.name}: used while closed")
        return self._session


def _cut(inner: Any) -> socket.socket | None:
    """Shut the network connection below a session of pyvisa-py and return it, None if it has none."""
    link = getattr(getattr(inner, "interface", None), "sock", None)
    if not isinstance(link, socket.socket):
        return None
    with contextlib.suppress(OSError):  # the instrument may have gone first
        link.shutdown(socket.SHUT_RDWR)
    return link


def _let_go(error: BaseException) -> None:
    """Close the connections that a failed opening has left to the garbage collector.

    Until that comes by, an instrument that serves one connection at a time would be taken by ourselves.
    """
    failed: BaseException | None = error
    while failed is not None:
        for frame, _ in traceback.walk_tb(failed.__traceback__):
            for part in getattr(frame.f_locals.get("self"), "__dict__", {}).values():
                for link in (part, getattr(part, "sock", None)):
                    if isinstance(link, socket.socket):
                        link.close()
        failed = failed.__context__


def _is_timeout(error: Exception) -> bool:
    from pyvisa.constants import StatusCode

    return getattr(error, "error_code", None) == StatusCode.error_timeout
