"""Client of the order inbox: an order waits for the logger, or is carried out at once where none runs.

Without a logger a brief session without channels is opened that carries out all waiting orders.
"""

from __future__ import annotations

import getpass
import platform
import time
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from rig import __version__
from rig.clock import SYSTEM, Clock, wall_clock_synchronised
from rig.daemon.observers.order_inbox import Inbox, carried_out
from rig.daemon.order_handlers import OrderHandlers
from rig.daemon.resume import Keeper
from rig.domain.layout_json import layout_from_json
from rig.domain.model import EventKind
from rig.domain.orders import Order, OrderKind
from rig.errors import RunInUseError, StoreError, UsageError
from rig.store import inbox, recover, rundir
from rig.store.rundir import Lock, RunDir
from rig.store.writer import RunWriter

PATIENCE_S = 15.0
"""Longest wait for the logger's answer."""


def requester() -> str:
    """Return user@host of this process."""
    try:
        user = getpass.getuser()
    except (OSError, KeyError):
        user = "unknown"
    return f"{user}@{platform.node()}"


def ask(run: RunDir, kind: OrderKind, data: Mapping[str, Any], *, clock: Clock = SYSTEM) -> str:
    """Put an order, wait until it is carried out, and return how it was recorded.

    Raises UsageError with the reason if it was refused, StoreError if the run cannot be written.
    """
    asked_ns = clock.utc_ns()
    moment = datetime.fromtimestamp(asked_ns / 1e9, UTC)
    name = f"{moment:%Y%m%dT%H%M%S}-{moment.microsecond:06d}-{uuid.uuid4().hex[:8]}"
    slip = inbox.put(run, Order(id=name, kind=kind, by=requester(), asked_ns=asked_ns, data=data))
    until_ns = clock.monotonic_ns() + round(PATIENCE_S * 1e9)
    how = "recorded by the logger"
    while (said := inbox.answer(run, slip)) is None:
        if not rundir.is_held(run.path / rundir.LOCK):
            try:
                _carry_out(run, clock)
            except RunInUseError:
                continue  # a logger has just started; it will answer
            how = "recorded in a brief session of its own, no logger running"
        elif clock.monotonic_ns() > until_ns:
            return f"waiting in {run.folder(inbox.FOLDER)}: no answer from the logger within {PATIENCE_S:g} s"
        else:
            time.sleep(0.05)
    if said:
        raise UsageError(f"refused: {said}")
    return how


class _DirectAnnouncer:
    """Announcer that writes events at once, without a recorder."""

    def __init__(self, writer: RunWriter, clock: Clock) -> None:
        self._writer = writer
        self._clock = clock
        self.inbox: Inbox | None = None

    def __call__(
        self, kind: EventKind, subject: str, text: str, data: Mapping[str, Any], boot_ns: int | None = None
    ) -> None:
        """Write the event."""
        at_ns = self._clock.boot_ns() if boot_ns is None else boot_ns
        event = self._writer.event(kind, at_ns, subject, text, data)
        if self.inbox is not None:
            self.inbox.event(event)


def _carry_out(run: RunDir, clock: Clock) -> None:
    """Lock the run and carry out all orders in its inbox."""
    with Lock(run.path / rundir.LOCK).acquire("soakrig, carrying out an order"):
        sessions = rundir.read_sessions(run)
        if not sessions:
            raise StoreError(f"{run.path} has no session yet, so its units are unknown; start soakrig log")
        config = sessions[max(sessions)].facts.config
        layout = layout_from_json(rundir.frozen_layout(run, config))
        found = recover.recover(run)
        already = carried_out(run)
        number = rundir.next_session(run)
        keeper = Keeper(run, layout, None, requester())
        writer = RunWriter(
            run,
            session=number,
            boot_id=clock.boot_id(),
            boot_ns=clock.boot_ns(),
            utc_ns=clock.utc_ns(),
            synchronised=wall_clock_synchronised(),
            blocks=(),
            software=f"soakrig {__version__}",
            host=platform.node(),
            config=config,
        )
        say = _DirectAnnouncer(writer, clock)
        for one in found.events:
            say(one.kind, one.subject, one.text, one.data)
        say(
            EventKind.SESSION_START,
            "run",
            f"brief session {number} for an order by {requester()}",
            {"brief": True},
        )
        handlers = OrderHandlers(run=run, layout=layout, keeper=keeper, announce=say)
        box = Inbox(
            run=run,
            handlers=handlers.handlers(),
            announce=say,
            clock=clock,
            writer=writer,
            already=already,
        )
        say.inbox = box
        box.tick()
        say(
            EventKind.SESSION_STOP,
            "run",
            f"session {number} stopped: done",
            {"reason": "done", "brief": True},
        )
        writer.close()
        keeper.save()
        box.close()
