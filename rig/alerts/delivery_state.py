"""Delivery state of each notifier: facts waiting, the batch under way, and when to try again.

Values in, values out. Every change is a record (a JSON mapping) for ``DeliveryState.apply``, so that the
same records read back from disk give the same state; see ``outbox``.

Delivery is at least once. Before a batch is sent its content is fixed under a key made from run, notifier
and facts. A refusal dissolves the batch: its facts may go with others next time. Where it is unknown
whether it arrived (cut off, process killed) the same batch is sent again under the same key, so that a
receiver can recognise the duplicate.
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
FIRST_WAIT_NS: Final = 5 * _SECOND
LONGEST_WAIT_NS: Final = 900 * _SECOND
"""Waits between tries double from the first to the longest, and then go on without end."""
LATE_NS: Final = 60 * _SECOND
"""Facts that have waited for longer than this beyond the gathering all go in one message."""
MOST_WAITING: Final = 1000
"""Facts that may wait for one notifier; beyond it, those in the middle are dropped and counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Facts sent together by one notifier, under one key.

    held: how many of them waited for the cap on messages an hour; dropped: facts left out before it.
    last: whether it uses up this hour's messages.
    """

    notifier: str
    key: str
    facts: tuple[Fact, ...]
    held: int = 0
    dropped: int = 0
    last: bool = False


@dataclass(slots=True, kw_only=True)
class Queue:
    """State of one notifier. Times: UTC ns.

    flight: numbers of the facts of the batch last sent; uncertain: whether it may have arrived. held: facts
    that wait for the cap. wait_until_ns: not before; it is not kept, so a new process tries at once.
    """

    waiting: list[int] = field(default_factory=list)
    flight: list[int] = field(default_factory=list)
    uncertain: int = 0
    held: int = 0
    dropped: int = 0
    sent_ns: list[int] = field(default_factory=list)
    failures: int = 0
    failing_since_ns: int = 0
    error: str = ""
    delivered_ns: int = 0
    tested_ns: int = 0
    test_ok_ns: int = 0
    wait_until_ns: int = 0


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
        }

    def _restore(self, record: Mapping[str, Any]) -> None:
        facts = made(list[Fact], record["facts"])
        queues = made(dict[str, Queue], record["queues"])
        self.next_number = int(record["next"])
        session, seq = record["position"]
        self.position = (int(session), int(seq))
        self.alarms = dict(record["incidents"])
        self.facts = {fact.number: fact for fact in facts}
        self.queues = {name: queues.get(name, Queue()) for name in self._alerts.notifiers}

    def _seen(self, record: Mapping[str, Any]) -> None:
        facts = made(list[Fact], record["facts"])
        session, seq = record["position"]
        self.position = (int(session), int(seq))
        self.next_number = int(record["next"])
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
        queue.waiting.append(fact.number)
        if fact.what == "test":
            queue.tested_ns = fact.queued_ns
        if len(queue.waiting) > MOST_WAITING:
            # the first and the latest say more than those between
            del queue.waiting[MOST_WAITING // 2]
            queue.dropped += 1

    def _sending(self, queue: Queue, record: Mapping[str, Any]) -> None:
        # sent again without an outcome: a process ended in between
        queue.uncertain |= bool(queue.flight)
        queue.flight = [int(n) for n in record["facts"]]
        queue.waiting = [n for n in queue.waiting if n not in queue.flight]

    def _sent(self, queue: Queue, record: Mapping[str, Any]) -> None:
        t_ns = int(record["t"])
        if any(self.facts[n].what == "test" for n in queue.flight if n in self.facts):
            queue.test_ok_ns = t_ns
        queue.flight, queue.uncertain, queue.held, queue.dropped = [], 0, 0, 0
        queue.failures, queue.failing_since_ns, queue.wait_until_ns = 0, 0, 0
        queue.error, queue.delivered_ns = str(record.get("note", "")), t_ns
        queue.sent_ns = [*(one for one in queue.sent_ns if abs(t_ns - one) < _HOUR_NS), t_ns]

    def _failed(self, queue: Queue, record: Mapping[str, Any]) -> None:
        t_ns = int(record["t"])
        queue.failures += 1
        queue.failing_since_ns = queue.failing_since_ns or t_ns
        queue.error = str(record["error"])
        queue.wait_until_ns = t_ns + min(LONGEST_WAIT_NS, FIRST_WAIT_NS << min(queue.failures - 1, 20))
        queue.uncertain |= not record["refused"]
        if not queue.uncertain:
            # this and every earlier try was refused: the facts are free to go with others
            queue.waiting = sorted({*queue.flight, *queue.waiting})
            queue.flight = []

    def _forget(self) -> None:
        wanted = {n for queue in self.queues.values() for n in (*queue.waiting, *queue.flight)}
        if len(wanted) < len(self.facts):
            self.facts = {n: fact for n, fact in self.facts.items() if n in wanted}

    # ---- what to send

    def due(self, notifier: str, now_ns: int) -> Batch | None:
        """Return the batch that this notifier should send now, or None. ``now_ns``: UTC."""
        queue = self.queues[notifier]
        if 0 < queue.wait_until_ns - now_ns <= LONGEST_WAIT_NS:
            return None
        if queue.flight:
            return self._batch(notifier, queue, queue.flight)
        waiting = [self.facts[n] for n in queue.waiting]
        if not waiting:
            return None
        # a stamp from the future means that the clock was set back: wait no longer for it
        waited_ns = now_ns - min(fact.queued_ns for fact in waiting)
        if 0 <= waited_ns < self._alerts.gather_s * _SECOND:
            return None
        if self._used(queue, now_ns) >= self._alerts.per_hour:
            queue.held = len(waiting)
            return None
        chosen = waiting
        late = queue.failures or queue.held or waited_ns > self._alerts.gather_s * _SECOND + LATE_NS
        if len(waiting) <= self._alerts.digest_after and not late:
            chosen = [fact for fact in waiting if fact.group == waiting[0].group]
        last = self._used(queue, now_ns) + 1 >= self._alerts.per_hour
        return self._batch(notifier, queue, [fact.number for fact in chosen], last=last)

    @staticmethod
    def _used(queue: Queue, now_ns: int) -> int:
        return sum(abs(now_ns - one) < _HOUR_NS for one in queue.sent_ns)

    def _batch(self, notifier: str, queue: Queue, numbers: Sequence[int], *, last: bool = False) -> Batch:
        facts = sorted((self.facts[n] for n in numbers), key=lambda fact: (fact.t_ns, fact.number))
        named = f"{self._run} {notifier} {[(fact.number, fact.t_ns, fact.headline) for fact in facts]}"
        return Batch(
            notifier=notifier, key=hashlib.sha256(named.encode()).hexdigest()[:24], facts=tuple(facts),
            held=queue.held, dropped=queue.dropped, last=last,
        )  # fmt: skip


def _kept(queue: Queue) -> dict[str, Any]:
    """Return what is kept of a queue, as JSON values."""
    values: dict[str, Any] = plain(queue)
    del values["wait_until_ns"]
    return values
