"""Start, stop, signals, and an eye on every thread: the life of one session.

Nothing here touches a bus or a file of the run while it is going; it looks at deadlines and clocks,
replaces what hangs, and reports it.
"""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

from rig.clock import Clock
from rig.daemon.intake import Intake, Notice
from rig.daemon.poller import Poller
from rig.daemon.realtime_priority import give_way
from rig.daemon.recorder import Recorder
from rig.daemon.service_manager import ServiceManager
from rig.domain.disk_space import SpaceWatch
from rig.domain.formatting import duration
from rig.domain.model import EventKind
from rig.domain.schedule import Backoff
from rig.errors import StoreError
from rig.stop import Stop
from rig.store.files import OS_DISK

LOOK_S = 0.25
STEP_NS = 50_000_000
"""A wall clock that moves by more than this against the boot clock between two looks has stepped."""
HEALTH_NS = 600 * 1_000_000_000
ROOM_NS = 60 * 1_000_000_000
STALLED_S = 30.0
"""A recorder without progress for this long is reported as stalled."""
CALM_NS = 600 * 1_000_000_000
"""A thread that lived this long before it ended is started again at once."""
MOST_ABANDONED = 3
"""Hung threads of one bus after which reopening waits: each may hold memory for ever."""


@dataclass(slots=True)
class _Bus:
    make: Callable[[], Poller]
    poller: Poller
    given_up: list[Poller] = field(default_factory=list)
    stuck_times: int = 0
    restarts: Backoff = field(default_factory=lambda: Backoff(first_s=1.0, cap_s=300.0))
    restart_ns: int | None = None
    started_ns: int = 0

    @property
    def abandoned(self) -> int:
        """Number of abandoned threads that still hang; one whose call returned has ended."""
        self.given_up = [one for one in self.given_up if one.is_alive()]
        return len(self.given_up)


