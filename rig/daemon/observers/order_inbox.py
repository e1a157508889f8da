"""Inbox of a session: takes orders, has them recorded, and clears them away.

An order is removed only when the event that answers it is durable; its id in that event keeps it from
being carried out twice after a crash in between.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Any, Protocol

from rig.clock import Clock
from rig.daemon.observers.record_observer import Announce
from rig.domain.model import Event, EventKind
from rig.domain.orders import Order, OrderKind
from rig.errors import StoreError
from rig.store import inbox
from rig.store.files import OS_DISK, Disk
from rig.store.rundir import RunDir
from rig.store.tail import Tail

LOOK_NS = 300_000_000
Handler = Callable[[Order], None]
"""Carries an order out and announces one event with ``order_data``; raises ValueError to refuse it."""


def order_data(order: Order) -> dict[str, Any]:
    """Return the data of every event that answers an order: its id, sender and time."""
    return {"order": order.id, "by": order.by, "asked_ns": order.asked_ns}


def carried_out(run: RunDir, disk: Disk = OS_DISK) -> frozenset[str]:
    """Return the ids of orders that are recorded in journals not sealed yet, if any order waits at all.

    What a session recorded and could not clear away any more stands in its last journal.
    """
    if not inbox.waiting(run, disk):
        return frozenset()
    events = Tail(run.path, disk=disk).poll().events
    return frozenset(str(event.data["order"]) for event in events if "order" in event.data)


class SyncedWriter(Protocol):
    """What knows how much of the record is durable."""

    @property
    def synced_seq(self) -> int:
        """Number of the first record that may not survive a power cut."""
        ...


class Inbox:
    """Observer that carries out the orders in a run's inbox.

    handlers: by kind. already: ids of orders that an earlier session recorded and could not clear away.
    """

    def __init__(
        self,
        *,
        run: RunDir,
        handlers: Mapping[OrderKind, Handler],
        announce: Announce,
        clock: Clock,
        writer: SyncedWriter,
        already: Collection[str] = (),
        disk: Disk = OS_DISK,
    ) -> None:
        self._run = run
        self._handlers = handlers
        self._announce = announce
        self._clock = clock
        self._writer = writer
        self._already = frozenset(already)
        self._disk = disk
        self._look_ns = 0
        self._under_way: dict[str, str] = {}
        self._recorded: dict[str, int] = {}

    def scan(self, scan: object) -> None:
        """Ignore readings."""

    def event(self, event: Event) -> None:
        """Note that the event which answers an order has been written."""
        name = self._under_way.pop(str(event.data.get("order", "")), None)
        if name is not None:
            self._recorded[name] = event.seq

    def close(self) -> None:
        """Clear away what is durable: what is left in the inbox at the end has not been carried out."""
        for name in [name for name, seq in self._recorded.items() if seq < self._writer.synced_seq]:
            inbox.done(self._run, name, self._disk)
            del self._recorded[name]

    def tick(self) -> None:
        """Clear away what is durable, and look for what is new. A disk that refuses is tried again."""
        now_ns = self._clock.monotonic_ns()
        if now_ns < self._look_ns:
            return
        self._look_ns = now_ns + LOOK_NS
        self.close()
        try:
            for name in inbox.waiting(self._run, self._disk):
                if name not in self._recorded and name not in self._under_way.values():
                    self._take(name)
        except (OSError, StoreError):
            return

    def _take(self, name: str) -> None:
        slip = inbox.read(self._run, name, self._disk)
        if slip.order is None:
            self._refuse(name, slip.fault, {})
            return
        order = slip.order
        if order.id in self._already:
            inbox.done(self._run, name, self._disk)
            return
        self._under_way[order.id] = name
        try:
            handler = self._handlers.get(order.kind)
            if handler is None:
                raise ValueError(f"no handler for {order.kind}")
            handler(order)
        except ValueError as error:
            del self._under_way[order.id]
            self._refuse(name, str(error), order_data(order) | {"deed": str(order.kind)})
        except StoreError:
            raise  # the disk's: it waits for the next session
        except Exception as error:
            # it must not end the recording now, and again at every start
            del self._under_way[order.id]
            reason = f"internal error of soakrig: {error!r}"
            self._refuse(name, reason, order_data(order) | {"deed": str(order.kind)})

    def _refuse(self, name: str, reason: str, data: Mapping[str, Any]) -> None:
        """Record why an order is refused, and leave the reason for its sender."""
        inbox.refuse(self._run, name, reason, self._disk)
        text = f"order refused: {reason} (inbox/{name})"
        # without the order's id under ``order``: it has not been carried out
        said = {key: value for key, value in data.items() if key != "order"}
        self._announce(EventKind.NOTE, "run", text, {**said, "refused": name, "reason": reason})
