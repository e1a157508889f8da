"""Delivery state of each notifier: facts waiting, the batch under way, and when to try again.

Values in, values out. Every change is a record (a JSON mapping) for ``DeliveryState.apply``, so that the
same records read back from disk give the same state; see ``outbox``.

Delivery is at least once. Before a batch is sent its content is fixed under a key made from run, notifier
and facts. A refusal dissolves the batch: its facts may go with others next time. Where it is unknown
whether it arrived (cut off, process killed) the same batch is sent again under the same key, so that a
receiver can recognise the duplicate.

Each notifier has two lanes. What is severe goes at once, from a budget of its own, before anything that
waits; it takes along what else waits about the same unit. It waits for one try under way at most, never for
the retries of a batch of the other lane: no order between lanes is promised, only within each.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from rig.alerts.facts import Fact
from rig.domain.jsonmap import made, plain
from rig.rigfile.alerts_section import Alerts

_SECOND: Final = 1_000_000_000
_HOUR_NS: Final = 3600 * _SECOND
SEVERE: Final = "severe"
"""Word of the severe lane in an outbox."""
FIRST_WAIT_NS: Final = 5 * _SECOND
LONGEST_WAIT_NS: Final = 900 * _SECOND
"""Waits between tries double from the first to the longest, and then go on without end."""
LONGEST_SEVERE_WAIT_NS: Final = 60 * _SECOND
"""Longest wait between tries of what is severe (common practice, no source)."""
SEVERE_PER_HOUR: Final = 60
"""Messages an hour about what is severe, beside ``per-hour``: one a minute (common practice, no source).

