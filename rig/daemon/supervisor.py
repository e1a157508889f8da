"""The thread that looks at all others: starts them, sees that they work, ends them in order.

Nothing here touches a bus or a file of the run while it is going; it looks at deadlines, and has what
needs no thread watched as well.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from rig.clock import Clock
from rig.daemon.observers.record_observer import Announce
from rig.daemon.recorder import Recorder
from rig.daemon.service_manager import ServiceManager
from rig.daemon.stop_request import StopRequest
from rig.daemon.supervised_bus import SupervisedBus
from rig.domain.formatting import duration
from rig.domain.model import EventKind
from rig.errors import StoreError

LOOK_S = 0.25
BLIND_NS = 600 * 1_000_000_000
"""Shortest time between two reports of a failed self-check; common practice, no source."""
STALLED_S = 30.0
"""A recorder without progress for this long is reported as stalled."""


class Watcher(Protocol):
    """What is looked at several times a second and has something recorded when it is not as it should be."""

    def look(self) -> None:
        """Look at it."""
        ...


class Supervisor:
    """Runs pollers and recorder until a stop is asked for, a duration is over, or nothing can be recorded."""

    def __init__(
        self,
        *,
        buses: Mapping[str, SupervisedBus],
        recorder: Recorder,
        watchers: Sequence[Watcher],
        stop: StopRequest,
        announce: Announce,
        clock: Clock,
        service_manager: ServiceManager,
        duration_s: float | None = None,
        each_look: Callable[[Supervisor], None] = lambda _: None,
    ) -> None:
        self.buses = buses
        self.recorder = recorder
        self.watchers = watchers
        self.stop = stop
        self._announce = announce
        self._clock = clock
        self._service_manager = service_manager
        self._duration_s = duration_s
        self._each_look = each_look
        self._drained = threading.Event()
        self._recorder_failure: BaseException | None = None
        self._blind_ns = -BLIND_NS
        self._stalled = False

    def run(self) -> str:
        """Run the session; return why it ended. Raises StoreError if nothing can be recorded any more."""
        writing = threading.Thread(target=self._write, name="recorder", daemon=True)
        writing.start()
        for bus in self.buses.values():
            bus.poller.start()
        self._service_manager.ready("recording")
        began_ns = self._clock.monotonic_ns()
        while not self.stop.wait(LOOK_S):
            try:
                self.look()
            except Exception as error:  # out of descriptors, or a bug: the recording goes on
                self._look_failed(error)
            if not writing.is_alive():
                break
            elapsed_s = (self._clock.monotonic_ns() - began_ns) / 1e9
            if self._duration_s is not None and elapsed_s >= self._duration_s:
                self.stop.make("duration reached")
        self._finish(writing)
        if self._recorder_failure is not None:
            raise StoreError(f"recording ended: {self._recorder_failure}") from self._recorder_failure
        return self.stop.reason

    def look(self) -> None:
        """Look at every bus, the recorder and what else is watched, and give a sign of life if all is well.

        Raises what a look raises.
        """
        for bus in self.buses.values():
            bus.look()
        self._look_at_recorder()
        for one in self.watchers:
            one.look()
        if self.well():
            self._service_manager.alive(f"{self.recorder.readings} readings")
        self._each_look(self)

    def well(self) -> bool:
        """Return whether records reach the disk and every bus works or is known not to."""
        return self._behind_s() <= STALLED_S and all(bus.is_known for bus in self.buses.values())

    def _behind_s(self) -> float:
        return (self._clock.boot_ns() - self.recorder.progress_ns) / 1e9

    def _look_at_recorder(self) -> None:
        behind_s = self._behind_s()
        if behind_s > STALLED_S and not self._stalled:
            self._stalled = True
            text = f"no record written to disk for {duration(behind_s)}"
            self._announce(EventKind.STORE_FAULT, "run", text, {"cause": "stalled", "behind_s": behind_s})
        elif behind_s < STALLED_S:
            self._stalled = False

    def _look_failed(self, error: Exception) -> None:
        """Report a failed self-check at once, then every ten minutes."""
        now_ns = self._clock.boot_ns()
        if now_ns - self._blind_ns > BLIND_NS:
            self._blind_ns = now_ns
            text = f"self-check of the logger failed: {error}"
            self._announce(EventKind.LOGGER_FAULT, "run", text, {"part": "look", "error": repr(error)})

    def _write(self) -> None:
        try:
            self.recorder.run(self._drained)
        except BaseException as error:  # reported by run()
            self._recorder_failure = error

    def _finish(self, writing: threading.Thread) -> None:
        """Ordered end: no more polls, then drain, then sync."""
        self._service_manager.stopping()
        for bus in self.buses.values():
            bus.poller.stop()
        for bus in self.buses.values():
            bus.join()
        self._drained.set()
        writing.join(60.0)
