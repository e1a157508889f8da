"""A recording as arrays: sealed files and live journals as one, running, finished or crashed."""

from __future__ import annotations

import enum
import json
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field
from functools import lru_cache, partial
from pathlib import Path
from typing import TypeVar

from rig.domain.channel_digest import Piece, whole
from rig.domain.event_summary import EventSummary, summarise
from rig.domain.event_summary import joined as joined_summaries
from rig.domain.layout_json import layout_from_json
from rig.domain.model import Event, EventKind, Layout, Series, Session
from rig.errors import DamageError, StoreError
from rig.store import catalogue, journal, rundir
from rig.store.catalogue import Catalogue, Sealed
from rig.store.columns import Content, content, joined, within
from rig.store.files import OS_DISK, Disk, there
from rig.store.journal import JournalReader
from rig.store.notes import ChannelSpan, Skipped, named_span, outside, skipped_by, stretch_of
from rig.store.pair import SealedPair
from rig.store.pieces import sealed_piece
from rig.store.rundir import RunDir, SessionFacts

PATIENCE = 5
"""How often to look again when a file was sealed away while it was being read."""
_T = TypeVar("_T")


class RecordingState(enum.StrEnum):
    """State of a run."""

    RUNNING = "running"
    FINISHED = "finished"
    CRASHED = "crashed"


@dataclass(slots=True)
class _Live:
    reader: JournalReader
    content: Content
    successor_seq: int | None
    bytes_read: int


@lru_cache(maxsize=16)
def _layout(text: bytes) -> Layout:
    """Return the layout in a JSON text; many runs of one rig have the same. Raises ValueError."""
    return layout_from_json(json.loads(text))


