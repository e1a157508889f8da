"""A process that records until it is killed; it says on its output what it knows to be recorded.

``python -m tests.store.victim RUN`` first does what the daemon does at a start: lock, recovery, session.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from rig.clock import SYSTEM
from rig.domain.model import EventKind, Scan
from rig.store import rundir
from rig.store.recover import recover
from rig.store.rundir import Lock
from rig.store.writer import RunWriter


def main(path: Path) -> None:
    run = rundir.open_run(path)
    with Lock(path / rundir.LOCK).acquire("victim"):
        found = recover(run)
        session = rundir.next_session(run)
        writer = RunWriter(
            run, session=session, boot_id=SYSTEM.boot_id(), boot_ns=SYSTEM.boot_ns(), utc_ns=SYSTEM.utc_ns(),
            synchronised=True, blocks=[("n", "minus")], software="0", host="rack", journal_bytes=20_000,
        )  # fmt: skip
        for finding in found.events:
            writer.event(finding.kind, SYSTEM.boot_ns(), finding.subject, finding.text, finding.data)
        k = 0
        while True:
            sent_ns = SYSTEM.boot_ns()
            scans = [
                Scan(block=0, sent_ns=sent_ns, received_ns=sent_ns + 1000, values=(n, -n), statuses=bytes(2))
                for n in range(k, k + 3)
            ]
            writer.scans(scans)
            k += 3
            # A killed process leaves what it has written to the kernel: appended is acknowledged here.
            os.write(1, f"{session} {k}\n".encode())
            if k % 30 == 0:
                writer.event(EventKind.NOTE, sent_ns, "run", "still here")
                writer.sync()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
