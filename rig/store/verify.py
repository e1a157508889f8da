"""A whole run against its checksums, to the last byte: what is good, what is damaged, where.

Reads everything, so it takes as long as the disk does; ``Run.skipped`` is the quick look.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rig.domain.model import EventKind
from rig.errors import StoreError
from rig.store import incident_files, journal, journal_frames, rundir
from rig.store.catalogue import PAIR, SUMMARY
from rig.store.files import OS_DISK, Disk
from rig.store.notes import Skipped
from rig.store.reader import RunReader


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What was found. files, readings, events: how many were read and are good. faults: all that is not."""

    files: int
    readings: int
    events: int
    faults: tuple[Skipped, ...]


def _no_progress(_done: int, _of: int) -> None:
    """Say nothing."""


def verify(
    path: Path, disk: Disk = OS_DISK, on_progress: Callable[[int, int], None] = _no_progress
) -> Verified:
    """Return what is good and what is damaged in a run. Raises FormatError if it is none.

    on_progress: called with how many sealed files have been read, of how many.
    """
    run = RunReader.open(path, disk)
    faults = list(run.skipped)
    known = {(fault.path, fault.reason) for fault in faults}
    files = readings = events = 0
    for at_pair, sealed in enumerate(run.catalogue.sealed):
        on_progress(at_pair, len(run.catalogue.sealed))
        wrong = _check_pair(run, sealed.name)
        faults += [fault for fault in wrong if (fault.path, fault.reason) not in known]
        files += 3 + (SUMMARY in run.pair(sealed.name).index.files) - len({fault.path for fault in wrong})
        rows, count = run.counts(sealed.name)
        readings += rows
        events += count
    for number in run.catalogue.journals:
        at = run.dir.folder("journal") / journal.name(number)
        faults += _check_heads(at, disk)
        files += not any(fault.path == at for fault in faults)
    for event in run.events_of({EventKind.INCIDENT}):
        good, wrong = incident_files.faults(run.dir, event, disk)
        files += good
        faults += wrong
    rows, count = run.counts(None)
    checks = (*_check_sessions(run, disk), *_check_configs(run, disk))
    return Verified(files=files, readings=readings + rows, events=events + count, faults=(*faults, *checks))


def _check_pair(run: RunReader, name: str) -> list[Skipped]:
    from rig.store.segments import proved

    pair = run.pair(name)
    paths = {folder: pair.sealed.path(run.path, folder) for folder in (*PAIR, SUMMARY)}
    start_ns = min((note.start_ns for note in pair.index.sessions.values()), default=None)
    end_ns = max((note.end_ns for note in pair.index.sessions.values()), default=None)
    try:
        wrong = proved(run.disk, paths, pair.index) if pair.index.files else pair.unreadable()
    except (OSError, StoreError) as error:
        wrong = [str(error)]
    faults = []
    for fault in wrong:
        text = fault if isinstance(fault, str) else str(fault["reason"])
        at = next((path for path in paths.values() if str(path) in text), paths["readings"])
        faults.append(Skipped(path=at, reason=text, start_ns=start_ns, end_ns=end_ns))
    return faults


def _check_heads(path: Path, disk: Disk) -> list[Skipped]:
    """Return a fault if one of a journal's two heads is damaged (both: the reader has said so)."""
    raw = disk.read(path, 0, journal_frames.HEADS_BYTES)
    bad = []
    for copy, start in (("first", 0), ("second", journal_frames.HEAD_BYTES)):
        one = raw[start : start + journal_frames.HEAD_BYTES]
        try:
            journal_frames.parse_head(one)
        except journal_frames.HeadError as error:
            bad.append(Skipped(path=path, reason=f"{copy} copy of the head damaged: {error}"))
    return bad if len(bad) == 1 else []


def _check_sessions(run: RunReader, disk: Disk) -> list[Skipped]:
    folder = run.dir.folder("sessions")
    good = {rundir.session_name(number) for number in rundir.read_sessions(run.dir, disk)}
    return [
        Skipped(path=folder / name, reason="session facts not readable")
        for name in disk.names(folder)
        if not name.startswith(".") and name not in good
    ]


def _check_configs(run: RunReader, disk: Disk) -> list[Skipped]:
    """Return a fault for each frozen rig file that is not the one its name says, or is not there."""
    folder = run.dir.folder("config")
    wanted = {session.facts.config for session in rundir.read_sessions(run.dir, disk).values()} - {""}
    faults = []
    for sha in sorted(wanted):
        path = folder / f"{sha}.yaml"
        try:
            digest = hashlib.sha256(disk.read(path)).hexdigest()
        except OSError as error:
            faults.append(Skipped(path=path, reason=f"not readable ({error.strerror or error})"))
            continue
        if not digest.startswith(sha):
            faults.append(Skipped(path=path, reason=f"SHA-256 {digest[:12]}... does not match the file name"))
        try:
            rundir.frozen_layout(run.dir, sha, disk)
        except StoreError as error:
            faults.append(Skipped(path=folder / f"{sha}.json", reason=str(error)))
    return faults
