"""The one thread that writes: queue -> journal -> limits -> events to the same journal.

Everything reaches the journal before it is judged, and is synced to disk at least once a second; from a
unit's first crossing on, every batch is synced at once.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from typing import Any, Protocol

from rig.clock import Clock
from rig.daemon.intake import Intake, Notice
from rig.daemon.observers.record_observer import RecordObserver
from rig.domain.derived import DerivedChannels
from rig.domain.limit_evaluation import Evaluation, LimitFinding
from rig.domain.model import Event, EventKind, Scan

TAKE_S = 0.1
"""Longest wait for the next item: also the granularity of the silence check and of syncing."""


class Writer(Protocol):
    """What the recorder needs of the store."""

    def scans(self, scans: Sequence[Scan]) -> None:
        """Append scans."""
        ...

    def event(self, kind: EventKind, boot_ns: int, subject: str, text: str, data: Mapping[str, Any]) -> Event:
        """Append an event."""
        ...

    def sync(self) -> None:
        """Make everything appended so far survive a power cut."""
        ...


class Fast(Protocol):
    """What decides on faster polls."""

    def consider(self, scan: Scan, near: AbstractSet[str]) -> None:
        """Look at a scan; ``near`` are the channels beyond a limit or warning now."""
        ...

    def tick(self) -> None:
        """Let time pass."""
        ...


class Recorder:
    """Takes from the intake, writes, judges. ``progress_ns`` is the boot time of the last sync.

    An observer that fails is disabled, and that is recorded: readings are worth more than any observer.
    essential: the one without which the session makes no sense; its failure ends the recording.
    """

    def __init__(
        self,
        *,
        intake: Intake,
        writer: Writer,
        evaluation: Evaluation,
        derived: DerivedChannels,
        clock: Clock,
        sync_s: float,
        fast: Fast | None = None,
        observers: Sequence[RecordObserver] = (),
        essential: RecordObserver | None = None,
        on_event: Callable[[Event], None] = lambda _event: None,
    ) -> None:
        self._intake = intake
        self._writer = writer
        self._evaluation = evaluation
        self._derived = derived
        self._clock = clock
        self._sync_ns = round(sync_s * 1e9)
        self._on_event = on_event
        self._fast = fast
        self._observers = tuple(observers)
        self._essential = essential
        self._unsynced = False
        self.progress_ns = clock.boot_ns()
        self.readings = 0

    def run(self, stopping: threading.Event) -> None:
        """Record until ``stopping`` is set and the queue is empty."""
        while not stopping.is_set() or self._intake.depth():
            self.turn(TAKE_S)
        self.sync()
        self._attend(lambda one: one.close())

    def turn(self, timeout_s: float) -> None:
        """Take what has arrived, write it, judge it, sync if it is time."""
        items = self._intake.take(timeout_s)
        self._record(items)
        now_ns = self._clock.boot_ns()
        self._write_findings(self._evaluation.tick(now_ns))
        if self._fast is not None:
            self._fast.tick()
        self._attend(lambda one: one.tick())
        urgent = bool(self._evaluation.crossed_units) and self._unsynced
        if urgent or now_ns - self.progress_ns >= self._sync_ns:
            self.sync()

    def sync(self) -> None:
        """Sync if anything is unsynced."""
        if self._unsynced:
            self._writer.sync()
            self._unsynced = False
        self.progress_ns = self._clock.boot_ns()

    def _record(self, items: Sequence[Scan | Notice]) -> None:
        scans: list[Scan] = []
        for item in items:
            if isinstance(item, Scan):
                scans.append(item)
                scans.extend(self._derived.feed(item))
            else:
                # an event keeps its place among the readings
                self._write_scans(scans)
                scans = []
                self._write_event(item.kind, item.boot_ns, item.subject, item.text, item.data)
        self._write_scans(scans)

    def _write_scans(self, scans: Sequence[Scan]) -> None:
        if not scans:
            return
        self._writer.scans(scans)
        self._unsynced = True
        for scan in scans:
            self._judge(scan)

    def _judge(self, scan: Scan) -> None:
        self.readings += len(scan.values)
        findings = self._evaluation.feed(scan)
        if findings:
            self._write_findings(findings)
        if self._fast is not None:
            self._fast.consider(scan, self._evaluation.near)
        self._attend(lambda one: one.scan(scan))

    def _write_findings(self, findings: Iterable[LimitFinding]) -> None:
        for one in findings:
            self._write_event(one.kind, one.boot_ns, one.channel, one.text, one.data)

    def _write_event(
        self, kind: EventKind, boot_ns: int, subject: str, text: str, data: Mapping[str, Any]
    ) -> None:
        event = self._writer.event(kind, boot_ns, subject, text, data)
        self._unsynced = True
        self._on_event(event)
        self._attend(lambda one: one.event(event))

    def _attend(self, call: Callable[[RecordObserver], None]) -> None:
        for one in self._observers:
            try:
                call(one)
            except Exception as error:
                if one is self._essential:
                    raise
                self._leave_out(one, error)

    def _leave_out(self, failed: RecordObserver, error: Exception) -> None:
        self._observers = tuple(one for one in self._observers if one is not failed)
        name = type(failed).__name__
        text = (
            f"part of the logger disabled after an error ({name}); the recording continues "
            f"without it until the next start: {error!r}"
        )
        self._write_event(
            EventKind.LOGGER_FAULT, self._clock.boot_ns(), "run", text, {"part": name, "error": repr(error)}
        )
