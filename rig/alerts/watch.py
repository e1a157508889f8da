"""What happens in a run, seen from outside: new events, the age of the newest reading on disk."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from rig.alerts import catchup
from rig.clock import Clock
from rig.core.model import Event, EventKind
from rig.errors import StoreError
from rig.store import rundir
from rig.store.files import OS_DISK, Disk
from rig.store.rundir import SessionFacts
from rig.store.tail import LiveScan, Tail


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What a look brought.

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
    """Follows one run. ``position``: (session, seq) of the last event that has been dealt with."""

    def __init__(
        self, path: Path, clock: Clock, position: tuple[int, int] = (0, 0), disk: Disk = OS_DISK
    ) -> None:
        self._tail = Tail(path, disk=disk)
        self._path = path
        self._clock = clock
        self._disk = disk
        self._position = position
        self._sessions: dict[int, SessionFacts] = {}
        self._behind = True
        self._newest: tuple[int, int] | None = None
        self._stopped = False
        self._seen_boot_ns = clock.boot_ns()

    def now_ns(self) -> int:
        """Return UTC by the anchor of the newest session if it is of this boot, else by the wall clock."""
        newest = self._newest_session()
        if newest is not None and newest.facts.boot_id == self._clock.boot_id():
            return self._clock.boot_ns() + newest.offset_ns
        return self._clock.utc_ns()

    def poll(self) -> Look:
        """Return what has come since the last look."""
        update = self._tail.poll()
        events = list(update.events)
        if update.missed or (self._behind and self._disk.names(self._tail.run.folder("events"))):
            events = self._caught_up(events)
        self._behind = False
        fresh: list[Event] = []
        for event in events:
            place = (event.session, event.seq)
            if event.session and place <= self._position:
                continue
            self._position = max(self._position, place)
            fresh.append(event)
            self._note_session(event)
        self._note_scans(update.scans)
        newest = self._newest_session()
        now_ns = self.now_ns()
        newest_ns = self._newest[1] if self._newest else None
        unseen_ns = self._clock.boot_ns() - self._seen_boot_ns
        return Look(
            now_ns=now_ns, newest_ns=newest_ns, stopped=self._stopped,
            age_ns=max(unseen_ns, now_ns - newest_ns if newest_ns is not None else 0),
            config=newest.facts.config if newest else "",
            events=tuple((event, self._began(event)) for event in fresh), scans=update.scans,
        )  # fmt: skip

    def _caught_up(self, events: list[Event]) -> list[Event]:
        try:
            past = catchup.read(self._path, self._position)
        except StoreError as error:
            return [self._own_event(str(error)), *events]
        if self._behind:
            self._stopped = past.stopped
            if past.newest_ns is not None and (newest := self._newest_session()) is not None:
                self._newest = (newest.number, past.newest_ns)
        return sorted({(one.session, one.seq): one for one in (*past.events, *events)}.values(), key=_place)

    def _own_event(self, text: str) -> Event:
        return Event(
            kind=EventKind.DAMAGE, t_ns=self.now_ns(), session=0, seq=0, subject="run", text=text,
            data={"cause": "catch-up"},
        )  # fmt: skip

    def _note_session(self, event: Event) -> None:
        if event.kind is EventKind.SESSION_STOP:
            self._stopped = True
        elif event.kind is EventKind.SESSION_START:
            self._stopped = False

    def _note_scans(self, scans: tuple[LiveScan, ...]) -> None:
        for scan in scans:
            newest = (scan.session, scan.t_ns + scan.h_ns)
            if self._newest is None or newest > self._newest:
                self._newest = newest
                self._seen_boot_ns = self._clock.boot_ns()

    def _newest_session(self) -> SessionFacts | None:
        names = [name for name in self._disk.names(self._tail.run.folder("sessions")) if name[0] != "."]
        if len(names) != len(self._sessions):
            self._sessions = rundir.read_sessions(self._tail.run, self._disk)
        return self._sessions[max(self._sessions)] if self._sessions else None

    def _began(self, event: Event) -> int | None:
        began = event.data.get("began_boot_ns", event.data.get("last_valid_boot_ns"))
        session = self._sessions.get(event.session)
        return began + session.offset_ns if isinstance(began, int) and session is not None else None


def _place(event: Event) -> tuple[int, int]:
    return event.session, event.seq
