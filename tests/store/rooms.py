"""Small recordings for the tests of the store: made through the real writer."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rig.domain.model import Scan
from rig.store import rundir
from rig.store.files import OS_DISK, Disk
from rig.store.rundir import RunDir
from rig.store.writer import RunWriter

BOOT_NS = 5_000_000_000_000
UTC_NS = 1_767_225_600_000_000_000
"""2026-01-01 00:00:00 UTC, the moment of ``BOOT_NS``."""
SECOND = 1_000_000_000
BLOCKS = (("A1.volts", "A1.amps"), ("A1.heatsink", "mains", "ambient"))


def new_run(folder: Path, disk: Disk = OS_DISK, name: str = "hot-room") -> RunDir:
    """Return an empty run."""
    return rundir.create(folder, rig="hot", created_ns=UTC_NS, software="0.0.test", name=name, disk=disk)


def writer(run: RunDir, disk: Disk = OS_DISK, **changes: Any) -> RunWriter:
    """Return a writer with the usual blocks; ``changes`` replace its arguments."""
    arguments: dict[str, Any] = {
        "session": 1, "boot_id": "boot-a", "boot_ns": BOOT_NS, "utc_ns": UTC_NS, "synchronised": True,
        "blocks": BLOCKS, "software": "0.0.test", "host": "rack", "disk": disk,
    }  # fmt: skip
    return RunWriter(run, **(arguments | changes))


def scan(block: int, at_s: float, values: Sequence[float], statuses: bytes | None = None) -> Scan:
    """Return an exchange that took 20 ms, ``at_s`` seconds after ``BOOT_NS``."""
    sent = BOOT_NS + round(at_s * SECOND)
    return Scan(
        block=block, sent_ns=sent, received_ns=sent + 20_000_000, values=tuple(values),
        statuses=bytes(len(values)) if statuses is None else statuses,
    )  # fmt: skip


def pair(k: int) -> list[Scan]:
    """Return the scans of both blocks of second ``k``: every value says where it belongs."""
    return [scan(0, k, (k + 0.25, k + 0.5)), scan(1, k + 0.1, (k, 1000.0 + k, -k))]
