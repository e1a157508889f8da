"""A recording as arrays: sealed files and live journals as one, running, finished or crashed."""

from __future__ import annotations

import enum
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from rig.core.model import Event, EventKind, Layout, Series, Session
from rig.errors import StoreError
from rig.store import catalogue, journal, rundir
from rig.store.catalogue import Catalogue, Sealed
from rig.store.columns import Content, content, joined, within
from rig.store.files import OS_DISK, Disk
from rig.store.journal import JournalReader
from rig.store.rundir import RunDir, SessionFacts

if TYPE_CHECKING:
    from rig.store.parquet import ReadingsFile

PATIENCE = 5
"""How often to look again when a file was sealed away while it was being read."""
HOUR_NS = 3_600_000_000_000
_T = TypeVar("_T")


class State(enum.StrEnum):
    """What a run is doing."""

    RUNNING = "running"
    FINISHED = "finished"
    CRASHED = "crashed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Skipped:
    """A file, or part of one, that a reading of the run does not contain, and why.

    start_ns, end_ns: the stretch of time that is missing with it (UTC), None where that is not known.
    """

    path: Path
    reason: str
    start_ns: int | None = None
    end_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A stretch of one channel as a file's footer tells it, without reading the readings.

    start_ns, end_ns: first and last stamp (UTC). low, high: least and greatest value, NaN where no
    reading carries a number. worst: greatest status code. rows: number of readings.
    """

    source: str
    start_ns: int
    end_ns: int
    low: float
    high: float
    worst: int
    rows: int


@dataclass(slots=True)
class _Live:
    reader: JournalReader
    content: Content
    successor_seq: int | None
    bytes_read: int


@dataclass(slots=True)
class Run:
    """A run directory, read. ``refresh()`` takes in what has been recorded since; nothing else does.

    Reading never raises for the state of the data files: what cannot be read is in ``skipped``.
    """

    dir: RunDir
    disk: Disk = OS_DISK
    catalogue: Catalogue = field(init=False)
    _begun: dict[int, SessionFacts] = field(init=False, default_factory=dict)
    _live: dict[int, _Live] = field(init=False, default_factory=dict)
    _skipped: list[Skipped] = field(init=False, default_factory=list)
    _faults: dict[tuple[str, str], Skipped] = field(init=False, default_factory=dict)
    _bad: set[str] = field(init=False, default_factory=set)
    _files: dict[str, ReadingsFile] = field(init=False, default_factory=dict)
    _events: dict[str, list[Event]] = field(init=False, default_factory=dict)

    @staticmethod
    def open(path: Path | str, disk: Disk = OS_DISK) -> Run:
        """Return the run at ``path``. Raises FormatError or DamageError if its manifest is no good."""
        run = Run(rundir.open_run(Path(path), disk), disk)
        run.refresh()
        return run

    def refresh(self) -> None:
        """Look at the folder again and read what the journals have gained."""
        self._patiently(self._look)

    # ---- looking

    def _look(self) -> None:
        self._begun = rundir.read_sessions(self.dir, self.disk)
        found = catalogue.look(self.dir.path, self.disk, self._bad)
        skipped = [Skipped(path=path, reason="not a file of a recording") for path in found.foreign]
        folder = self.dir.folder("damaged")
        skipped += [
            Skipped(path=folder / name, reason="a whole file that could not be read was moved here")
            for name in self.disk.names(folder)
            if not name.endswith(".bytes") and not name.startswith(".")
        ]
        live: dict[int, _Live] = {}
        successors = self._open_journals(found, live, skipped)
        for number, one in live.items():
            one.reader.advance()
            successor = successors.get(number)
            if one.reader.end != one.bytes_read or one.successor_seq != successor:
                one.content = content(one.reader, successor)
                one.bytes_read, one.successor_seq = one.reader.end, successor
            skipped += self._journal_faults(one, newest=number == max(found.journals))
        self.catalogue, self._live, self._skipped = found, live, skipped
        names = {sealed.name for sealed in found.sealed}
        self._files = {name: file for name, file in self._files.items() if name in names}
        self._events = {name: events for name, events in self._events.items() if name in names}

    def _open_journals(
        self, found: Catalogue, live: dict[int, _Live], skipped: list[Skipped]
    ) -> dict[int, int]:
        """Fill ``live``; return the first record of each journal's successor in the same session."""
        successors: dict[int, int] = {}
        before: JournalReader | None = None
        for number in found.journals:
            path = self.dir.folder("journal") / journal.name(number)
            if number in self._live:
                live[number] = self._live[number]
            else:
                try:
                    begun = self._begun.get(journal.read_head(self.disk, path).session)
                    reader = JournalReader(path, self.disk, begun.facts if begun else None)
                except FileNotFoundError:
                    raise
                except (OSError, StoreError) as error:
                    skipped.append(Skipped(path=path, reason=str(error)))
                    continue
                live[number] = _Live(reader, content(reader, None), None, -1)
            reader = live[number].reader
            if before is not None and before.head.session == reader.head.session:
                successors[before.head.journal] = reader.head.first_seq
            before = reader
        return successors

    def _journal_faults(self, one: _Live, *, newest: bool) -> Iterable[Skipped]:
        reader = one.reader
        for note in reader.faults(one.successor_seq):
            unfinished = note["reason"] == "torn" and newest and not reader.closed and not reader.holes
            if not (unfinished and self._is_running()):
                yield _skipped(reader.path, note)
        for seq in one.content.senseless:
            yield Skipped(path=reader.path, reason=f"record {seq} makes no sense in its session")

    def _patiently(self, deed: Callable[[], _T]) -> _T:
        for _ in range(PATIENCE):
            try:
                return deed()
            except FileNotFoundError:
                try:
                    self._look()
                except FileNotFoundError:
                    continue
        return deed()

    def _is_running(self) -> bool:
        return rundir.is_held(self.dir.path / rundir.LOCK)

    # ---- sealed files

    def _opened(self) -> list[tuple[Sealed, ReadingsFile]]:
        """Return the sealed files that can be read, in recorded order."""
        opened = []
        for sealed in self.catalogue.sealed:
            file = self._open(sealed)
            if file is None:
                return self._opened()  # what the bad file was to hold may be in others still
            opened.append((sealed, file))
        return opened

    def _open(self, sealed: Sealed) -> ReadingsFile | None:
        from rig.store.parquet import ReadingsFile

        if sealed.name in self._files:
            return self._files[sealed.name]
        path = self.dir.folder("readings") / sealed.name
        try:
            file = ReadingsFile.open(path)
        except FileNotFoundError:
            if (self.dir.folder("events") / sealed.name).exists():
                self._give_up(sealed, Skipped(path=path, reason="the readings are not there"))
                return None
            raise
        except (OSError, StoreError) as error:
            self._give_up(sealed, Skipped(path=path, reason=str(error)))
            return None
        self._files[sealed.name] = file
        for note in file.footer.damage:
            self._fault(_skipped(path, note))
        return file

    def _give_up(self, sealed: Sealed, why: Skipped) -> None:
        start_ns, end_ns = _named_span(sealed)
        self._fault(Skipped(path=why.path, reason=why.reason, start_ns=start_ns, end_ns=end_ns))
        self._bad.add(sealed.name)
        self._look()

    def _fault(self, skipped: Skipped) -> None:
        self._faults.setdefault((str(skipped.path), skipped.reason), skipped)

    # ---- what is there

    @property
    def path(self) -> Path:
        """The run directory."""
        return self.dir.path

    @property
    def state(self) -> State:
        """Whether somebody records now; if not, whether the last session ended with a stop."""
        if self._is_running():
            return State.RUNNING
        sessions = self.sessions
        return State.FINISHED if sessions and sessions[-1].clean else State.CRASHED

    @property
    def layout(self) -> Layout:
        """Units, channels and instruments as the newest session knew them. Raises StoreError."""
        newest = max(self._begun, default=None)
        if newest is None:
            raise StoreError(f"{self.dir.path}: no session has begun, so there is no layout yet")
        return self.layout_of(newest)

    def layout_of(self, session: int) -> Layout:
        """Return the layout of one session. Raises StoreError if there is no such session."""
        from rig.core.layouts import layout_from_json

        if session not in self._begun:
            raise StoreError(f"{self.dir.path}: there is no session {session}")
        raw = rundir.frozen_layout(self.dir, self._begun[session].facts.config, self.disk)
        layout: Layout = layout_from_json(raw)
        return layout

    @property
    def skipped(self) -> tuple[Skipped, ...]:
        """Everything that reading this run leaves out, with the reason, as far as it was read so far."""
        self._patiently(self._opened)
        return (*self._skipped, *self._faults.values())

    @property
    def span(self) -> tuple[int, int]:
        """First and last stamp (UTC ns) of readings and events; (0, 0) if nothing was recorded."""
        spans = [span for listed in self._spans().values() for span in listed]
        if not spans:
            return (0, 0)
        return min(first for first, _ in spans), max(last for _, last in spans)

    def _spans(self) -> dict[int, list[tuple[int, int]]]:
        """Return the stretches of time of each session."""
        spans: dict[int, list[tuple[int, int]]] = {}
        for _, file in self._patiently(self._opened):
            for number, note in file.footer.sessions.items():
                spans.setdefault(number, []).append((note.start_ns, note.end_ns))
        for one in self._live.values():
            if span := one.content.span():
                spans.setdefault(one.content.session, []).append(span)
        return spans

    @property
    def sessions(self) -> tuple[Session, ...]:
        """All sessions in order, with their first and last stamps (UTC ns)."""
        stops = {event.session for event in self.events() if event.kind is EventKind.SESSION_STOP}
        spans = self._spans()
        sessions = []
        for number, begun in self._begun.items():
            anchor = begun.facts.boot_ns + begun.offset_ns
            own = spans.get(number, [(anchor, anchor)])
            sessions.append(Session(
                number=number, boot_id=begun.facts.boot_id, start_ns=min(first for first, _ in own),
                end_ns=max(last for _, last in own), clean=number in stops,
                synchronised=begun.facts.synchronised, software=begun.facts.software, host=begun.facts.host,
            ))  # fmt: skip
        return tuple(sessions)

    def channels(self) -> list[str]:
        """Return the names of all channels with readings, sorted."""
        names = {name for one in self._live.values() for name in one.content.channels()}
        names.update(*(file.index for _, file in self._patiently(self._opened)))
        return sorted(names)

    # ---- content

    def events(self) -> list[Event]:
        """Return all events in recorded order: by session, then by sequence number."""
        events = self._patiently(self._sealed_events)
        events += [event for one in self._live.values() for event in one.content.events]
        return sorted(events, key=lambda event: (event.session, event.seq))

    def _sealed_events(self) -> list[Event]:
        from rig.store.parquet import read_events

        events: list[Event] = []
        for sealed in self.catalogue.sealed:
            path = self.dir.folder("events") / sealed.name
            if sealed.name not in self._events:
                try:
                    self._events[sealed.name] = read_events(path)[1]
                except FileNotFoundError:
                    if sealed.name not in self.catalogue.orphans:
                        raise
                    self._fault(Skipped(path=path, reason="the events are not there"))
                    self._events[sealed.name] = []
                except (OSError, StoreError) as error:
                    self._fault(Skipped(path=path, reason=str(error)))
                    self._events[sealed.name] = []
            events += self._events[sealed.name]
        return events

    def series(self, channel: str, start_ns: int | None = None, end_ns: int | None = None) -> Series:
        """Return the readings of a channel stamped from ``start_ns`` to ``end_ns`` (both included, UTC).

        In recorded order; empty if the channel is unknown or silent. Stamps are rounded no finer than
        a tenth of the half-width.
        """
        return self._patiently(lambda: self._series(channel, start_ns, end_ns))

    def _series(self, channel: str, start_ns: int | None, end_ns: int | None) -> Series:
        parts: list[tuple[int, Series]] = []
        for sealed, file in self._opened():
            facts = file.stretch(channel)
            if facts is None or _outside(facts[0], facts[1], start_ns, end_ns):
                continue
            try:
                part = file.series(channel)
            except StoreError as error:
                self._fault(Skipped(path=file.path, reason=str(error), start_ns=facts[0], end_ns=facts[1]))
                continue
            if part is not None:
                parts.append((sealed.first, within(part, start_ns, end_ns)))
        for number, one in self._live.items():
            part = one.content.series(channel)
            if part is not None:
                parts.append((number, within(part, start_ns, end_ns)))
        parts.sort(key=lambda numbered: numbered[0])
        return joined(channel, [part for _, part in parts])

    def stretches(self, channel: str) -> list[Stretch]:
        """Return the channel's stretches in recorded order, one per sealed file or journal.

        Sealed ones come from footers alone: the way to find where something happened in a long run.
        """
        found: list[tuple[int, Stretch]] = []
        for sealed, file in self._patiently(self._opened):
            facts = file.stretch(channel)
            if facts is not None:
                found.append((sealed.first, Stretch(
                    source=sealed.name, start_ns=facts[0], end_ns=facts[1], low=facts[2], high=facts[3],
                    worst=facts[4], rows=facts[5],
                )))  # fmt: skip
        for number, one in self._live.items():
            series = one.content.series(channel)
            if series is not None and len(series):
                found.append((number, _stretch(journal.name(number), series)))
        found.sort(key=lambda numbered: numbered[0])
        return [stretch for _, stretch in found]