So many failures in an hour no room has; a signal that flaps has, and must not fill a mailbox."""
FLUSHES_PER_HOUR: Final = 6
"""Digests an hour at stops, beside ``per-hour``: a restart every ten minutes (common practice, no source)."""
LATE_NS: Final = 60 * _SECOND
"""Facts that have waited for longer than this beyond the gathering all go in one message."""
MOST_WAITING: Final = 1000
"""Facts that may wait in one lane; beyond it, those in the middle are dropped and counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Facts sent together by one notifier, under one key.

    held: how many of them waited for the cap on messages an hour; dropped: facts left out before it.
    last: whether it uses up this hour's messages. flush_ns: UTC of the stop because of
    which all that waited goes, 0 for none. severe: of the lane that is never held back.
    """

    notifier: str
    key: str
    facts: tuple[Fact, ...]
    held: int = 0
    dropped: int = 0
    last: bool = False
    flush_ns: int = 0
    severe: bool = False

    def to_record(self) -> dict[str, Any]:
        """Return the record that it is being sent."""
        flush = {"flush": self.flush_ns} if self.flush_ns else {}
        numbers = [fact.number for fact in self.facts]
        return {
            "r": "sending",
            "way": self.notifier,
            "facts": numbers,
            "key": self.key,
            **self.lane_record(),
            **flush,
        }

    def lane_record(self) -> dict[str, Any]:
        """Return what records of this batch carry about its lane: nothing for the routine one."""
        return {"lane": SEVERE} if self.severe else {}


@dataclass(slots=True, kw_only=True)
class Lane:
    """Facts of one notifier that wait for each other. Times: UTC ns.

    flight: numbers of the facts of the batch last sent; uncertain: whether it may have arrived. held: facts
    that wait for the cap. flush_ns: of the stop whose digest is under way, 0 for none. wait_until_ns: not
    before; it is not kept, so a new process tries at once.
    """

    waiting: list[int] = field(default_factory=list)
    flight: list[int] = field(default_factory=list)
    uncertain: int = 0
    held: int = 0
    dropped: int = 0
    sent_ns: list[int] = field(default_factory=list)
    failures: int = 0
    flush_ns: int = 0
    wait_until_ns: int = 0

    def is_waiting_until(self, now_ns: int) -> bool:
        """Whether it is too early for the next try; a clock that was set back makes nothing wait."""
        return 0 < self.wait_until_ns - now_ns <= LONGEST_WAIT_NS

    def used(self, now_ns: int) -> int:
        """Return how many messages went in the hour before."""
        return sum(abs(now_ns - one) < _HOUR_NS for one in self.sent_ns)


@dataclass(slots=True, kw_only=True)
class Queue:
    """State of one notifier: its lanes, and how delivery goes. Times: UTC ns.

    flushed_ns: digests at stops in the last hour.
    """

    routine: Lane = field(default_factory=Lane)
    severe: Lane = field(default_factory=Lane)
    failing_since_ns: int = 0
    error: str = ""
    delivered_ns: int = 0
    tested_ns: int = 0
    test_ok_ns: int = 0
    flushed_ns: list[int] = field(default_factory=list)

    @property
    def lanes(self) -> tuple[Lane, Lane]:
        """The lanes, the severe one first."""
        return self.severe, self.routine

    @property
    def undelivered(self) -> int:
        """How many facts wait or are under way."""
        return sum(len(lane.waiting) + len(lane.flight) for lane in self.lanes)


class DeliveryState:
    """State of all notifiers of a run; ``run`` (its id) goes into every key."""

    def __init__(self, alerts: Alerts, run: str) -> None:
        self._alerts = alerts
        self._run = run
        self.facts: dict[int, Fact] = {}
        self.queues: dict[str, Queue] = {name: Queue() for name in alerts.notifiers}
        self.next_number = 1
        self.position = (0, 0)
        self.alarms: dict[str, dict[str, Any]] = {}
        self.states: dict[str, str] = {}

    # ---- records

    def apply(self, record: Mapping[str, Any]) -> None:
        """Take in one record. Raises KeyError, TypeError or ValueError if it is none."""
        match record["r"]:
            case "state":
                self._restore(record)
            case "seen":
                self._seen(record)
            case "sending" | "sent" | "failed":
                queue = self.queues.get(str(record["way"]))
                if queue is not None:  # a notifier that a changed rig file no longer has
                    getattr(self, f"_{record['r']}")(queue, record)
            case other:
                raise ValueError(f"unknown record {other!r}")
        self._forget()

    def to_record(self) -> dict[str, Any]:
        """Return a record that holds everything."""
        return {
            "r": "state",
            "facts": [plain(fact) for fact in self.facts.values()],
            "queues": {name: _kept(queue) for name, queue in self.queues.items()},
            "next": self.next_number,
            "position": list(self.position),
            "incidents": self.alarms,
            "states": self.states,
        }

    def _restore(self, record: Mapping[str, Any]) -> None:
        facts = made(list[Fact], record["facts"])
        queues = {str(name): _restored(values) for name, values in record["queues"].items()}
        self.next_number = int(record["next"])
        session, seq = record["position"]
        self.position = (int(session), int(seq))
        self.alarms = dict(record["incidents"])
        self.states = made(dict[str, str], record.get("states", {}))
        self.facts = {fact.number: fact for fact in facts}
        self.queues = {name: queues.get(name, Queue()) for name in self._alerts.notifiers}

    def _seen(self, record: Mapping[str, Any]) -> None:
        facts = made(list[Fact], record["facts"])
        session, seq = record["position"]
        self.position = (int(session), int(seq))
        self.next_number = int(record["next"])
        self.states = made(dict[str, str], record.get("states", self.states))
        for key, alarm in record["incidents"].items():
            if alarm is None:
                self.alarms.pop(key, None)
            else:
                self.alarms[key] = alarm
        for fact in facts:
            self.facts[fact.number] = fact
            for name, queue in self.queues.items():
                if self._concerns(fact, name):
                    self._enqueue(queue, fact)

    def _concerns(self, fact: Fact, notifier: str) -> bool:
        if fact.only_by:
            return fact.only_by == notifier
        return fact.not_by != notifier and fact.category in self._alerts.categories_of(notifier)

    @staticmethod
    def _enqueue(queue: Queue, fact: Fact) -> None:
        lane = queue.severe if fact.passes else queue.routine
        lane.waiting.append(fact.number)
        if fact.passes:
            lane.wait_until_ns = 0  # news that is severe waits for no earlier failure
        if fact.what == "test":
            queue.tested_ns = fact.queued_ns
        if len(lane.waiting) > MOST_WAITING:
            # the first and the latest say more than those between
            del lane.waiting[MOST_WAITING // 2]
            lane.dropped += 1

    def _sending(self, queue: Queue, record: Mapping[str, Any]) -> None:
        lane = _lane(queue, record)
        # sent again without an outcome: a process ended in between
        lane.uncertain |= bool(lane.flight)
        lane.flight = [int(n) for n in record["facts"]]
        for one in queue.lanes:
            one.waiting = [n for n in one.waiting if n not in lane.flight]
        lane.flush_ns = int(record.get("flush", 0))

    def _sent(self, queue: Queue, record: Mapping[str, Any]) -> None:
        lane, t_ns = _lane(queue, record), int(record["t"])
        if any(self.facts[n].what == "test" for n in lane.flight if n in self.facts):
            queue.test_ok_ns = t_ns
        lane.flight, lane.uncertain, lane.held, lane.dropped = [], 0, 0, 0
        lane.failures, lane.wait_until_ns = 0, 0
        queue.failing_since_ns, queue.error, queue.delivered_ns = 0, str(record.get("note", "")), t_ns
        lane.sent_ns = _within_the_hour(lane.sent_ns, t_ns)
        if lane.flush_ns:
            queue.flushed_ns = _within_the_hour(queue.flushed_ns, t_ns)
            lane.flush_ns = 0

    def _failed(self, queue: Queue, record: Mapping[str, Any]) -> None:
        lane, t_ns = _lane(queue, record), int(record["t"])
        lane.failures += 1
        queue.failing_since_ns = queue.failing_since_ns or t_ns
        queue.error = str(record["error"])
        longest_ns = LONGEST_SEVERE_WAIT_NS if lane is queue.severe else LONGEST_WAIT_NS
        lane.wait_until_ns = t_ns + min(longest_ns, FIRST_WAIT_NS << min(lane.failures - 1, 20))
        lane.uncertain |= not record["refused"]
        if not lane.uncertain:
            # this and every earlier try was refused: the facts are free to go with others
            for n in lane.flight:
                own = queue.severe if n in self.facts and self.facts[n].passes else queue.routine
                own.waiting = sorted({*own.waiting, n})
            lane.flight = []

    def _forget(self) -> None:
        lanes = [lane for queue in self.queues.values() for lane in queue.lanes]
        wanted = {n for lane in lanes for n in (*lane.waiting, *lane.flight)}
        if len(wanted) < len(self.facts):
            self.facts = {n: fact for n, fact in self.facts.items() if n in wanted}

    # ---- what to send

    def due(self, notifier: str, now_ns: int, *, flush: bool = False) -> Batch | None:
        """Return the batch that this notifier should send now, or None.

        now_ns: UTC. flush: whether all that waits is to go now, in one digest, because the logger or this
        process stops.
        """
        queue = self.queues[notifier]
        return (
            self._due_severe(notifier, queue, now_ns)
            or self._due_again(notifier, queue, now_ns)
            or (self._due_flush(notifier, queue, now_ns) if flush else None)
            or self._due_routine(notifier, queue, now_ns)
        )

    def held_back(self, notifier: str, now_ns: int) -> tuple[int, int]:
        """Return how many facts wait for the cap on messages an hour, and UTC ns of the next message."""
        queue, count, next_ns = self.queues[notifier], 0, 0
        for lane, most in ((queue.severe, SEVERE_PER_HOUR), (queue.routine, self._alerts.per_hour)):
            recent = sorted(one for one in lane.sent_ns if abs(now_ns - one) < _HOUR_NS)
            if lane.waiting and len(recent) >= most:
                count += len(lane.waiting)
                free_ns = recent[len(recent) - most] + _HOUR_NS
                next_ns = min(next_ns or free_ns, free_ns)
        return count, next_ns

    def hurry(self) -> None:
        """Let every notifier try at once, whatever failed before."""
        for queue in self.queues.values():
            for lane in queue.lanes:
                lane.wait_until_ns = 0

    def _due_severe(self, notifier: str, queue: Queue, now_ns: int) -> Batch | None:
        lane = queue.severe
        if lane.is_waiting_until(now_ns):
            return None
        if lane.flight:
            return self._batch(notifier, lane, lane.flight)
        if not lane.waiting:
            return None
        used = lane.used(now_ns)
        if used >= SEVERE_PER_HOUR:
            lane.held = len(lane.waiting)
            return None
        groups = {self.facts[n].group for n in lane.waiting}
        along = [n for n in queue.routine.waiting if self.facts[n].group in groups]
        return self._batch(notifier, lane, [*lane.waiting, *along], last=used + 1 >= SEVERE_PER_HOUR)

    def _due_again(self, notifier: str, queue: Queue, now_ns: int) -> Batch | None:
        """Return the routine batch whose outcome is not known."""
        lane = queue.routine
        if not lane.flight or lane.is_waiting_until(now_ns):
            return None
        return self._batch(notifier, lane, lane.flight)

    def _due_flush(self, notifier: str, queue: Queue, now_ns: int) -> Batch | None:
        lane = queue.routine
        waiting = [*(() if queue.severe.flight else queue.severe.waiting), *lane.waiting]
        recent = sum(abs(now_ns - one) < _HOUR_NS for one in queue.flushed_ns)
        if not waiting or lane.flight or lane.is_waiting_until(now_ns) or recent >= FLUSHES_PER_HOUR:
            return None
        return self._batch(notifier, lane, waiting, flush_ns=now_ns)

    def _due_routine(self, notifier: str, queue: Queue, now_ns: int) -> Batch | None:
        lane = queue.routine
        if lane.flight or lane.is_waiting_until(now_ns):
            return None
        waiting = [self.facts[n] for n in lane.waiting]
        if not waiting:
            return None
        # a stamp from the future means that the clock was set back: wait no longer for it
        waited_ns = now_ns - min(fact.queued_ns for fact in waiting)
        if 0 <= waited_ns < self._alerts.gather_s * _SECOND:
            return None
        used = lane.used(now_ns)
        if used >= self._alerts.per_hour:
            lane.held = len(waiting)
            return None
        chosen = waiting
        late = lane.failures or lane.held or waited_ns > self._alerts.gather_s * _SECOND + LATE_NS
        if len(waiting) <= self._alerts.digest_after and not late:
            chosen = [fact for fact in waiting if fact.group == waiting[0].group]
        numbers = [fact.number for fact in chosen]
        return self._batch(notifier, lane, numbers, last=used + 1 >= self._alerts.per_hour)

    def _batch(
        self, notifier: str, lane: Lane, numbers: Sequence[int], *, last: bool = False, flush_ns: int = 0
    ) -> Batch:
        facts = sorted((self.facts[n] for n in numbers), key=lambda fact: (fact.t_ns, fact.number))
        named = f"{self._run} {notifier} {[(fact.number, fact.t_ns, fact.headline) for fact in facts]}"
        return Batch(
            notifier=notifier, key=hashlib.sha256(named.encode()).hexdigest()[:24], facts=tuple(facts),
            held=lane.held, dropped=lane.dropped, last=last, flush_ns=flush_ns,
            severe=lane is self.queues[notifier].severe,
        )  # fmt: skip


def _within_the_hour(times_ns: Sequence[int], t_ns: int) -> list[int]:
    """Return the times of the hour before one, and that one."""
    return [*(one for one in times_ns if abs(t_ns - one) < _HOUR_NS), t_ns]


def _lane(queue: Queue, record: Mapping[str, Any]) -> Lane:
    """Return the lane of a record; before there were two it was the routine one."""
    return queue.severe if record.get("lane") == SEVERE else queue.routine


def _kept(queue: Queue) -> dict[str, Any]:
    """Return what is kept of a queue, as JSON values: the routine lane as it was before there were two."""
    values: dict[str, Any] = plain(queue)
    values = {**values.pop("routine"), **values}
    del values["wait_until_ns"], values["severe"]["wait_until_ns"]
    return values


def _restored(values: Mapping[str, Any]) -> Queue:
    """Return the queue that ``_kept`` turned into these."""
    return made(Queue, {**values, "routine": values})