@dataclass(slots=True)
class RunReader:
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
    _pairs: dict[str, SealedPair] = field(init=False, default_factory=dict)

    @staticmethod
    def open(path: Path | str, disk: Disk = OS_DISK) -> RunReader:
        """Return the run at ``path``. Raises FormatError or DamageError if its manifest is no good."""
        run = RunReader(rundir.open_run(Path(path), disk), disk)
        run.refresh()
        return run

    def refresh(self) -> None:
        """Look at the folder again and read what the journals have gained."""
        self._patiently(self._look)

    # ---- looking

    def _look(self) -> None:
        self._begun = rundir.read_sessions(self.dir, self.disk)
        pairs = None
        while pairs is None:
            found = catalogue.look(self.dir.path, self.disk, self._bad)
            pairs = self._look_at_pairs(found)
        skipped = [Skipped(path=path, reason="not a file of a recording") for path in found.foreign]
        folder = self.dir.folder("damaged")
        skipped += [
            Skipped(path=folder / name, reason="complete but unreadable file, moved here")
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
        self.catalogue, self._live, self._skipped, self._pairs = found, live, skipped, pairs
        skipped += [self._missing(number) for number in found.missing]

    def _missing(self, number: int) -> Skipped:
        """Return the note on a journal that is gone; the time is that between its neighbours' records."""
        spans = [(pair.sealed.first, note.start_ns, note.end_ns)
                 for pair in self._pairs.values() for note in pair.index.sessions.values()]  # fmt: skip
        spans += [(n, *span) for n, one in self._live.items() if (span := one.content.span())]
        return Skipped(
            path=self.dir.folder("journal") / journal.name(number),
            reason="begun, but neither present nor sealed",
            start_ns=max((end_ns for n, _, end_ns in spans if n < number), default=None),
            end_ns=min((start_ns for n, start_ns, _ in spans if n > number), default=None),
        )

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
                yield skipped_by(reader.path, note)
        for seq in one.content.senseless:
            yield Skipped(path=reader.path, reason=f"record {seq} is out of sequence in its session")

    def _patiently(self, read: Callable[[], _T]) -> _T:
        for _ in range(PATIENCE):
            try:
                return read()
            except FileNotFoundError:
                try:
                    self._look()
                except FileNotFoundError:
                    continue
        return read()

    def _is_running(self) -> bool:
        return rundir.is_held(self.dir.path / rundir.LOCK)

    def _look_at_pairs(self, found: Catalogue) -> dict[str, SealedPair] | None:
        """Return the sealed pairs by name; None if one proved useless, so that the look must be repeated."""
        pairs: dict[str, SealedPair] = {}
        for sealed in found.sealed:
            pair = self._pairs.get(sealed.name)
            try:
                pair = pair or SealedPair.open(self.dir, sealed, self.disk)
                missing = pair.missing()
            except FileNotFoundError:
                if there(self.disk, sealed.index_path(self.dir.path)):
                    self._give_up(sealed, "readings missing")
                    return None
                raise
            except (OSError, StoreError) as error:
                self._give_up(sealed, str(error))
                return None
            unnamed = missing and not there(self.disk, sealed.index_path(self.dir.path))
            if unnamed and sealed not in found.orphans:
                raise FileNotFoundError(missing)  # merged away just now
            if pair.fault:
                self._fault(Skipped(path=sealed.index_path(self.dir.path), reason=pair.fault))
            if "/readings/" in missing:
                self._give_up(sealed, missing)
                return None
            if missing:
                self._fault(Skipped(path=sealed.path(self.dir.path, "events"), reason=missing))
            for note in pair.index.damage:
                self._fault(skipped_by(sealed.path(self.dir.path, "readings"), note))
            pairs[sealed.name] = pair
        return pairs

    def _give_up(self, sealed: Sealed, why: str) -> None:
        """Take a pair as not there: what it was to hold may be in others still."""
        start_ns, end_ns = named_span(sealed)
        path = sealed.path(self.dir.path, "readings")
        self._fault(Skipped(path=path, reason=why, start_ns=start_ns, end_ns=end_ns))
        self._bad.add(sealed.name)

    def _fault(self, skipped: Skipped) -> None:
        self._faults.setdefault((str(skipped.path), skipped.reason), skipped)

    # ---- what is there

    @property
    def path(self) -> Path:
        """The run directory."""
        return self.dir.path

    @property
    def state(self) -> RecordingState:
        """Whether a logger records now; if not, whether the last session ended with a stop."""
        if self._is_running():
            return RecordingState.RUNNING
        begun = [number for number in self._begun if not self._is_brief(number)] or list(self._begun)
        newest = max(begun, default=None)
        if newest is not None and self._begun[newest].stopped_ns is not None:
            return RecordingState.FINISHED
        clean = any(session.clean for session in self.sessions if session.number == newest)
        return RecordingState.FINISHED if clean else RecordingState.CRASHED

    @property
    def layout(self) -> Layout:
        """Units, channels and instruments as the newest session knew them. Raises StoreError."""
        newest = max(self._begun, default=None)
        if newest is None:
            raise StoreError(f"{self.dir.path}: no session yet, so no layout")
        return self.layout_of(newest)

    def layout_of(self, session: int) -> Layout:
        """Return the layout of one session. Raises StoreError if there is no such session."""
        if session not in self._begun:
            raise StoreError(f"{self.dir.path}: there is no session {session}")
        config = self._begun[session].facts.config
        try:
            return _layout(rundir.frozen_text(self.dir, config, self.disk))
        except ValueError as error:
            raise DamageError(f"{self.dir.folder('config') / config}.json: {error}") from None

    @property
    def layouts(self) -> dict[int, Layout]:
        """The layout of every session by its number, as far as they can be read."""
        found = {}
        for number in self._begun:
            try:
                found[number] = self.layout_of(number)
            except StoreError:
                continue
        return found

    @property
    def skipped(self) -> tuple[Skipped, ...]:
        """Everything that reading this run leaves out, with the reason, as far as it was read so far.

        Damage inside a sealed file shows when that part is read; ``verify`` reads all of it.
        """
        return (*self._skipped, *self._faults.values())

    @property
    def span(self) -> tuple[int, int]:
        """First and last stamp (UTC ns) of readings and events; (0, 0) if nothing was recorded.

        A note that is added weeks later makes no run longer: sessions that recorded no channel and only
        carried out an order count where there are no others.
        """
        listed = self._spans()
        spans = [span for number, own in listed.items() if not self._is_brief(number) for span in own]
        spans = spans or [span for own in listed.values() for span in own]
        if not spans:
            return (0, 0)
        return min(first for first, _ in spans), max(last for _, last in spans)

    def _is_brief(self, session: int) -> bool:
        return session in self._begun and not self._begun[session].facts.blocks

    def _spans(self) -> dict[int, list[tuple[int, int]]]:
        """Return the stretches of time of each session."""
        spans: dict[int, list[tuple[int, int]]] = {}
        for pair in self._pairs.values():
            for number, note in pair.index.sessions.items():
                spans.setdefault(number, []).append((note.start_ns, note.end_ns))
        for one in self._live.values():
            if span := one.content.span():
                spans.setdefault(one.content.session, []).append(span)
        return spans

    @property
    def sessions(self) -> tuple[Session, ...]:
        """All sessions in order, with their first and last stamps (UTC ns)."""
        stops: set[int] = set()
        if any(begun.stopped_ns is None for begun in self._begun.values()):
            stops = {event.session for event in self.events_of({EventKind.SESSION_STOP})}
        spans = self._spans()
        sessions = []
        for number, begun in self._begun.items():
            anchor = begun.facts.boot_ns + begun.offset_ns
            own = spans.get(number, [(anchor, anchor)])
            sessions.append(Session(
                number=number, boot_id=begun.facts.boot_id, start_ns=min(first for first, _ in own),
                end_ns=max(last for _, last in own), clean=begun.stopped_ns is not None or number in stops,
                synchronised=begun.facts.synchronised, software=begun.facts.software, host=begun.facts.host,
                brief=self._is_brief(number),
            ))  # fmt: skip
        return tuple(sessions)

    def channels(self) -> list[str]:
        """Return the names of all channels with readings, sorted."""
        names = {name for one in self._live.values() for name in one.content.channels()}
        names.update(*(pair.index.channels for pair in self._pairs.values()))
        return sorted(names)

    def pair(self, name: str) -> SealedPair:
        """Return a sealed pair by its name. Raises KeyError."""
        return self._pairs[name]

    def counts(self, name: str | None) -> tuple[int, int]:
        """Return how many readings and events a sealed pair holds; None: all live journals together."""
        if name is not None:
            index = self._pairs[name].index
            return sum(note.rows for note in index.channels.values()), index.events
        live = self._live.values()
        return sum(one.content.rows() for one in live), sum(len(one.content.events) for one in live)

    # ---- content

    def events(self) -> list[Event]:
        """Return all events in recorded order: by session, then by sequence number."""
        return self.events_of()

    def events_of(
        self,
        kinds: Collection[EventKind] | None = None,
        start_ns: int | None = None,
        end_ns: int | None = None,
    ) -> list[Event]:
        """Return the events of some kinds stamped from ``start_ns`` to ``end_ns`` (both included), in order.

        None: all kinds, no bound. Sealed files whose index says that they hold none are not opened.
        """

        def wanted(event: Event) -> bool:
            return (kinds is None or event.kind in kinds) and not outside(
                event.t_ns, event.t_ns, start_ns, end_ns
            )

        def sealed() -> list[Event]:
            pairs = [pair for pair in self._pairs.values() if pair.may_tell(kinds, start_ns, end_ns)]
            return [event for pair in pairs for event in self._pair_events(pair)]

        events = self._patiently(sealed)
        events += [event for one in self._live.values() for event in one.content.events]
        if kinds is not None or start_ns is not None or end_ns is not None:
            events = [event for event in events if wanted(event)]
        return sorted(events, key=lambda event: (event.session, event.seq))

    def event_summary(self) -> EventSummary:
        """Return the summary of all events: from the indexes where they have it, else from the events."""
        return self._patiently(self._event_summary)

    def _event_summary(self) -> EventSummary:
        parts: list[tuple[int, EventSummary]] = []
        for pair in self._pairs.values():
            known = pair.index.event_summary
            parts.append((pair.sealed.first, summarise(self._pair_events(pair)) if known is None else known))
        parts += [(number, summarise(one.content.events)) for number, one in self._live.items()]
        return joined_summaries(part for _, part in sorted(parts, key=lambda numbered: numbered[0]))

    def _pair_events(self, pair: SealedPair) -> list[Event]:
        try:
            return pair.events()
        except FileNotFoundError as error:
            self._vanished(pair, "events", error)
        except (OSError, StoreError) as error:
            path = pair.sealed.path(self.dir.path, "events")
            self._fault(Skipped(path=path, reason=str(error)))
        return []

    def _vanished(self, pair: SealedPair, folder: str, error: FileNotFoundError) -> None:
        """Raise the error again if the whole pair was merged away meanwhile, note it if only this is gone."""
        path = pair.sealed.path(self.dir.path, folder)
        gone = not there(self.disk, pair.sealed.index_path(self.dir.path))
        if gone and pair.sealed not in self.catalogue.orphans:
            raise error
        self._fault(Skipped(path=path, reason=f"{path} is missing"))

    def series(self, channel: str, start_ns: int | None = None, end_ns: int | None = None) -> Series:
        """Return the readings of a channel stamped from ``start_ns`` to ``end_ns`` (both included, UTC).

        In recorded order; empty if the channel is unknown or silent. Stamps are rounded no finer than
        a tenth of the half-width.
        """
        return self._patiently(lambda: self._series(channel, start_ns, end_ns))

    def _series(self, channel: str, start_ns: int | None, end_ns: int | None) -> Series:
        parts: list[tuple[int, Series]] = []
        for pair in self._pairs.values():
            note = pair.index.channels.get(channel)
            if note is None or outside(note.start_ns, note.end_ns, start_ns, end_ns):
                continue
            part = self._readings(pair, channel)
            if part is not None:
                parts.append((pair.sealed.first, within(part, start_ns, end_ns)))
        for number, one in self._live.items():
            part = one.content.series(channel)
            if part is not None:
                parts.append((number, within(part, start_ns, end_ns)))
        parts.sort(key=lambda numbered: numbered[0])
        return joined(channel, [part for _, part in parts])

    def _readings(self, pair: SealedPair, channel: str) -> Series | None:
        """Return a channel of a sealed pair, None (and a fault noted) if it cannot be read.

        Raises FileNotFoundError if the pair was merged away just now.
        """
        note = pair.index.channels[channel]
        try:
            return pair.series(channel)
        except FileNotFoundError as error:
            self._vanished(pair, "readings", error)
        except (OSError, StoreError) as error:
            path = pair.sealed.path(self.dir.path, "readings")
            self._fault(Skipped(path=path, reason=str(error), start_ns=note.start_ns, end_ns=note.end_ns))
        return None

    def pieces(self, channel: str) -> list[Piece]:
        """Return the channel file by file and journal by journal, in recorded order.

        Readings of sealed files are read when a piece is asked for them: the way to find where something
        happened in a long run. Together the pieces hold what ``series`` returns.
        """
        return self._patiently(lambda: self._pieces(channel))

    def _pieces(self, channel: str) -> list[Piece]:
        found: list[tuple[int, Piece]] = []
        for pair in self._pairs.values():
            if channel in pair.index.channels:
                piece = sealed_piece(pair, channel, partial(self._again, pair.sealed, channel))
                if piece is not None:
                    found.append((pair.sealed.first, piece))
        for number, one in self._live.items():
            series = one.content.series(channel)
            if series is not None and len(series):
                found.append((number, whole(series)))
        return [piece for _, piece in sorted(found, key=lambda numbered: numbered[0])]

    def _again(self, sealed: Sealed, channel: str) -> Series | None:
        """Return a channel of a sealed pair, or of the larger one that it was merged into meanwhile."""
        return self._patiently(lambda: self._held(sealed, channel))

    def _held(self, sealed: Sealed, channel: str) -> Series | None:
        for pair in self._pairs.values():
            if pair.sealed.holds(sealed) and channel in pair.index.channels:
                return self._readings(pair, channel)
        return None

    def stretches(self, channel: str) -> list[ChannelSpan]:
        """Return the channel's stretches in recorded order, one per sealed file or journal.

        Sealed ones come from the index alone: the way to find where something happened in a long run.
        """
        found: list[tuple[int, ChannelSpan]] = []
        for pair in self._pairs.values():
            note = pair.index.channels.get(channel)
            if note is not None:
                found.append((pair.sealed.first, ChannelSpan(
                    source=pair.sealed.name, start_ns=note.start_ns, end_ns=note.end_ns, low=note.low,
                    high=note.high, worst=note.worst, rows=note.rows,
                )))  # fmt: skip
        for number, one in self._live.items():
            series = one.content.series(channel)
            if series is not None and len(series):
                found.append((number, stretch_of(journal.name(number), series)))
        found.sort(key=lambda numbered: numbered[0])
        return [stretch for _, stretch in found]