def _stretch(source: str, series: Series) -> Stretch:
    numbers = series.value[~np.isnan(series.value)]
    return Stretch(
        source=source, start_ns=int(series.t_ns.min()), end_ns=int(series.t_ns.max()),
        low=float(numbers.min()) if len(numbers) else np.nan,
        high=float(numbers.max()) if len(numbers) else np.nan,
        worst=int(series.status.max()), rows=len(series),
    )  # fmt: skip


def _outside(first_ns: int, last_ns: int, start_ns: int | None, end_ns: int | None) -> bool:
    return (start_ns is not None and last_ns < start_ns) or (end_ns is not None and first_ns > end_ns)


def _skipped(path: Path, note: Any) -> Skipped:
    """Return a note on damage (``JournalReader.faults``) in words."""
    if "offset" not in note:
        reason = f"{note.get('journal')}: record {note.get('record')} {note.get('reason')}"
        return Skipped(path=path, reason=reason)
    first, following = note["after_seq"], note["next_seq"]
    if following is None:
        lost = f"records from {first} on are not there"
    elif following > first:
        lost = f"records {first} to {following - 1} are not there"
    else:
        lost = "no record is lost by it"
    return Skipped(
        path=path, start_ns=note["start_ns"], end_ns=note["end_ns"],
        reason=f"{note['journal']}: {note['size']} {note['reason']} bytes at offset {note['offset']}; {lost}",
    )  # fmt: skip


def _named_span(sealed: Sealed) -> tuple[int, int]:
    """Return the hour or day a sealed file's name stands for, UTC ns."""
    moment = datetime.fromisoformat(sealed.day).replace(tzinfo=UTC)
    start_ns = int(moment.timestamp()) * 1_000_000_000 + int(sealed.hour or 0) * HOUR_NS
    return start_ns, start_ns + (HOUR_NS if sealed.hour else 24 * HOUR_NS)
