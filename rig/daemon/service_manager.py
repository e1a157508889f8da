"""The service manager's side: ready, alive, stopping, over the datagram socket that sd_notify(3) describes.

The sign of life is given by the thread that looks at all others, and only while records reach the disk and
every bus either works or is known not to. So a hung logger is restarted and a missing meter is not.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

from rig.clock import Clock


class ServiceManager:
    """Speaks to the service manager, if there is one. Never raises: the manager may be gone.

    ``environment``: NOTIFY_SOCKET and WATCHDOG_USEC are taken from it, as the manager sets them.
    """

    def __init__(self, clock: Clock, environment: Mapping[str, str] = os.environ) -> None:
        self._clock = clock
        self._address = environment.get("NOTIFY_SOCKET", "")
        interval_us = environment.get("WATCHDOG_USEC", "")
        # the manual page asks for a sign at half the interval
        self._every_ns = int(interval_us) * 1000 // 2 if interval_us.isdecimal() else 0
        self._next_ns = 0

    @property
    def watched(self) -> bool:
        """Whether the manager waits for signs of life."""
        return bool(self._address and self._every_ns)

    def ready(self, status: str) -> None:
        """Say that the service is up."""
        self._send(f"READY=1\nSTATUS={status}")

    def stopping(self) -> None:
        """Say that the service is ending."""
        self._send("STOPPING=1")

    def starting(self, allowed_s: float) -> None:
        """Ask for more time to start (a large recovery)."""
        self._send(f"EXTEND_TIMEOUT_USEC={round(allowed_s * 1e6)}")

    def alive(self, status: str) -> None:
        """Give a sign of life, if one is due, with a word on how things stand."""
        now_ns = self._clock.monotonic_ns()
        if self.watched and now_ns >= self._next_ns:
            self._next_ns = now_ns + self._every_ns
            self._send(f"WATCHDOG=1\nSTATUS={status}")

    def _send(self, message: str) -> None:
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as to_manager:
                to_manager.sendto(message.encode(), address)
        except OSError:
            pass  # a manager that does not listen is no reason to stop recording
