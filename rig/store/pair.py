"""A sealed pair as one thing: its index at once, its readings and events when they are asked for."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from rig.domain.model import Event, EventKind, Series
from rig.errors import DamageError, StoreError
from rig.store import index as indexes
from rig.store.catalogue import PAIR, SUMMARY, Sealed
from rig.store.files import Disk
from rig.store.index import Index
from rig.store.notes import outside
from rig.store.rundir import RunDir

if TYPE_CHECKING:
    from rig.store.pair_summary import PairSummary
    from rig.store.parquet import ReadingsFile


@dataclass(slots=True)
class SealedPair:
    """Readings and events of a stretch of journals. ``fault``: of its index, '' for none."""

    run: RunDir
    sealed: Sealed
    disk: Disk
    index: Index
    fault: str = ""
    _file: ReadingsFile | None = field(init=False, default=None)
    _events: list[Event] | None = field(init=False, default=None)
    _summary: PairSummary | None = field(init=False, default=None)
    _summarised: bool = field(init=False, default=False)

    @staticmethod
    def open(run: RunDir, sealed: Sealed, disk: Disk) -> SealedPair:
        """Return the pair by its index; if that is no good, by the copy in the readings file.

        Raises FileNotFoundError if its files are not there, DamageError or FormatError if they are no
        good or of another run.
        """
        path = sealed.index_path(run.path)
        try:
            pair = SealedPair(run, sealed, disk, indexes.read(disk, path))
        except (FileNotFoundError, DamageError) as error:
            from rig.store.parquet import ReadingsFile

            file = ReadingsFile.open(disk, sealed.path(run.path, "readings"), None)
            why = str(error) if isinstance(error, StoreError) else f"{path} is missing"
            pair = SealedPair(run, sealed, disk, file.index, f"{why}; the copy in the readings file is used")
            pair._file = file
        if pair.index.run != run.id:
            raise DamageError(f"{path}: holds readings of another run, {pair.index.run}")
        return pair

    def missing(self) -> str:
        """Return in words which file of the pair is missing or has not the length it should have."""
        for folder in PAIR:
            path = self.sealed.path(self.run.path, folder)
            note = self.index.files.get(folder)
            try:
                size = self.disk.size(path)
            except FileNotFoundError:
                return f"{path} is missing"
            if note is not None and size != note.size:
                return f"{path}: {note.size} bytes were written, {size} are there"
        return ""

    def _known(self) -> Index | None:
        return self.index if self.index.files else None

    def series(self, channel: str) -> Series | None:
        """Return all readings of a channel, None if there are none.

        Raises FileNotFoundError, DamageError or FormatError.
        """
        if channel not in self.index.channels:
            return None
        if self._file is None:
            from rig.store.parquet import ReadingsFile

            path = self.sealed.path(self.run.path, "readings")
            self._file = ReadingsFile.open(self.disk, path, self._known())
        return self._file.series(channel)

    def events(self) -> list[Event]:
        """Return all events. Raises FileNotFoundError, DamageError or FormatError."""
        if self._events is None:
            from rig.store.parquet import read_events

            path = self.sealed.path(self.run.path, "events")
            self._events = read_events(self.disk, path, self._known())
        return self._events

    def may_tell(self, kinds: Collection[EventKind] | None, start_ns: int | None, end_ns: int | None) -> bool:
        """Return whether its events may be of these kinds, in these bounds (None: all kinds, no bound)."""
        sessions = self.index.sessions.values()
        if sessions and all(outside(one.start_ns, one.end_ns, start_ns, end_ns) for one in sessions):
            return False
        event_summary = self.index.event_summary
        return kinds is None or event_summary is None or any(event_summary.count(kind) for kind in kinds)

    def summary(self) -> PairSummary | None:
        """Return the summary of its readings, None if there is none that can be used."""
        note = self.index.files.get(SUMMARY)
        if not self._summarised and note is not None:
            from rig.store import pair_summary as summary

            self._summary = summary.read(self.disk, self.sealed.path(self.run.path, SUMMARY), note)
        self._summarised = True
        return self._summary

    def distrust(self) -> None:
        """Go by the readings alone from now on: they are not what the summary says."""
        self._summary, self._summarised = None, True

    def unreadable(self) -> list[dict[str, Any]]:
        """Return a note on each channel, and on the events, that cannot be read; reads all there is.

        Keys: pair, channel (None: the events), rows, reason, start_ns and end_ns (UTC).
        """
        notes = []
        for channel, known in self.index.channels.items():
            try:
                self.series(channel)
            except (OSError, StoreError) as error:
                notes.append(self._note(channel, known.rows, error) | {
                    "start_ns": known.start_ns, "end_ns": known.end_ns,
                })  # fmt: skip
        try:
            self.events()
        except (OSError, StoreError) as error:
            notes.append(self._note(None, self.index.events, error))
        return notes

    def _note(self, channel: str | None, rows: int, error: Exception) -> dict[str, Any]:
        return {
            "pair": self.sealed.name, "channel": channel, "rows": rows, "reason": str(error),
            "start_ns": min((one.start_ns for one in self.index.sessions.values()), default=None),
            "end_ns": max((one.end_ns for one in self.index.sessions.values()), default=None),
        }  # fmt: skip
