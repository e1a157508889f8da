"""The short-lived child that turns closed journals into Parquet: ``python -m rig.store.seal RUN``.

A process of its own, so that the memory it needs goes back and the daemon never loads pyarrow. It may
be started at any time, by anybody, twice at once, and killed at any moment: the next one carries on.
"""

from __future__ import annotations

import argparse
import logging
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from rig.errors import RunInUseError, SoakrigError, StoreError
from rig.store import catalogue, journal, rundir, segments
from rig.store.files import OS_DISK, Disk
from rig.store.rundir import Lock, RunDir

SEAL_LOCK = "seal.lock"
SHOWN = 20
LOG = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class SealingRound:
    """What a round of sealing did: journals sealed, files merged, leftovers removed, faults."""

    sealed: tuple[str, ...]
    merged: tuple[str, ...]
    cleared: tuple[str, ...]
    wrong: tuple[str, ...]


def seal(run: RunDir, *, finish: bool = False, disk: Disk = OS_DISK) -> SealingRound:
    """Seal all closed journals, merge days that are over (``finish``: the last one too), clear left-overs.

    Raises RunInUseError if another process is sealing this run now. A journal that cannot be sealed is
    left as it is and named in ``wrong``.
    """
    with Lock(run.path / SEAL_LOCK).acquire("sealing"):
        cleared = segments.clear(run, disk)
        closed, wrong = segments.closed_journals(run, disk)
        sealed = []
        for one in closed:
            try:
                _room(run, one, disk)
                one.reader.advance()
                sealed.append(segments.seal_journal(run, one, disk).name)
            except (OSError, StoreError) as error:
                wrong.append(f"{one.reader.path.name}: {error}")
            one.reader.frames.clear()
        merged = []
        found = catalogue.look(run.path, disk)
        groups = segments.mergeable(found.sealed, _open_day(run, found.journals, disk), finish=finish)
        for pairs in (part for group in groups for part in segments.readable(run, group, disk)):
            try:
                merged.append(segments.merge(run, pairs, disk).name)
            except (OSError, StoreError) as error:
                wrong.append(f"{pairs[0].sealed.day}: {error}")
    return SealingRound(
        sealed=tuple(sealed), merged=tuple(merged), cleared=tuple(cleared), wrong=tuple(wrong)
    )


def _room(run: RunDir, one: segments.Closed, disk: Disk) -> None:
    """Raise StoreError if sealing might take the room that the journal needs."""
    need = 2 * disk.size(one.reader.path)
    free = disk.space(run.path).free_bytes
    if free < need:
        raise StoreError(
            f"not sealed: {free} bytes free, {need} needed; free space, the next round will seal it"
        )


def _open_day(run: RunDir, numbers: Sequence[int], disk: Disk) -> str | None:
    for number in numbers:
        try:
            head = journal.read_head(disk, run.folder("journal") / journal.name(number))
        except (OSError, StoreError):
            continue
        return segments.hour_of(head.opened_ns)[0]
    return None


def main(arguments: Sequence[str] | None = None) -> int:
    """Return 0 if all went well, 5 if something could not be sealed, else the error's exit code."""
    parser = argparse.ArgumentParser(prog="python -m rig.store.seal", description=__doc__)
    parser.add_argument("run", type=Path, help="run directory")
    parser.add_argument("--finish", action="store_true", help="merge the last day too: the run has ended")
    options = parser.parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(message)s", stream=sys.stderr)
    try:
        outcome = seal(rundir.open_run(options.run), finish=options.finish)
    except RunInUseError:
        LOG.info("another process is sealing %s; nothing to do", options.run)
        return 0
    except SoakrigError as error:
        LOG.error("%s", error)  # noqa: TRY400 - the message says all; a traceback would not
        return error.exit_code
    # Few lines, however much was done: the parent may read them only when this has ended.
    for text in outcome.cleared[:SHOWN]:
        LOG.info("%s", text)
    LOG.info(
        "%d journals sealed, %d days merged, %d leftovers removed",
        len(outcome.sealed), len(outcome.merged), len(outcome.cleared),
    )  # fmt: skip
    for fault in outcome.wrong[:SHOWN]:
        LOG.error("%s", fault)
    return StoreError.exit_code if outcome.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
