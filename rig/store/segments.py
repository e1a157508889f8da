"""Sealing of journals into Parquet and merging: nothing is removed before its successor is verified.

Each step ends with a name given by rename, so that whatever moment the power fails at, a next attempt
finds either the old files or the new ones, and ``catalogue`` never counts both.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rig.domain.event_summary import summarise
from rig.domain.model import Event, Series
from rig.errors import DamageError, FormatError, StoreError
from rig.store import catalogue, files, journal, parquet, rundir
from rig.store.catalogue import PAIR, PARQUET, SUMMARY, Sealed
from rig.store.columns import Content, content, joined
from rig.store.files import Disk, clear_temporary, discard, publish, temporary, there
from rig.store.index import Index, SessionNote, pack
from rig.store.index import read as read_index
from rig.store.journal import JournalReader
from rig.store.pair import SealedPair
from rig.store.pair_summary import Gathering
from rig.store.parquet import ReadingsFile
from rig.store.rundir import RunDir

SECOND_NS = 1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Closed:
    """Closed journal, and the record at which the next one of its session begins."""

    reader: JournalReader
    successor_seq: int | None


def hour_of(utc_ns: int) -> tuple[str, str]:
    """Return UTC day and hour of a moment, as in the names of sealed files."""
    moment = datetime.fromtimestamp(utc_ns // SECOND_NS, UTC)
    return f"{moment:%Y-%m-%d}", f"{moment:%H}"


def seal_journal(run: RunDir, closed: Closed, disk: Disk) -> Sealed:
    """Turn one closed journal into a sealed pair, prove it, remove the journal.

    Damaged bytes are copied to ``damaged/`` first. Raises StoreError; the journal is then still there.
    """
    reader = closed.reader
    found = content(reader, closed.successor_seq)
    damage = set_aside(run, reader, closed.successor_seq, disk)
    damage += [
        {"journal": reader.path.name, "record": seq, "reason": "makes no sense"} for seq in found.senseless
    ]
    number = reader.head.journal
    sealed = _named(*hour_of(reader.head.opened_ns), number, number)
    index = Index(
        run=run.id, first=number, last=number, sessions={reader.head.session: _note(reader, found)},
        damage=tuple(damage), event_summary=summarise(found.events),
    )  # fmt: skip
    parts = (series for channel in sorted(found.channels()) if (series := found.series(channel)))
    _publish_pair(run, sealed, (parts, found.events), index, disk)
    _remove(disk, [run.folder("journal") / journal.name(number)])
    return sealed


def merge(run: RunDir, pairs: Sequence[SealedPair], disk: Disk) -> Sealed:
    """Join sealed pairs of one day, in order, into one; prove it; remove the sources. Raises StoreError.

    What cannot be read in a source is noted in the index, and that source goes to ``damaged/`` instead.
    """
    lost = {id(pair): pair.unreadable() for pair in pairs}
    gaps = {(id(pair), note["channel"]) for pair in pairs for note in lost[id(pair)]}
    first, last = pairs[0].sealed, pairs[-1].sealed
    sealed = _named(first.day, None, first.first, last.last)
    sessions: dict[int, SessionNote] = {}
    for pair in pairs:
        for number, note in pair.index.sessions.items():
            old = sessions.get(number, note)
            sessions[number] = replace(
                old, start_ns=min(old.start_ns, note.start_ns), end_ns=max(old.end_ns, note.end_ns)
            )
    damage = [note for pair in pairs for note in (*pair.index.damage, *lost[id(pair)])]

    def parts() -> Iterator[Series]:
        for channel in sorted({channel for pair in pairs for channel in pair.index.channels}):
            whole = [pair for pair in pairs if (id(pair), channel) not in gaps]
            yield joined(channel, [one for pair in whole if (one := pair.series(channel))])

    events = [event for pair in pairs if (id(pair), None) not in gaps for event in pair.events()]
    index = Index(
        run=run.id, first=sealed.first, last=sealed.last, sessions=sessions, damage=tuple(damage),
        event_summary=summarise(events),
    )  # fmt: skip
    _publish_pair(run, sealed, (parts(), events), index, disk)
    for pair in pairs:
        if lost[id(pair)]:
            for path in pair.sealed.paths(run.path):
                _move_to_damaged(run, path, f"{path.parent.name}-", disk)
    _remove(disk, [path for pair in pairs if not lost[id(pair)] for path in pair.sealed.paths(run.path)])
    return sealed


def _named(day: str, hour: str | None, first: int, last: int) -> Sealed:
    return Sealed(
        first=first, last=last, name=catalogue.sealed_name(day, hour, first, last), day=day, hour=hour
    )


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
    run: RunDir, sealed: Sealed, both: tuple[Iterable[Series], Iterable[Event]], index: Index, disk: Disk
) -> None:
    """Write and prove readings and events, publish them, then the index: its name makes them count."""
    paths = {folder: sealed.path(run.path, folder) for folder in (*PAIR, SUMMARY)}
    parts = {folder: temporary(path) for folder, path in paths.items()}
    gathering = Gathering()
    try:
        for part in parts.values():
            discard(disk, part)
        disk.make_dir(run.folder(SUMMARY))
        index = parquet.write_readings(disk, parts["readings"], gathering.through(both[0]), index)
        index = parquet.write_events(disk, parts["events"], both[1], index)
        index = replace(index, files={**index.files, SUMMARY: gathering.write(disk, parts[SUMMARY])})
        wrong = proved(disk, parts, index)
        if wrong:
            raise DamageError("; ".join(wrong))
        for folder, path in paths.items():
            disk.rename(parts[folder], path)
            disk.sync_dir(path.parent)
        publish(disk, sealed.index_path(run.path), pack(index.to_bytes()))
    except (OSError, StoreError) as error:
        for part in parts.values():
            discard(disk, part)
        reason = getattr(error, "strerror", None) or error
        raise StoreError(
            f"could not seal {sealed.name}: {reason}; its journals stay as they are until this works"
        ) from error


def proved(disk: Disk, paths: Mapping[str, Path], index: Index) -> list[str]:
    """Return what is wrong with a pair, read back from the disk to the last byte; nothing if all is well.

    A summary that is not there is not missed.
    """
    wrong = []
    for folder, path in paths.items():
        if folder == SUMMARY and not (folder in index.files and there(disk, path)):
            continue
        note = index.files[folder]
        size, crc = files.checksum(disk, path)
        if (size, crc) != (note.size, note.crc):
            wrong.append(
                f"{path}: {note.size} bytes with CRC {note.crc:08x} were written, "
                f"{size} with {crc:08x} are there"
            )
    if not wrong:
        wrong = ReadingsFile.open(disk, paths["readings"], index).check()
        if len(parquet.read_events(disk, paths["events"], index)) != index.events:
            wrong.append(f"{paths['events']}: fewer than {index.events} events read back")
    return wrong


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

    Temporary files go. What a larger pair also holds goes once that pair has been read through; if it
    proves damaged it is moved to ``damaged/`` instead, and its sources count again.
    """
    unfinished = clear_temporary(disk, [run.folder(name) for name in (*PAIR, "sealed", SUMMARY)])
    done = [f"{path.name} removed: an unfinished file" for path in unfinished]
    found = catalogue.look(run.path, disk)
    for sealed in found.sealed:
        children = [old for old in found.superseded if sealed.holds(old)]
        journals = [n for n in found.covered if sealed.first <= n <= sealed.last]
        if not children and not journals:
            continue
        try:
            wrong = _wrong(run, sealed, disk)
        except FormatError:
            continue  # a newer soakrig knows what this is
        if wrong:
            for path in sealed.paths(run.path):
                _move_to_damaged(run, path, f"{path.parent.name}-", disk)
            done.append(f"{sealed.name} is damaged and was moved to damaged/: {wrong}")
            continue
        paths = [path for old in children for path in old.paths(run.path)]
        paths += [run.folder("journal") / journal.name(number) for number in journals]
        _remove(disk, paths)
        done += [f"{path.name} removed: {sealed.name} holds it" for path in paths if path.suffix != PARQUET]
    for path in catalogue.look(run.path, disk).partial:
        _remove(disk, [path])
        done.append(f"{path.parent.name}/{path.name} removed: unfinished sealing")
    return done


def _wrong(run: RunDir, sealed: Sealed, disk: Disk) -> str:
    paths = {folder: sealed.path(run.path, folder) for folder in (*PAIR, SUMMARY)}
    try:
        return "; ".join(proved(disk, paths, read_index(disk, sealed.index_path(run.path))))
    except FormatError:
        raise
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
    for reader, successor in zip(readers, journal.successor_seqs(readers), strict=True):
        if reader.head.journal != newest or journal.ends_closed(disk, reader.path, reader.head):
            closed.append(Closed(reader=reader, successor_seq=successor))
    return closed, wrong


def mergeable(found: Sequence[Sealed], later_day: str | None, *, finish: bool) -> list[list[Sealed]]:
    """Return the groups of neighbouring sealed pairs of one day that is over, two or more each.

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


def readable(run: RunDir, group: Sequence[Sealed], disk: Disk) -> list[list[SealedPair]]:
    """Return the pairs of a group, parted where one cannot be opened at all; two or more each."""
    parts: list[list[SealedPair]] = [[]]
    for sealed in group:
        try:
            parts[-1].append(SealedPair.open(run, sealed, disk))
        except (OSError, StoreError):
            parts.append([])
    return [part for part in parts if len(part) > 1]
