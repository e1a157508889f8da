"""The request to end a session, made before anything of it is built, so that a signal always finds it."""

from __future__ import annotations

import signal
from types import FrameType

from rig.stop import Stop


class StopRequest:
    """A request to end in good order, whoever makes it. ``reason``: that of the first, '' before."""

    def __init__(self) -> None:
        self.reason = ""
        self._made = Stop()

    def make(self, reason: str) -> None:
        """Ask for the end; the first reason counts. A signal's handler may do so."""
        self.reason = self.reason or reason
        self._made.set()

    def wait(self, seconds: float) -> bool:
        """Return whether the end is or gets asked for within ``seconds``."""
        return self._made.wait(seconds)

    def on_signals(self) -> None:
        """Let SIGTERM and SIGINT make it, and SIGHUP do nothing: a lost terminal ends no recording."""

        def handle(number: int, _frame: FrameType | None) -> None:
            self.make(f"signal {signal.Signals(number).name}")

        for one in (signal.SIGTERM, signal.SIGINT):
            signal.signal(one, handle)
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