class Supervisor:
    """Runs pollers and recorder until a signal, a duration, or a fatal fault ends the session."""

    def __init__(
        self,
        *,
        pollers: Mapping[str, Callable[[], Poller]],
        recorder: Recorder,
        intake: Intake,
        clock: Clock,
        run_path: Path,
        closed_journals: Callable[[], int],
        duration_s: float | None = None,
        notifier: ServiceManager | None = None,
        each_look: Callable[[Supervisor], None] = lambda _: None,
    ) -> None:
        self.buses = {name: _Bus(make, make()) for name, make in pollers.items()}
        self.recorder = recorder
        self.reason = ""
        self._intake = intake
        self._clock = clock
        self._run_path = run_path
        self._closed_journals = closed_journals
        self._sealed_journals = 0
        self._duration_s = duration_s
        self._each_look = each_look
        self._notifier = notifier or ServiceManager(clock, {})
        self._wake = Stop()
        self._drained = threading.Event()
        self._recorder_failure: BaseException | None = None
        self._sealer: subprocess.Popen[bytes] | None = None
        self._offset_ns = clock.utc_ns() - clock.boot_ns()
        self._suspended_ns = clock.boot_ns() - clock.monotonic_ns()
        self._health_ns = -HEALTH_NS
        self._room_ns = -ROOM_NS
        self._space = SpaceWatch()
        self._blind_ns = -HEALTH_NS
        self._stalled = False

    def stop(self, reason: str) -> None:
        """Ask the session to end in good order; the first reason counts. A signal's handler may do so."""
        self.reason = self.reason or reason
        self._wake.set()

    def run(self) -> str:
        """Run the session; return why it ended. Raises StoreError if nothing can be recorded any more."""
        writing = threading.Thread(target=self._write, name="recorder", daemon=True)
        writing.start()
        for bus in self.buses.values():
            bus.poller.start()
        self._notifier.ready("recording")
        began_ns = self._clock.monotonic_ns()
        while not self._wake.wait(LOOK_S):
            try:
                self._look()
            except Exception as error:  # out of descriptors, or a bug: the recording goes on
                self._look_failed(error)
            if not writing.is_alive():
                break
            elapsed_s = (self._clock.monotonic_ns() - began_ns) / 1e9
            if self._duration_s is not None and elapsed_s >= self._duration_s:
                self.stop("duration reached")
        self._finish(writing)
        if self._recorder_failure is not None:
            raise StoreError(f"recording ended: {self._recorder_failure}") from self._recorder_failure
        return self.reason

    def _write(self) -> None:
        try:
            self.recorder.run(self._drained)
        except BaseException as error:  # reported by run()
            self._recorder_failure = error

    def _finish(self, writing: threading.Thread) -> None:
        """Ordered end: no more polls, then drain, then sync."""
        self._notifier.stopping()
        for bus in self.buses.values():
            bus.poller.stop()
        for bus in self.buses.values():
            allowed_s = max((one.timeout_s for one in bus.poller.instruments), default=0.0) + 1.0
            bus.poller.join(allowed_s)
        self._drained.set()
        writing.join(60.0)
        if self._sealer is not None:
            self._sealer.communicate()  # waits, and closes the pipe

    def _look(self) -> None:
        for name, bus in self.buses.items():
            self._look_at_bus(name, bus)
        self._look_at_clocks()
        self._look_at_recorder()
        self._look_at_sealer()
        self._look_at_space()
        if self.well():
            self._notifier.alive(f"{self.recorder.readings} readings")
        self._each_look(self)

    def _look_failed(self, error: Exception) -> None:
        """Report a failed self-check at once, then every ten minutes."""
        now_ns = self._clock.boot_ns()
        if now_ns - self._blind_ns > HEALTH_NS:
            self._blind_ns = now_ns
            self._say(
                EventKind.LOGGER_FAULT,
                "run",
                f"self-check of the logger failed: {error}",
                {"part": "look", "error": repr(error)},
            )

    def well(self) -> bool:
        """Return whether records reach the disk and every bus works or is known not to."""
        behind_s = (self._clock.boot_ns() - self.recorder.progress_ns) / 1e9
        return behind_s <= STALLED_S and all(self._bus_is_known(bus) for bus in self.buses.values())

    def _bus_is_known(self, bus: _Bus) -> bool:
        if bus.abandoned >= MOST_ABANDONED:
            return True  # reported, and left alone on purpose
        if bus.restart_ns is not None:
            return True  # reported, and started again in its time
        in_time = not bus.poller.deadline_ns or self._clock.monotonic_ns() <= bus.poller.deadline_ns
        return bus.poller.is_alive() and in_time

    def _look_at_bus(self, name: str, bus: _Bus) -> None:
        poller = bus.poller
        if bus.restart_ns is not None:
            self._restart_if_due(bus)
        elif not poller.is_alive() and not self._wake.is_set():
            self._look_at_ended(name, bus)
        elif poller.deadline_ns and self._clock.monotonic_ns() > poller.deadline_ns:
            self._look_at_stuck(name, bus)

    def _look_at_stuck(self, name: str, bus: _Bus) -> None:
        """Abandon a hung thread and reopen the bus: at once the first times, then after longer waits."""
        if bus.abandoned >= MOST_ABANDONED:
            return
        now_ns, poller = self._clock.monotonic_ns(), bus.poller
        if now_ns - bus.started_ns > CALM_NS:
            bus.stuck_times = 0
            bus.restarts.worked()
        wait_s = bus.restarts.failed() if bus.stuck_times >= MOST_ABANDONED else 0.0
        bus.stuck_times += 1
        bus.given_up.append(poller)
        poller.give_up()
        again = f"to be reopened in {duration(wait_s)}" if wait_s else "reopened"
        self._say(
            EventKind.BUS_STUCK,
            name,
            f"bus {name} hung in {poller.doing!r}: call abandoned, bus {again} ({bus.stuck_times} times)",
            {"cause": "stuck call", "doing": poller.doing, "times": bus.stuck_times, "wait_s": wait_s},
        )
        bus.restart_ns = now_ns + round(wait_s * 1e9)
        self._restart_if_due(bus)

    def _look_at_ended(self, name: str, bus: _Bus) -> None:
        """Start an ended thread again: at once the first time, later each time after a longer wait."""
        now_ns = self._clock.monotonic_ns()
        if now_ns - bus.started_ns > CALM_NS:
            bus.restarts.worked()
        wait_s = bus.restarts.failed() if bus.restarts.failures else 0.0
        bus.restarts.failures = max(1, bus.restarts.failures)
        bus.restart_ns = now_ns + round(wait_s * 1e9)
        again = f"restart in {duration(wait_s)}" if wait_s else "restarted"
        self._say(
            EventKind.BUS_STUCK,
            name,
            f"thread of bus {name} ended by an error in soakrig, {again}: {bus.poller.failure!r}",
            {"cause": "thread ended", "error": repr(bus.poller.failure), "wait_s": wait_s},
        )
        self._restart_if_due(bus)

    def _restart_if_due(self, bus: _Bus) -> None:
        if bus.restart_ns is not None and self._clock.monotonic_ns() >= bus.restart_ns:
            bus.restart_ns = None
            self._replace(bus)

    def _replace(self, bus: _Bus) -> None:
        bus.started_ns = self._clock.monotonic_ns()
        bus.poller = bus.make()
        bus.poller.start()

    def _look_at_clocks(self) -> None:
        boot_ns = self._clock.boot_ns()
        offset_ns = self._clock.utc_ns() - boot_ns
        step_ns = offset_ns - self._offset_ns
        self._offset_ns = offset_ns
        if abs(step_ns) > STEP_NS:
            self._say(
                EventKind.CLOCK_STEP,
                "run",
                f"wall clock stepped by {step_ns / 1e9:+.3f} s; order unaffected (boot clock)",
                {"step_ns": step_ns, "offset_ns": offset_ns},
            )
        suspended_ns = boot_ns - self._clock.monotonic_ns()
        if suspended_ns - self._suspended_ns > STEP_NS:
            slept_ns = suspended_ns - self._suspended_ns
            self._say(
                EventKind.GAP,
                "run",
                f"machine suspended for {slept_ns / 1e9:.1f} s",
                {"cause": "suspend", "from_ns": boot_ns - slept_ns, "to_ns": boot_ns},
            )
        self._suspended_ns = suspended_ns
        if boot_ns - self._health_ns > HEALTH_NS:
            self._health_ns = boot_ns
            data = self.health()
            self._say(EventKind.HEALTH, "run", "state of the logger", data)

    def health(self) -> dict[str, Any]:
        """Return memory, descriptors, threads, processor time, queue, disk, buses and lateness as JSON."""
        usage = resource.getrusage(resource.RUSAGE_SELF)
        try:
            disk = os.statvfs(self._run_path)
            space = {"disk_free_bytes": disk.f_bavail * disk.f_frsize, "disk_free_inodes": disk.f_favail}
        except OSError:
            space = {}  # a network folder that is not there now; the recorder has reported it
        instruments = [one for bus in self.buses.values() for one in bus.poller.instruments]
        return {
            **_from_proc(),
            "threads": threading.active_count(),
            "processor_s": round(usage.ru_utime + usage.ru_stime, 3),
            "queue": self._intake.depth(),
            "readings": self.recorder.readings,
            **space,
            "utc_minus_boot_ns": self._offset_ns,
            "buses": {name: asdict(bus.poller.counts) for name, bus in self.buses.items()},
            "lateness_ms": {
                one.name: [
                    round(one.lateness.quantile_ms(0.5), 3),
                    round(one.lateness.quantile_ms(0.99), 3),
                    round(one.lateness.worst_ns / 1e6, 3),
                ]
                for one in instruments
            },
        }

    def _look_at_recorder(self) -> None:
        behind_s = (self._clock.boot_ns() - self.recorder.progress_ns) / 1e9
        if behind_s > STALLED_S and not self._stalled:
            self._stalled = True
            self._say(
                EventKind.STORE_FAULT,
                "run",
                f"no record written to disk for {duration(behind_s)}",
                {"cause": "stalled", "behind_s": behind_s},
            )
        elif behind_s < STALLED_S:
            self._stalled = False

    def _look_at_sealer(self) -> None:
        if self._sealer is not None:
            code = self._sealer.poll()
            if code is None:
                return
            said = self._sealer.communicate()[1].decode(errors="replace")  # closes the pipe as well
            self._sealer = None
            if code:
                self._say(
                    EventKind.STORE_FAULT,
                    "run",
                    f"sealing journals into Parquet failed (exit {code}); they are kept, to be sealed later",
                    {"cause": "seal", "exit": code, "said": said[-2000:]},
                )
        closed = self._closed_journals()
        if closed > self._sealed_journals:
            self._sealed_journals = closed
            self._start_sealer()

    def _look_at_space(self) -> None:
        """Report in good time that the disk will be full."""
        now_ns = self._clock.boot_ns()
        if now_ns - self._room_ns < ROOM_NS:
            return
        self._room_ns = now_ns
        try:
            left = OS_DISK.space(self._run_path)
        except OSError:
            return  # a network folder that is not there now; the recorder has reported it
        text = self._space.look(now_ns, left.free_bytes, left.inodes)
        if text:
            data = {"disk_free_bytes": left.free_bytes, "disk_free_inodes": left.inodes}
            self._say(EventKind.STORE_LOW, "run", text, data)

    def _start_sealer(self) -> None:
        """Seal in a process of its own, so that its memory is freed and it delays no poll."""
        try:
            self._sealer = subprocess.Popen(  # noqa: S603 - our own module on our own run
                [sys.executable, "-m", "rig.store.seal", str(self._run_path)],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                preexec_fn=give_way,  # noqa: PLW1509 - three system calls, takes no lock
            )
        except OSError as error:
            self._say(
                EventKind.STORE_FAULT,
                "run",
                f"sealing journals into Parquet could not be started ({error}); they are kept",
                {"cause": "seal", "exit": None, "said": str(error)},
            )

    def _say(self, kind: EventKind, subject: str, text: str, data: dict[str, Any]) -> None:
        notice = Notice(kind=kind, boot_ns=self._clock.boot_ns(), subject=subject, text=text, data=data)
        self._intake.notice(notice)


def on_signals(stop: Callable[[str], None]) -> None:
    """Let SIGTERM and SIGINT stop the session, and SIGHUP do nothing: a lost terminal ends no recording."""

    def handle(number: int, _frame: FrameType | None) -> None:
        stop(f"signal {signal.Signals(number).name}")

    for one in (signal.SIGTERM, signal.SIGINT):
        signal.signal(one, handle)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)


def _from_proc() -> dict[str, int]:
    """Return resident memory and open descriptors; nothing where there is no descriptor to look with."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
        descriptors = len(os.listdir("/proc/self/fd"))  # noqa: PTH208 - one syscall, no objects
    except OSError:
        return {}
    return {"resident_kib": pages * resource.getpagesize() // 1024, "descriptors": descriptors}
