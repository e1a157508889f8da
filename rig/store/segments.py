"""Journals into Parquet, small Parquet files into large ones: nothing is removed before its heir is proved.

Each step ends with a name given by rename, so that whatever moment the power fails at, a next attempt
finds either the old files or the new ones, and ``catalogue`` never counts both.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.core.model import Event, Series
from rig.errors import DamageError, StoreError
from rig.store import catalogue, journal, parquet, rundir
from rig.store.catalogue import Sealed
from rig.store.columns import Content, content, joined
from rig.store.files import Disk, clear_temporary, discard, publish, temporary
from rig.store.journal import JournalReader
from rig.store.parquet import Footer, ReadingsFile, SessionNote
from rig.store.rundir import RunDir

SECOND_NS = 1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Closed:
    """A journal nobody writes to any more, and where the next one of its session takes over."""

    reader: JournalReader
    successor_seq: int | None


def hour_of(utc_ns: int) -> tuple[str, str]:
    """Return UTC day and hour of a moment, as in the names of sealed files."""
    moment = datetime.fromtimestamp(utc_ns // SECOND_NS, UTC)
    return f"{moment:%Y-%m-%d}", f"{moment:%H}"


def seal_journal(run: RunDir, closed: Closed, disk: Disk) -> Sealed:
    """Turn one closed journal into a pair of Parquet files, prove them, remove the journal.

    Damaged bytes are copied to ``damaged/`` first. Raises StoreError; the journal is then still there.
    """
    reader = closed.reader
    found = content(reader, closed.successor_seq)
    damage = set_aside(run, reader, closed.successor_seq, disk)
    damage += [
        {"journal": reader.path.name, "record": seq, "reason": "makes no sense"} for seq in found.senseless
    ]
    number = reader.head.journal
    day, hour = hour_of(reader.head.opened_ns)
    name = catalogue.sealed_name(day, hour, number, number)
    footer = Footer(
        run=run.id, first=number, last=number, sessions={reader.head.session: _note(reader, found)},
        damage=tuple(damage),
    )  # fmt: skip
    parts = (series for channel in sorted(found.channels()) if (series := found.series(channel)))
    _publish_pair(run, name, (parts, found.events), footer, disk)
    _remove(disk, [run.folder("journal") / journal.name(number)])
    sealed = catalogue.parse(name)
    assert sealed is not None
    return sealed


def merge(run: RunDir, sources: Sequence[Sealed], disk: Disk) -> Sealed:
    """Join sealed files of one day, in order, into one; prove it; remove the sources. Raises StoreError."""
    files = [ReadingsFile.open(run.folder("readings") / source.name) for source in sources]
    pairs = [parquet.read_events(run.folder("events") / source.name) for source in sources]
    first, last = sources[0].first, sources[-1].last
    name = catalogue.sealed_name(sources[0].day, None, first, last)
    sessions: dict[int, SessionNote] = {}
    for file in files:
        for number, note in file.footer.sessions.items():
            old = sessions.get(number, note)
            sessions[number] = replace(
                old, start_ns=min(old.start_ns, note.start_ns), end_ns=max(old.end_ns, note.end_ns)
            )
    damage = tuple(one for file in files for one in file.footer.damage)
    footer = Footer(run=run.id, first=first, last=last, sessions=sessions, damage=damage)
    channels = sorted({channel for file in files for channel in file.footer.channels})
    parts = (
        joined(channel, [series for file in files if (series := file.series(channel))])
        for channel in channels
    )
    events = [event for _, listed in pairs for event in listed]
    _publish_pair(run, name, (parts, events), footer, disk)
    old_names = [source.name for source in sources if source.name != name]
    _remove(disk, [run.folder(folder) / old for folder in ("events", "readings") for old in old_names])
    sealed = catalogue.parse(name)
    assert sealed is not None
    return sealed


def _note(reader: JournalReader, found: Content) -> SessionNote:
    begun = reader.head.opened_ns
    start_ns, end_ns = found.span() or (begun, begun)
    facts = reader.facts
    return SessionNote(
        boot_id=facts.boot_id, offset_ns=reader.head.offset_ns, boot_ns=facts.boot_ns, utc_ns=facts.utc_ns,
        synchronised=facts.synchronised, software=facts.software, host=facts.host, config=facts.config,
        start_ns=start_ns, end_ns=end_ns,
    )  # fmt: skip


def _publish_pair(
    run: RunDir, name: str, both: tuple[Iterable[Series], Iterable[Event]], footer: Footer, disk: Disk
) -> None:
    """Write, prove and publish readings, then events: the second name makes both count."""
    parts, events = both
    readings_path, events_path = run.folder("readings") / name, run.folder("events") / name
    part = temporary(readings_path)
    full = _attempt(disk, part, lambda: parquet.write_readings(disk, part, parts, footer))
    _prove(disk, part, full)
    events_part = temporary(events_path)
    written = _attempt(disk, events_part, lambda: parquet.write_events(disk, events_part, events, full))
    try:
        there, listed = parquet.read_events(events_part)
        if there != written or len(listed) != written.events:
            raise DamageError(f"{events_part}: what was written does not read back the same")
        for old, new in ((part, readings_path), (events_part, events_path)):
            disk.rename(old, new)
            disk.sync_dir(new.parent)
    except (OSError, StoreError) as error:
        discard(disk, part)
        discard(disk, events_part)
        raise _failed(readings_path, error) from error


def _attempt(disk: Disk, part: Path, write: Callable[[], Footer]) -> Footer:
    discard(disk, part)
    try:
        return write()
    except (OSError, StoreError) as error:
        discard(disk, part)
        raise _failed(part, error) from error


def _failed(path: Path, error: Exception) -> StoreError:
    if isinstance(error, StoreError):
        return error
    reason = getattr(error, "strerror", None) or error
    return StoreError(f"could not seal {path}: {reason}; the journals stay as they are until this works")


def _prove(disk: Disk, part: Path, written: Footer) -> None:
    """Read the file back from the disk, every page, and compare. Raises DamageError."""
    try:
        file = ReadingsFile.open(part)
        wrong = file.check()
        if file.footer != written:
            wrong.append(f"{part}: its footer does not read back the same")
    except (OSError, StoreError) as error:
        wrong = [str(error)]
    if wrong:
        discard(disk, part)
        raise DamageError("; ".join(wrong))


def set_aside(
    run: RunDir, reader: JournalReader, successor_seq: int | None, disk: Disk
) -> list[dict[str, Any]]:
    """Copy bytes of a journal that are no good to ``damaged/``; return a note on each stretch."""
    notes = reader.faults(successor_seq)
    stem = reader.path.name.removesuffix(journal.SUFFIX)
    for note in notes:
        if note["size"]:
            raw = disk.read(reader.path, note["offset"], note["size"])
            publish(disk, run.folder("damaged") / f"{stem}-{note['offset']:08d}.bytes", raw)
    return notes


def clear(run: RunDir, disk: Disk) -> list[str]:
    """Remove what interrupted sealing left behind; return what was done, in words.

    Temporary files go. What a larger file also holds goes once that file has been read through; if it
    proves damaged it is moved to ``damaged/`` instead, and its sources count again.
    """
    unfinished = clear_temporary(disk, [run.folder("readings"), run.folder("events")])
    deeds = [f"{path.name} removed: an unfinished file" for path in unfinished]
    found = catalogue.look(run.path, disk)
    for sealed in found.sealed:
        children = [old for old in found.superseded if sealed.holds(old)]
        journals = [n for n in found.covered if sealed.first <= n <= sealed.last]
        if not children and not journals:
            continue
        wrong = _wrong(run, sealed)
        if wrong:
            for folder in ("events", "readings"):
                _move_to_damaged(run, run.folder(folder) / sealed.name, f"{folder}-", disk)
            deeds.append(f"{sealed.name} is damaged and was moved to damaged/: {wrong}")
            continue
        paths = [run.folder(folder) / old.name for folder in ("events", "readings") for old in children]
        paths += [run.folder("journal") / journal.name(number) for number in journals]
        _remove(disk, paths)
        deeds += [f"{path.name} removed: {sealed.name} holds it" for path in paths]
    for name in catalogue.look(run.path, disk).partial:
        _remove(disk, [run.folder("readings") / name])
        deeds.append(f"{name} removed: its sealing was never finished")
    return deeds


def _wrong(run: RunDir, sealed: Sealed) -> str:
    try:
        parquet.read_events(run.folder("events") / sealed.name)
        return "; ".join(ReadingsFile.open(run.folder("readings") / sealed.name).check())
    except (OSError, StoreError) as error:
        return str(error)


def _move_to_damaged(run: RunDir, path: Path, prefix: str, disk: Disk) -> None:
    if path.exists():
        disk.rename(path, run.folder("damaged") / f"{prefix}{path.name}")
        disk.sync_dir(run.folder("damaged"))
        disk.sync_dir(path.parent)


def _remove(disk: Disk, paths: Sequence[Path]) -> None:
    for path in paths:
        discard(disk, path)
    for folder in dict.fromkeys(path.parent for path in paths):
        disk.sync_dir(folder)


def closed_journals(run: RunDir, disk: Disk) -> tuple[list[Closed], list[str]]:
    """Return the journals nobody writes to any more, in order, and what is wrong with unreadable ones.

    Only the newest journal can be in use, and not even that once its last frames say that it ended.
    """
    found = catalogue.look(run.path, disk)
    sessions = rundir.read_sessions(run, disk)
    readers: list[JournalReader] = []
    wrong: list[str] = []
    newest = max(found.journals, default=0)
    for number in found.journals:
        path = run.folder("journal") / journal.name(number)
        try:
            head = journal.read_head(disk, path)
        except DamageError as error:
            wrong.append(str(error))
            if number != newest:
                _move_to_damaged(run, path, "", disk)
            continue
        except (OSError, StoreError) as error:
            wrong.append(str(error))
            continue
        try:
            begun = sessions.get(head.session)
            readers.append(JournalReader(path, disk, begun.facts if begun else None))
        except (OSError, StoreError) as error:
            wrong.append(str(error))
    closed = []
    for k, reader in enumerate(readers):
        follower = readers[k + 1].head if k + 1 < len(readers) else None
        same = follower is not None and follower.session == reader.head.session
        successor = follower.first_seq if same and follower is not None else None
        if reader.head.journal != newest or journal.ends_closed(disk, reader.path, reader.head):
            closed.append(Closed(reader=reader, successor_seq=successor))
    return closed, wrong


def mergeable(found: Sequence[Sealed], later_day: str | None, *, finish: bool) -> list[list[Sealed]]:
    """Return the groups of neighbouring sealed files of one day that is over, two or more each.

    ``later_day``: day of the first journal not sealed yet. A day is over when something of another
    day follows it, or when the run is finished.
    """
    groups: list[list[Sealed]] = []
    for sealed in found:
        if groups and groups[-1][-1].day == sealed.day:
            groups[-1].append(sealed)
        else:
            groups.append([sealed])
    if groups and not finish and (later_day is None or later_day == groups[-1][-1].day):
        groups.pop()
    return [group for group in groups if len(group) > 1]
