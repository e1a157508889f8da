"""Heartbeat for an external watchdog: the age of the newest reading on disk.

It goes out at a fixed interval while readings reach the disk (or the recording was stopped on purpose), and
stops when the newest one is older than ``silence``. So a watchdog need only raise its alarm when no
heartbeat has come for, say, three intervals: that covers a dead logger, machine, network and alerts
process. The file is written whole under another name and then renamed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from rig.alerts.delivery_outcome import DeliveryOutcome, refused
from rig.alerts.delivery_process import DeliveryProcess, job_of
from rig.rigfile.alerts_section import HeartbeatSection as Settings
from rig.rigfile.alerts_section import Notifier

DEADLINE_S = 30.0


class HeartbeatSender:
    """Sender of heartbeats by delivery processes: a hung server or network folder delays only its own.

    last: outcome of the newest heartbeat of each target.
    """

    def __init__(
        self,
        settings: Settings,
        start: Callable[[Mapping[str, Any]], DeliveryProcess],
        clock_ns: Callable[[], int],
    ) -> None:
        self._every_ns = round(settings.every_s * 1e9)
        self._start = start
        self._clock_ns = clock_ns
        self._due_ns = clock_ns()
        self._number = 0
        self._deliveries: dict[str, DeliveryProcess] = {}
        self._jobs = _jobs(settings)
        self.last: dict[str, DeliveryOutcome] = {}

    def turn(self, beat: Mapping[str, Any] | None) -> None:
        """Collect finished deliveries; start the next one if it is due. ``beat`` None: withhold it."""
        for target, delivery in list(self._deliveries.items()):
            outcome = delivery.poll()
            if outcome is not None:
                self.last[target] = outcome
                del self._deliveries[target]
        now_ns = self._clock_ns()
        if now_ns < self._due_ns:
            return
        self._due_ns += self._every_ns
        if self._due_ns <= now_ns:
            self._due_ns = now_ns + self._every_ns
        if beat is None:
            return
        self._number += 1
        content = {**beat, "key": f"beat-{self._number}"}
        for target, job in self._jobs.items():
            if target not in self._deliveries:
                try:
                    self._deliveries[target] = self._start({**job, "content": content})
                except OSError as error:
                    self.last[target] = refused(f"delivery process could not be started: {error}")

    def close(self) -> None:
        """End deliveries under way."""
        for delivery in self._deliveries.values():
            delivery.kill()
            while delivery.poll() is None:
                pass


def _jobs(settings: Settings) -> dict[str, dict[str, Any]]:
    jobs: dict[str, dict[str, Any]] = {}
    if settings.file is not None:
        jobs["file"] = {"kind": "file", "way": {"path": settings.file}, "deadline_s": DEADLINE_S}
    webhook = settings.webhook()
    if webhook is not None:
        jobs["url"] = job_of(Notifier(webhook=webhook, deadline_s=DEADLINE_S), {})
    return jobs
