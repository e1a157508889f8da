"""Feed of a live state from a run's files: everything once at the start, then only what is new.

Follows the journals; the sealed files are read only at the start (for events and the last minutes) and
when a journal was sealed away unread. Takes no lock that lasts and writes nothing.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from pathlib import Path

from rig.clock import SYSTEM, Clock
from rig.domain.layout_json import layout_from_json
from rig.domain.model import Event, EventKind
from rig.errors import StoreError
from rig.store import catalogue, rundir
from rig.store.files import OS_DISK
from rig.store.rundir import SessionFacts
from rig.store.tail import Tail, Update
from rig.view.alert_status import alert_words
from rig.view.live_state import WINDOW_NS, LiveState
from rig.view.snapshot import RunState
from rig.view.snapshot_maker import Surroundings

HEALTH_NS = 3600 * 1_000_000_000


class Feed:
    """Live state ``live``, kept up to date with a run directory. Raises StoreError without a session."""

    def __init__(self, path: Path, clock: Clock = SYSTEM) -> None:
        self.path = path
        self._clock = clock
        self._boot_id = clock.boot_id()
        self._run = rundir.open_run(path)
        self._sessions: dict[int, SessionFacts] = {}
        self._seen: set[tuple[int, int]] = set()
        self._stopped = False
        self._skipped: tuple[str, ...] = ()
        self._begin()

    def _begin(self) -> None:
        self._sessions = rundir.read_sessions(self._run)
        if not self._sessions:
            raise StoreError(f"{self.path} has no session yet: nothing recorded; start soakrig log")
        newest = self._sessions[max(self._sessions)]
        layout = layout_from_json(rundir.frozen_layout(self._run, newest.facts.config))
        self.live = LiveState(layout, self._run.name)
        self.live.started_ns = self._run.created_ns
        self._seen.clear()
        self._tail = Tail(self.path)
        update = self._tail.poll()
        if catalogue.look(self.path, OS_DISK).sealed:
            self._read_sealed(update)
        self._take(update)

    def _read_sealed(self, update: Update) -> None:
        """Take in the events of the sealed files, and the last minutes where the journals lack them."""
        from rig.store.reader import RunReader
        from rig.view.past import recent

        run = RunReader.open(self.path)
        self._skipped = tuple(f"{one.path.name}: {one.reason}" for one in run.skipped)
        new = {(event.session, event.seq) for event in update.events}
        end_ns = run.span[1]
        # of the logger's own state only the newest report is needed
        events = run.events_of(frozenset(EventKind) - {EventKind.HEALTH})
        events += run.events_of({EventKind.HEALTH}, end_ns - HEALTH_NS)
        self._events(event for event in events if (event.session, event.seq) not in new)
        first_ns = update.scans[0].t_ns if update.scans else end_ns
        if first_ns > end_ns - WINDOW_NS:
            recent(self.live, run, end_ns - WINDOW_NS, first_ns)

    def update(self) -> None:
        """Take in what has been recorded since the last call. Raises StoreError or OSError."""
        update = self._tail.poll()
        if any(event.kind is EventKind.SESSION_START for event in update.events) and self._config_changed():
            self._begin()
            return
        if update.missed and catalogue.look(self.path, OS_DISK).sealed:
            self._read_sealed(update)
        self._take(update)

    def _config_changed(self) -> bool:
        before = self._sessions[max(self._sessions)].facts.config
        self._sessions = rundir.read_sessions(self._run)
        return self._sessions[max(self._sessions)].facts.config != before

    def _take(self, update: Update) -> None:
        for scan in update.scans:
            self.live.scan(scan.channels, scan.t_ns, scan.values, scan.statuses)
        self._events(update.events)

    def _events(self, events: Iterable[Event]) -> None:
        for event in events:
            key = (event.session, event.seq)
            if key in self._seen:
                continue
            self._seen.add(key)
            session = self._sessions.get(event.session)
            self.live.event(event, session.offset_ns if session else 0)
            if event.kind in {EventKind.SESSION_START, EventKind.SESSION_STOP} and not event.brief:
                self._stopped = event.kind is EventKind.SESSION_STOP

    def surroundings(self) -> Surroundings:
        """Return the state around the recording now."""
        try:
            free: int | None = shutil.disk_usage(self.path).free
        except OSError:
            free = None
        state, now_ns = self._state(), self.now_ns()
        alerts, fail = alert_words(self.path, now_ns, running=state is RunState.RUNNING)
        return Surroundings(
            now_ns=now_ns, state=state, disk_free=free, skipped=self._skipped, alerts=alerts, alerts_fail=fail
        )

    def now_ns(self) -> int:
        """Return UTC ns on the recording's own time line while its boot lasts, else by the wall clock."""
        newest = self._sessions[max(self._sessions)]
        if newest.facts.boot_id == self._boot_id:
            return self._clock.boot_ns() + newest.offset_ns
        return self._clock.utc_ns()

    def _state(self) -> RunState:
        if rundir.is_held(self.path / rundir.LOCK):
            return RunState.RUNNING
        if rundir.has_ended(self._run):
            return RunState.FINISHED
        return RunState.STOPPED if self._stopped else RunState.CRASHED
