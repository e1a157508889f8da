"""Supervision of the alerts process: started with the logger, and again whenever it ends."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from rig.clock import Clock
from rig.daemon.observers.record_observer import Announce
from rig.daemon.realtime_priority import as_usual
from rig.domain.formatting import duration
from rig.domain.model import EventKind
from rig.domain.schedule import Backoff
from rig.errors import RunInUseError
from rig.store import rundir

ENDING_S = 5.0
"""Time for the last alerts after a clean stop."""
LOOK_NS = 2_000_000_000
LONGEST_WAIT_S = 3600.0


class AlertsProcess:
    """Alerts process of a run, kept running for as long as the run is recorded.

    The process outlives a crash of the logger and reports it. Where another alerts process of this run is
    active (of a session that crashed, or a service of its own), ours ends at once and is not restarted
    meanwhile.
    """

    def __init__(self, run: Path, announce: Announce, clock: Clock, command: Sequence[str] = ()) -> None:
        self._command = [*(command or (sys.executable, "-m", "rig.alerts")), str(run)]
        self._lock = run / "alerts" / rundir.LOCK
        self._announce = announce
        self._clock = clock
        self._backoff = Backoff(first_s=2.0, cap_s=LONGEST_WAIT_S)
        self._process: subprocess.Popen[bytes] | None = None
        self._look_ns = 0
        self._due_ns: int | None = None

    def start(self) -> None:
        """Start the process."""
        self._process = subprocess.Popen(  # noqa: S603 - our own module on our own run
            self._command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            preexec_fn=as_usual,  # noqa: PLW1509 - three system calls, takes no lock
        )

    def look(self) -> None:
        """Restart the process if it ended and no other is active, after longer and longer waits."""
        now_ns = self._clock.monotonic_ns()
        if self._process is None or now_ns < self._look_ns:
            return
        self._look_ns = now_ns + LOOK_NS
        code = self._process.poll()
        if code is None or rundir.is_held(self._lock):
            self._due_ns = None
            return
        if self._due_ns is None:
            wait_s = self._backoff.failed()
            self._due_ns = now_ns + round(wait_s * 1e9)
            if code != RunInUseError.exit_code:  # then another was active until now
                text = f"alerts process ended (exit {code}): no alerts until its restart"
                data = {"part": "alerts", "exit": code, "wait_s": wait_s}
                self._announce(EventKind.LOGGER_FAULT, "run", f"{text} in {duration(wait_s)}", data)
        elif now_ns >= self._due_ns:
            self._due_ns = None
            self.start()

    def end(self) -> None:
        """Let the process end after a clean stop; undelivered alerts are kept for the next session."""
        if self._process is None:
            return
        try:
            self._process.wait(ENDING_S)  # time to send the alert about the stop
        except subprocess.TimeoutExpired:
            self._process.terminate()
            self._process.wait()
