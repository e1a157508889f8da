"""Loop of the alerts process: read, judge, record, send. One pass is ``turn``; it never waits."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from rig.alerts.alarm import Alarm
from rig.alerts.alarms import Alarms
from rig.alerts.delivery_outcome import DeliveryOutcome, refused
from rig.alerts.delivery_process import DeliveryProcess, job_of
from rig.alerts.delivery_state import Batch, DeliveryState, Queue
from rig.alerts.facts import Fact
from rig.alerts.heartbeat import HeartbeatSender
from rig.alerts.message import compose
from rig.alerts.outbox import FOLDER, Outbox
from rig.alerts.run_watch import RunWatch, WatchResult
from rig.alerts.settings import Settings
from rig.clock import SYSTEM, Clock
from rig.domain.formatting import stamp
from rig.domain.jsonmap import plain
from rig.domain.model import Event, EventKind
from rig.errors import StoreError
from rig.stop import Stop
from rig.store.files import OS_DISK, Disk, publish

LOOK_S = 0.5
STATUS = "status.json"
STATUS_NS = 10_000_000_000
PARTING_S = 5.0
"""How long messages under way may take when the process is asked to end."""
OLD_NS = 600_000_000_000
"""Age beyond which events of a run seen for the first time are sent only if they still last."""

Start = Callable[[Mapping[str, Any]], DeliveryProcess]


class AlertService:
    """Alerts of one run under one rig file. The caller holds the lock of the run's alerts folder."""

    def __init__(
        self,
        path: Path,
        settings: Settings,
        *,
        clock: Clock = SYSTEM,
        disk: Disk = OS_DISK,
        start: Start = DeliveryProcess,
    ) -> None:
        self._settings = settings
        self._alerts = settings.alerts
        self._clock = clock
        self._disk = disk
        self._start = start
        self._folder = path / FOLDER
        self.outbox = Outbox(self._folder, DeliveryState(self._alerts, settings.run_id), disk)
        self.state = self.outbox.state
        self.alarms = Alarms(self._alerts, settings.layout, settings.inputs)
        self._restore()
        self._first_look = self.outbox.fresh
        self.watch = RunWatch(path, clock, self.state.position, disk)
        self._deliveries: dict[str, DeliveryProcess] = {}
        self._batches: dict[str, Batch] = {}
        self._status_ns = 0
        self._last_look: WatchResult | None = None
        self.heartbeat = (
            HeartbeatSender(self._alerts.heartbeat, start, clock.monotonic_ns)
            if self._alerts.heartbeat
            else None
        )

    def run(self, stopping: Stop) -> None:
        """Run until ``stopping`` is set or a session with another rig file has begun."""
        while not stopping.is_set():
            if self._is_another_rig(self.turn()):
                self.close()  # what waits is for the notifiers of the new rig file
                return
            stopping.wait(LOOK_S)
        self.close(flush=True)

    def turn(self) -> WatchResult:
        """Make one pass; return what was seen of the run."""
        look = self.watch.poll()
        if self._is_another_rig(look):
            return look  # new events are for the notifiers of the new rig file
        self._judge(look)
        self._collect(look.now_ns)
        self._send(look.now_ns, flush=look.stopped)
        if self.heartbeat is not None:
            self.heartbeat.turn(self._beat(look))
        self._last_look = look
        self._write_status(look)
        return look

    def close(self, *, flush: bool = False) -> None:
        """Wait a moment for messages under way, then end; what was cut off is sent again next time.

        flush: send all that waits as one digest by each notifier, once, whatever it waits for.
        """
        until_ns = self._clock.monotonic_ns() + round(PARTING_S * 1e9)
        pause = threading.Event()
        if flush:
            self.state.hurry()
        while self._clock.monotonic_ns() < until_ns:
            now_ns = self.watch.now_ns()
            self._collect(now_ns)
            if flush:
                self._send(now_ns, flush=True)
            if not self._deliveries:
                break
            pause.wait(0.05)
        for delivery in self._deliveries.values():
            delivery.kill()
            while delivery.poll() is None:
                pause.wait(0.01)
        if self.heartbeat is not None:
            self.heartbeat.close()
        if self._last_look is not None:
            self._write_status(self._last_look, final=True)
        self.outbox.close()

    def _is_another_rig(self, look: WatchResult) -> bool:
        mine = self._settings.config
        return bool(mine) and bool(look.config) and look.config != mine

    # ---- judging

    def _restore(self) -> None:
        for key, data in self.state.alarms.items():
            try:
                self.alarms.open[key] = Alarm.from_json(data)
            except (KeyError, TypeError, ValueError):
                continue  # written by another version; sent again rather than never
        self.alarms.next_number = self.state.next_number
        self.alarms.states.states = dict(self.state.states)
        self._kept = dict(self.alarms.open)

    def _judge(self, look: WatchResult) -> None:
        facts: list[Fact] = []
        events = list(look.events)
        if self._first_look and not self.watch.holding:
            events = self._past(events, look.now_ns)
            self._first_look = False
        if self.outbox.dropped:
            facts += self.alarms.take(_damage(self.outbox.dropped, look.now_ns))
            self.outbox.dropped = ""
        for scan in look.scans:  # a first-out is told from the readings before its event
            span = (scan.t_ns, scan.h_ns)
            self.alarms.times.follow(scan.session, span, scan.channels, scan.values, scan.statuses)
        for event, began_ns in events:
            facts += self.alarms.take(event, began_ns)
        for scan in look.scans:
            self.alarms.follow(scan.channels, scan.values, scan.statuses)
        facts += self.alarms.tick(look.newest_ns)
        facts += self.alarms.look_at_logger(
            look.now_ns, look.now_ns - look.age_ns, stopped=look.stopped, place=self._settings.place
        )
        facts += self._judge_notifiers(look.now_ns)
        position = max([self.state.position, *((one.session, one.seq) for one, _ in look.events)])
        self._keep([_queued(fact, look.now_ns) for fact in facts], position)

    def _past(self, events: list[tuple[Event, int | None]], now_ns: int) -> list[tuple[Event, int | None]]:
        """Take in old events without sending them; return the recent ones."""
        old = [one for one in events if now_ns - one[0].t_ns > OLD_NS]
        for event, began_ns in old:
            self.alarms.take(event, began_ns)
        self.alarms.begin_quietly()
        return [one for one in events if now_ns - one[0].t_ns <= OLD_NS]

    def _judge_notifiers(self, now_ns: int) -> list[Fact]:
        facts: list[Fact] = []
        for notifier, queue in self.state.queues.items():
            since_ns = queue.failing_since_ns
            if since_ns and now_ns - since_ns >= self._alerts.failing_s * 1e9:
                facts += self.alarms.notifier_fails(notifier, since_ns, now_ns, queue.error)
            elif not since_ns:
                facts += self.alarms.notifier_works(notifier, now_ns)
            test_ns = round(self._alerts.test_s * 1e9)
            if test_ns and (not queue.tested_ns or now_ns - queue.tested_ns >= test_ns):
                facts.append(self.alarms.test(notifier, now_ns))
        return facts

    def _keep(self, facts: list[Fact], position: tuple[int, int]) -> None:
        """Record alerts and alarms together, so that neither is ever there alone."""
        now = self.alarms.open
        changed: dict[str, Any] = {
            key: one.to_json() for key, one in now.items() if self._kept.get(key) != one
        }
        changed |= {key: None for key in self._kept if key not in now}
        states = self.alarms.states.states
        if not facts and not changed and states == self.state.states:
            return
        self._kept = dict(now)
        self.outbox.record(
            {
                "r": "seen",
                "facts": [plain(fact) for fact in facts],
                "position": list(position),
                "next": self.alarms.next_number,
                "incidents": changed,
                "states": dict(states),
            }
        )

    # ---- sending

    def _collect(self, now_ns: int) -> None:
        for notifier, delivery in list(self._deliveries.items()):
            outcome = delivery.poll()
            if outcome is not None:
                del self._deliveries[notifier]
                self._ended(self._batches.pop(notifier), outcome, now_ns)

    def _ended(self, batch: Batch, outcome: DeliveryOutcome, now_ns: int) -> None:
        what: dict[str, Any] = {"r": "sent", "note": outcome.note}
        if not outcome.delivered:
            what = {"r": "failed", "error": outcome.note, "refused": outcome.refused}
        self.outbox.record({**what, "way": batch.notifier, "t": now_ns, **batch.lane_record()})

    def _send(self, now_ns: int, *, flush: bool = False) -> None:
        for notifier in self.state.queues:
            if notifier in self._deliveries:
                continue
            batch = self.state.due(notifier, now_ns, flush=flush)
            if batch is None:
                continue
            message = compose(
                batch,
                rig=self._settings.rig,
                run=self._settings.run,
                place=self._settings.place,
                now_ns=now_ns,
                most_lines=self._alerts.most_lines,
            )
            self.outbox.record(batch.to_record())
            try:
                self._deliveries[notifier] = self._start(
                    job_of(self._alerts.notifiers[notifier], plain(message))
                )
                self._batches[notifier] = batch
            except OSError as error:
                self._ended(batch, refused(f"delivery process could not be started: {error}"), now_ns)

    # ---- status

    def _beat(self, look: WatchResult) -> dict[str, Any] | None:
        if look.age_ns > self._alerts.silence_s * 1e9 and not look.stopped:
            return None
        newest = look.newest_ns
        return {
            "soakrig": "heartbeat",
            "rig": self._settings.rig,
            "run": self._settings.run,
            "state": "stopped" if look.stopped else "recording",
            "utc": stamp(look.now_ns),
            "newest_row_utc": stamp(newest) if newest is not None else None,
            "newest_row_age_s": round(look.age_ns / 1e9, 3),
            "failing_ways": [name for name, queue in self.state.queues.items() if queue.failing_since_ns],
        }

    def _write_status(self, look: WatchResult, *, final: bool = False) -> None:
        """Write the status of each notifier for the live view; skipped if the disk refuses."""
        now_ns = self._clock.monotonic_ns()
        if self._status_ns and now_ns - self._status_ns < STATUS_NS and not final:
            return
        self._status_ns = now_ns
        status = {
            "utc_ns": look.now_ns,
            "ways": {
                name: self._notifier_status(name, queue, look.now_ns)
                for name, queue in self.state.queues.items()
            },
            "outbox": self.outbox.fault,
            "heartbeat": (
                {target: last.note or "sent" for target, last in self.heartbeat.last.items()}
                if self.heartbeat
                else {}
            ),
            "open": sorted(self.alarms.open),
        }
        try:
            publish(self._disk, self._folder / STATUS, json.dumps(status, indent=1).encode() + b"\n")
        except StoreError:
            return

    def _notifier_status(self, name: str, queue: Queue, now_ns: int) -> dict[str, Any]:
        held, next_ns = self.state.held_back(name, now_ns)
        return {
            "waiting": queue.undelivered,
            "held": held,
            "next_ns": next_ns,
            "delivered_ns": queue.delivered_ns,
            "test_ok_ns": queue.test_ok_ns,
            "failing_since_ns": queue.failing_since_ns,
            "error": queue.error,
        }


def _queued(fact: Fact, now_ns: int) -> Fact:
    return replace(fact, queued_ns=now_ns)


def _damage(text: str, now_ns: int) -> Event:
    return Event(
        kind=EventKind.DAMAGE, t_ns=now_ns, session=0, seq=0, subject="run", text=f"alerts: {text}",
        data={"cause": "outbox"},
    )  # fmt: skip
