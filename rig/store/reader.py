"""A recording as arrays: sealed files and live journals as one, running, finished or crashed."""

from __future__ import annotations

import enum
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from rig.core.model import Event, EventKind, Layout, Series, Session
from rig.errors import StoreError
from rig.store import catalogue, journal, rundir
from rig.store.catalogue import Catalogue
from rig.store.columns import Content, content, joined, within
from rig.store.files import OS_DISK, Disk
from rig.store.journal import JournalReader
from rig.store.rundir import RunDir, SessionFacts

PATIENCE = 5
"""How often to look again when a file was sealed away while it was being read."""
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


@dataclass(slots=True)
class _Live:
    reader: JournalReader
    content: Content
    successor_seq: int | None
    bytes_read: int


@dataclass(slots=True)
class Run:
    """A run directory, read. ``refresh()`` takes in what has been recorded since; nothing else does."""

    dir: RunDir
    disk: Disk = OS_DISK
    catalogue: Catalogue = field(init=False)
    _begun: dict[int, SessionFacts] = field(init=False, default_factory=dict)
    _live: dict[int, _Live] = field(init=False, default_factory=dict)
    _skipped: list[Skipped] = field(init=False, default_factory=list)

    @staticmethod
    def open(path: Path | str, disk: Disk = OS_DISK) -> Run:
        """Return the run at ``path``. Raises FormatError or DamageError if its manifest is no good."""
        run = Run(rundir.open_run(Path(path), disk), disk)
        run.refresh()
        return run

    def refresh(self) -> None:
        """Look at the folder again and read what the journals have gained."""
        self._patiently(self._look)

    def _look(self) -> None:
        self._begun = rundir.read_sessions(self.dir, self.disk)
        found = catalogue.look(self.dir.path, self.disk)
        skipped = [Skipped(path=path, reason="not a file of a recording") for path in found.foreign]
        live: dict[int, _Live] = {}
        successors = self._open_journals(found, live, skipped)
        for number, one in live.items():
            one.reader.advance()
            successor = successors.get(number)
            if one.reader.end != one.bytes_read or one.successor_seq != successor:
                one.content = content(one.reader, successor)
                one.bytes_read, one.successor_seq = one.reader.end, successor
            skipped += _holes(one)
        self.catalogue, self._live, self._skipped = found, live, skipped

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
                    reader = JournalReader(path, self.disk, self._spare(path))
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

    def _spare(self, path: Path) -> journal.Facts | None:
        """Return the session's facts from its own file, for a journal whose copy is damaged."""
        session = self._begun.get(journal.read_head(self.disk, path).session)
        return session.facts if session else None

    def _patiently(self, deed: Callable[[], _T]) -> _T:
        for _ in range(PATIENCE):
            try:
                return deed()
            except FileNotFoundError:
                self._look_again()
        return deed()

    def _look_again(self) -> None:
        try:
            self._look()
        except FileNotFoundError:
            return

    # ---- what is there

    @property
    def path(self) -> Path:
        """The run directory."""
        return self.dir.path

    @property
    def state(self) -> State:
        """Whether somebody records now; if not, whether the last session ended with a stop."""
        if rundir.is_held(self.dir.path / rundir.LOCK):
            return State.RUNNING
        sessions = self.sessions
        return State.FINISHED if sessions and sessions[-1].clean else State.CRASHED

    @property
    def layout(self) -> Layout:
        """Units, channels and instruments as the newest session knew them. Raises DamageError."""
        newest = max(self._begun, default=None)
        if newest is None:
            raise StoreError(f"{self.dir.path}: no session has begun, so there is no layout yet")
        return self.layout_of(newest)

    def layout_of(self, session: int) -> Layout:
        """Return the layout of one session. Raises StoreError if there is no such session."""
        from rig.core.config import layout_from_json  # type: ignore[import-not-found,unused-ignore]

        if session not in self._begun:
            raise StoreError(f"{self.dir.path}: there is no session {session}")
        raw = rundir.frozen_layout(self.dir, self._begun[session].facts.config, self.disk)
        layout: Layout = layout_from_json(raw)
        return layout

    @property
    def skipped(self) -> tuple[Skipped, ...]:
        """Everything a reading of this run leaves out, with the reason."""
        return tuple(self._skipped)

    @property
    def span(self) -> tuple[int, int]:
        """First and last stamp (UTC ns) of readings and events; (0, 0) if nothing was recorded."""
        spans = [span for one in self._live.values() if (span := one.content.span())]
        if not spans:
            return (0, 0)
        return min(first for first, _ in spans), max(last for _, last in spans)

    @property
    def sessions(self) -> tuple[Session, ...]:
        """All sessions in order, with their first and last stamps (UTC ns)."""
        stops = {event.session for event in self.events() if event.kind is EventKind.SESSION_STOP}
        spans = self._session_spans()
        return tuple(
            Session(
                number=number, boot_id=begun.facts.boot_id,
                start_ns=spans.get(number, (begun.facts.boot_ns + begun.offset_ns, 0))[0],
                end_ns=spans.get(number, (0, begun.facts.boot_ns + begun.offset_ns))[1],
                clean=number in stops, synchronised=begun.facts.synchronised,
                software=begun.facts.software, host=begun.facts.host,
            )
            for number, begun in self._begun.items()
        )  # fmt: skip

    def _session_spans(self) -> dict[int, tuple[int, int]]:
        spans: dict[int, tuple[int, int]] = {}
        for one in self._live.values():
            span = one.content.span()
            if span:
                old = spans.get(one.content.session, span)
                spans[one.content.session] = (min(old[0], span[0]), max(old[1], span[1]))
        return spans

    def channels(self) -> list[str]:
        """Return the names of all channels with readings, in the order of the blocks."""
        return list(dict.fromkeys(name for one in self._live.values() for name in one.content.channels()))

    # ---- content

    def events(self) -> list[Event]:
        """Return all events in recorded order: by session, then by sequence number."""
        events = [event for one in self._live.values() for event in one.content.events]
        return sorted(events, key=lambda event: (event.session, event.seq))

    def series(self, channel: str, start_ns: int | None = None, end_ns: int | None = None) -> Series:
        """Return the readings of a channel stamped from ``start_ns`` to ``end_ns`` (both included, UTC).

        In recorded order; empty if the channel is unknown or silent. Stamps are rounded no finer than
        a tenth of the half-width.
        """
        parts = [part for one in self._live.values() if (part := one.content.series(channel))]
        return within(joined(channel, parts), start_ns, end_ns)


def _holes(one: _Live) -> list[Skipped]:
    reader = one.reader
    _, holes, end = reader.settled(one.successor_seq)
    skipped = [
        Skipped(
            path=reader.path,
            reason=f"{hole.size} damaged bytes at offset {hole.offset}: "
            f"records {hole.after_seq} to {hole.next_seq - 1} are gone",
        )
        for hole in holes
    ]
    loose = reader.size - end
    if loose and (reader.closed or end != reader.end):
        skipped.append(
            Skipped(
                path=reader.path,
                reason=f"{loose} bytes from offset {end} on are torn or damaged; "
                f"{len(reader.frames)} frames before them are good",
            )
        )
    return skipped
