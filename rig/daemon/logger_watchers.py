"""Watchers of the logger beside its threads: clocks, its own state, disk space, sealing.

The supervisor's thread calls each several times a second; what they find is recorded.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Protocol

from rig.clock import Clock, apart
from rig.daemon.intake import Intake
from rig.daemon.observers.record_observer import Announce
from rig.daemon.realtime_priority import give_way
from rig.daemon.recorder import Recorder
from rig.daemon.supervised_bus import SupervisedBus
from rig.domain.disk_space import SpaceWatch
from rig.domain.model import EventKind
from rig.store.files import OS_DISK

STEP_NS = 50_000_000
"""A wall clock that moves by more than this against the boot clock between two looks has stepped."""
SLEWED = 0.1
"""How far off the rate of a wall clock may be that is steered and does not step: adjtimex(2) takes a ``tick``
of 900,000 to 1,100,000 us a second."""
UNSURE_NS = STEP_NS // 2
"""A look that knows how far the clocks are apart no better than this waits for the next: two such looks
together are wrong by ``STEP_NS`` at most, so that no halted process passes for a step."""
HEALTH_NS = 600 * 1_000_000_000
ROOM_NS = 60 * 1_000_000_000


class JournalWriter(Protocol):
    """What closes journals, which then wait to be sealed."""

    @property
    def journals(self) -> Sequence[int]:
        """Numbers of the journals closed so far."""
        ...


class ClockWatch:
    """Records steps of the wall clock, and a suspended machine as a gap."""

    def __init__(self, announce: Announce, clock: Clock) -> None:
        self._announce = announce
        self._clock = clock
        self._wall = apart(clock.utc_ns, clock.boot_ns)
        self._suspended_ns = -apart(clock.monotonic_ns, clock.boot_ns).offset_ns

    def look(self) -> None:
        """Compare the clocks with each other, and with how they stood at the look before."""
        wall = apart(self._clock.utc_ns, self._clock.boot_ns)
        machine = apart(self._clock.monotonic_ns, self._clock.boot_ns)
        if max(wall.uncertainty_ns, machine.uncertainty_ns) > UNSURE_NS:
            return  # halted between the readings each time: the next look compares with the one before
        boot_ns = wall.boot_ns
        offset_ns = wall.offset_ns
        step_ns = offset_ns - self._wall.offset_ns
        slewed_ns = SLEWED * (boot_ns - self._wall.boot_ns)
        self._wall = wall
        if abs(step_ns) > STEP_NS + slewed_ns:
            text = f"wall clock stepped by {step_ns / 1e9:+.3f} s; order unaffected (boot clock)"
            self._announce(
                EventKind.CLOCK_STEP, "run", text, {"step_ns": step_ns, "offset_ns": offset_ns}, boot_ns
            )
        suspended_ns = -machine.offset_ns
        slept_ns = suspended_ns - self._suspended_ns
        self._suspended_ns = suspended_ns
        if slept_ns > STEP_NS:
            text = f"machine suspended for {slept_ns / 1e9:.1f} s"
            data = {"cause": "suspend", "from_ns": boot_ns - slept_ns, "to_ns": boot_ns}
            self._announce(EventKind.GAP, "run", text, data, boot_ns)


class LoggerHealth:
    """State of the logger, recorded every ten minutes."""

    def __init__(
        self,
        *,
        buses: Mapping[str, SupervisedBus],
        recorder: Recorder,
        intake: Intake,
        run_path: Path,
        announce: Announce,
        clock: Clock,
    ) -> None:
        self._buses = buses
        self._recorder = recorder
        self._intake = intake
        self._run_path = run_path
        self._announce = announce
        self._clock = clock
        self._recorded_ns = -HEALTH_NS

    def look(self) -> None:
        """Have it recorded if it is time."""
        now_ns = self._clock.boot_ns()
        if now_ns - self._recorded_ns > HEALTH_NS:
            self._recorded_ns = now_ns
            self._announce(EventKind.HEALTH, "run", "state of the logger", self.report())

    def report(self) -> dict[str, Any]:
        """Return memory, descriptors, threads, processor time, queue, disk, buses and lateness as JSON."""
        usage = resource.getrusage(resource.RUSAGE_SELF)
        pollers = {name: bus.poller for name, bus in self._buses.items()}
        polled = [one for poller in pollers.values() for one in poller.instruments]
        return {
            **_from_proc(),
            "threads": threading.active_count(),
            "processor_s": round(usage.ru_utime + usage.ru_stime, 3),
            "queue": self._intake.depth(),
            "readings": self._recorder.readings,
            **_disk_space(self._run_path),
            "utc_minus_boot_ns": apart(self._clock.utc_ns, self._clock.boot_ns).offset_ns,
            "buses": {name: asdict(poller.counts) for name, poller in pollers.items()},
            "lateness_ms": {
                one.name: [
                    round(one.lateness.quantile_ms(0.5), 3),
                    round(one.lateness.quantile_ms(0.99), 3),
                    round(one.lateness.worst_ns / 1e6, 3),
                ]
                for one in polled
            },
        }


class DiskSpaceWatch:
    """Reports in good time that the disk will be full."""

    def __init__(self, run_path: Path, announce: Announce, clock: Clock) -> None:
        self._run_path = run_path
        self._announce = announce
        self._clock = clock
        self._space = SpaceWatch()
        self._looked_ns = -ROOM_NS

    def look(self) -> None:
        """Look at the space that is left, once a minute."""
        now_ns = self._clock.boot_ns()
        if now_ns - self._looked_ns < ROOM_NS:
            return
        self._looked_ns = now_ns
        try:
            left = OS_DISK.space(self._run_path)
        except OSError:
            return  # a network folder that is not there now; the recorder has reported it
        text = self._space.look(now_ns, left.free_bytes, left.inodes)
        if text:
            data = {"disk_free_bytes": left.free_bytes, "disk_free_inodes": left.inodes}
            self._announce(EventKind.STORE_LOW, "run", text, data)


class JournalSealer:
    """Turns closed journals into Parquet, one process at a time."""

    def __init__(self, writer: JournalWriter, run_path: Path, announce: Announce) -> None:
        self._writer = writer
        self._run_path = run_path
        self._announce = announce
        self._begun = 0
        self._process: subprocess.Popen[bytes] | None = None

    def look(self) -> None:
        """See how the process under way ended; start another where journals were closed since."""
        if self._process is not None:
            code = self._process.poll()
            if code is None:
                return
            said = self._process.communicate()[1].decode(errors="replace")  # closes the pipe as well
            self._process = None
            if code:
                text = f"sealing journals into Parquet failed (exit {code}); they are kept for later"
                self._fault(text, code, said[-2000:])
        closed = len(self._writer.journals)
        if closed > self._begun:
            self._begun = closed
            self._start()

    def finish(self) -> None:
        """Wait for the process under way, if there is one."""
        if self._process is not None:
            self._process.communicate()  # waits, and closes the pipe

    def _start(self) -> None:
        """Seal in a process of its own, so that its memory is freed and it delays no poll."""
        try:
            self._process = subprocess.Popen(  # noqa: S603 - our own module on our own run
                [sys.executable, "-m", "rig.store.seal", str(self._run_path)],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                preexec_fn=give_way,  # noqa: PLW1509 - three system calls, takes no lock
            )
        except OSError as error:
            text = f"sealing journals into Parquet could not be started ({error}); they are kept"
            self._fault(text, None, str(error))

    def _fault(self, text: str, code: int | None, said: str) -> None:
        self._announce(EventKind.STORE_FAULT, "run", text, {"cause": "seal", "exit": code, "said": said})


def _disk_space(path: Path) -> dict[str, int]:
    try:
        disk = os.statvfs(path)
    except OSError:
        return {}  # a network folder that is not there now; the recorder has reported it
    return {"disk_free_bytes": disk.f_bavail * disk.f_frsize, "disk_free_inodes": disk.f_favail}


def _from_proc() -> dict[str, int]:
    """Return resident memory and open descriptors; nothing where there is no descriptor to look with."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
        descriptors = len(os.listdir("/proc/self/fd"))  # noqa: PTH208 - one syscall, no objects
    except OSError:
        return {}
    return {"resident_kib": pages * resource.getpagesize() // 1024, "descriptors": descriptors}
