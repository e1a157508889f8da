"""Watch of a run from outside: new events, the age of the newest reading on disk."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from rig.alerts import catchup
from rig.clock import Clock
from rig.domain.model import Event, EventKind
from rig.errors import StoreError
from rig.store import rundir
from rig.store.files import OS_DISK, Disk
from rig.store.rundir import SessionFacts
from rig.store.tail import LiveScan, Tail, Update

RETRY_NS = 10_000_000_000
MOST_TRIES = 3
"""How often sealed events are tried to be read, and how far apart, until alerts go on without them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchResult:
    """Result of one look at the run.

    events: new ones in recorded order, each with UTC ns of the excursion's first reading outside where
    it says so. now_ns: UTC on the recording's own time line, which no clock step moves within a boot.
    age_ns: of the newest reading on disk. newest_ns: its UTC, None while there is none. stopped: the
    newest session ended with a recorded stop. config: name of the frozen rig file of the newest session.
    """

    now_ns: int
    age_ns: int
    newest_ns: int | None
    stopped: bool
    config: str
    events: tuple[tuple[Event, int | None], ...] = ()
    scans: tuple[LiveScan, ...] = ()


class RunWatch:
    """Watch of one run. ``position``: (session, seq) of the last event handled."""

    def __init__(
        self, path: Path, clock: Clock, position: tuple[int, int] = (0, 0), disk: Disk = OS_DISK
    ) -> None:
        self._tail = Tail(path, disk=disk)
        self._path = path
        self._clock = clock
        self._disk = disk
        self._position = position
        self._sessions: dict[int, SessionFacts] = {}
        self._session_files: list[str] = []
        self._first = True
        self._held: list[Event] = []
        self._tries = 0
        self._retry_ns = 0
        self._newest: tuple[int, int] | None = None
        self._stopped = False
        self._seen_boot_ns = clock.boot_ns()

    def now_ns(self) -> int:
        """Return UTC by the anchor of the newest session if it is of this boot, else by the wall clock."""
        newest = self._newest_session()
        if newest is not None and newest.facts.boot_id == self._clock.boot_id():
            return self._clock.boot_ns() + newest.offset_ns
        return self._clock.utc_ns()

    @property
    def holding(self) -> bool:
        """Whether events wait here for earlier ones that could not be read yet."""
        return self._tries > 0

    def poll(self) -> WatchResult:
        """Return what has come since the last look."""
        try:
            update = self._tail.poll()
        except OSError:
            update = Update()  # folder or disk gone: the age of the readings will show it
        events = self._in_order(list(update.events), missed=bool(update.missed))
        fresh: list[Event] = []
        for event in events:
            self._note_session(event)
            if event.session and _place(event) <= self._position:
                continue
            self._position = max(self._position, _place(event))
            fresh.append(event)
        self._note_scans(update.scans)
        newest = self._newest_session()
        now_ns = self.now_ns()
        newest_ns = self._newest[1] if self._newest else None
        unseen_ns = self._clock.boot_ns() - self._seen_boot_ns
        return WatchResult(
            now_ns=now_ns, newest_ns=newest_ns, stopped=self._stopped,
            age_ns=max(unseen_ns, now_ns - newest_ns if newest_ns is not None else 0),
            config=newest.facts.config if newest else "",
            events=tuple((event, self._began(event)) for event in fresh), scans=update.scans,
        )  # fmt: skip

    def _in_order(self, events: list[Event], *, missed: bool) -> list[Event]:
        """Return the events to deal with now: none while those before them could not be read yet."""
        first, self._first = self._first, False
        if first:
            missed = missed or any((self._path / "events").glob("*.parquet"))
        if not missed and not self._tries:
            return events
        self._held += events
        if self._tries and self._clock.boot_ns() < self._retry_ns:
            return []
        try:
            past = catchup.read(self._path, self._position)
        except StoreError as error:
            self._tries += 1
            self._retry_ns = self._clock.boot_ns() + RETRY_NS
            if self._tries < MOST_TRIES:
                return []
            self._held.insert(0, self._own_event(str(error)))
            past = catchup.SealedEvents(stopped=self._stopped)
        held, self._held, self._tries = self._held, [], 0
        if past.newest_ns is not None and self._newest is None:
            newest = self._newest_session()
            self._stopped = past.stopped
            self._newest = (newest.number if newest else 0, past.newest_ns)
        return sorted({(one.session, one.seq): one for one in (*past.events, *held)}.values(), key=_place)

    def _own_event(self, text: str) -> Event:
        return Event(
            kind=EventKind.DAMAGE, t_ns=self.now_ns(), session=0, seq=0, subject="run", text=text,
            data={"cause": "catch-up"},
        )  # fmt: skip

    def _note_session(self, event: Event) -> None:
        if event.kind is EventKind.SESSION_STOP and not event.brief:
            self._stopped = True
        elif event.begins_recording:
            self._stopped = False

    def _note_scans(self, scans: tuple[LiveScan, ...]) -> None:
        for scan in scans:
            newest = (scan.session, scan.t_ns + scan.h_ns)
            if self._newest is None or newest > self._newest:
                self._newest = newest
                self._seen_boot_ns = self._clock.boot_ns()

    def _newest_session(self) -> SessionFacts | None:
        try:
            names = [name for name in self._disk.names(self._tail.run.folder("sessions")) if name[0] != "."]
        except OSError:
            names = self._session_files
        if names and names != self._session_files:
            self._session_files = names
            self._sessions = rundir.read_sessions(self._tail.run, self._disk)
        return self._sessions[max(self._sessions)] if self._sessions else None

    def _began(self, event: Event) -> int | None:
        began = event.data.get("began_boot_ns", event.data.get("last_valid_boot_ns"))
        session = self._sessions.get(event.session)
        return began + session.offset_ns if isinstance(began, int) and session is not None else None


def _place(event: Event) -> tuple[int, int]:
    return event.session, event.seq
