"""Recordings made through the real writer on the machine's own clocks, for the view to follow."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from rig.clock import SYSTEM
from rig.domain.layout_json import to_json
from rig.domain.model import EventKind, Layout, Scan
from rig.store import rundir
from rig.store.rundir import Lock
from rig.store.writer import RunWriter
from tests.view.rooms import QUANTITIES, layout

SECOND = 1_000_000_000
USUAL = {quantity: value for quantity, _, _, value, _ in QUANTITIES} | {
    "mains": 230.1, "frequency": 50.0, "ambient": 31.2,
}  # fmt: skip


class Recording:
    """A run that is being recorded: holds the lock until ``crash`` or ``stop``."""

    def __init__(self, folder: Path, plan: Layout | None = None) -> None:
        self.plan = plan or layout(2)
        now_ns = SYSTEM.utc_ns()
        self.run = rundir.create(folder, rig=self.plan.rig, created_ns=now_ns, software="test", name="soak")
        self.path = self.run.path
        self.session = 0
        self.begin(self.plan)

    def begin(self, plan: Layout) -> None:
        """Take the lock and begin the next session."""
        self.plan = plan
        self.session += 1
        self._lock = Lock(self.path / rundir.LOCK).acquire("a test")
        self.blocks = [
            tuple(c.name for c in plan.channels.values() if c.source and c.source.instrument == instrument)
            for instrument in plan.instruments
        ]
        self.start_ns = SYSTEM.boot_ns()
        self.writer = RunWriter(
            self.run, session=self.session, boot_id=SYSTEM.boot_id(), boot_ns=self.start_ns,
            utc_ns=SYSTEM.utc_ns(), synchronised=True, blocks=self.blocks, software="test", host="rack",
            config=rundir.freeze_config(self.run, f"session: {self.session}\n", to_json(plan)),
        )  # fmt: skip
        self.event(EventKind.SESSION_START, "run", f"session {self.session} begins")

    def event(self, kind: EventKind, subject: str, text: str, **data: object) -> None:
        """Record an event now."""
        self.writer.event(kind, SYSTEM.boot_ns(), subject, text, data)
        self.writer.sync()

    def scans(self, changed: Mapping[str, float] | None = None, ago_s: float = 0.0) -> None:
        """Record one scan of every instrument, taken ``ago_s`` before now."""
        end_ns = SYSTEM.boot_ns() - round(ago_s * SECOND)
        for block, names in enumerate(self.blocks):
            values = tuple((changed or {}).get(n, USUAL.get(n.rsplit(".", 1)[-1], 1.0)) for n in names)
            self.writer.scan(
                Scan(
                    block=block,
                    sent_ns=end_ns - 1000,
                    received_ns=end_ns,
                    values=values,
                    statuses=bytes(len(names)),
                )
            )
        self.writer.sync()

    def crash(self) -> None:
        """End without a recorded stop."""
        self._lock.release()

    def stop(self) -> None:
        """End the session in good order; the run may go on."""
        self.event(EventKind.SESSION_STOP, "run", "stopped by a test")
        self.writer.close()
        self._lock.release()
