"""Orders are carried out once, whatever happens between the record and the inbox."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from rig.daemon.observers.order_inbox import Inbox, carried_out, order_data
from rig.domain.model import Event, EventKind
from rig.domain.orders import Order, OrderKind
from rig.store import inbox, rundir
from rig.store.rundir import RunDir
from tests.drivers.bus.scripted import ManualClock


@pytest.fixture
def run(tmp_path: Path) -> RunDir:
    return rundir.create(tmp_path, rig="room", created_ns=10**18, software="test")


@dataclass
class Desk:
    """An inbox whose recorder and disk the test plays. ``synced_seq``: first record that is not durable."""

    run: RunDir
    already: tuple[str, ...] = ()
    synced_seq: int = 0
    said: list[tuple[EventKind, str, dict[str, Any]]] = field(default_factory=list)
    clock: ManualClock = field(default_factory=ManualClock)

    def __post_init__(self) -> None:
        self.inbox = Inbox(
            run=self.run, handlers={OrderKind.NOTE: self._note}, announce=self._announce, clock=self.clock,
            writer=self, already=self.already,
        )  # fmt: skip

    def _note(self, order: Order) -> None:
        if order.text_of("text") == "nonsense":
            raise ValueError("it makes no sense")
        if order.text_of("text") == "bug":
            raise ZeroDivisionError("a bug in a deed")
        self._announce(EventKind.NOTE, "run", order.text_of("text"), order_data(order))

    def _announce(
        self, kind: EventKind, subject: str, text: str, data: Any, boot_ns: int | None = None
    ) -> None:
        self.said.append((kind, text, dict(data)))

    def record(self, seq: int) -> None:
        """Let the last thing that was said be written."""
        kind, text, data = self.said[-1]
        self.inbox.event(Event(kind=kind, t_ns=0, session=1, seq=seq, subject="run", text=text, data=data))

    def look(self) -> None:
        self.clock.advance(1.0)
        self.inbox.tick()

    def waiting(self) -> list[str]:
        return inbox.waiting(self.run)


def order(text: str = "touched the fan", name: str = "20260301T130500-000000-ab") -> Order:
    return Order(id=name, kind=OrderKind.NOTE, by="eve@rack", asked_ns=7, data={"text": text})


def test_an_order_is_removed_only_when_its_event_is_durable(run: RunDir) -> None:
    desk = Desk(run)
    inbox.put(run, order())
    desk.look()
    assert [text for _, text, _ in desk.said] == ["touched the fan"]
    desk.look()
    desk.record(seq=41)
    desk.synced_seq = 41
    desk.look()
    assert desk.waiting() != []
    desk.synced_seq = 42
    desk.look()
    assert desk.waiting() == []
    assert len(desk.said) == 1


def test_what_an_earlier_session_recorded_is_cleared_away_and_not_done_again(run: RunDir) -> None:
    inbox.put(run, order())
    desk = Desk(run, already=(order().id,))
    desk.look()
    assert desk.said == []
    assert desk.waiting() == []


def test_a_refused_order_is_told_to_whoever_waits_and_recorded(run: RunDir) -> None:
    name = inbox.put(run, order("nonsense"))
    desk = Desk(run)
    desk.look()
    ((kind, text, data),) = desk.said
    assert kind is EventKind.NOTE
    assert "it makes no sense" in text
    assert data["refused"] == name
    assert "order" not in data
    assert inbox.answer(run, name) == "it makes no sense"


def test_a_deed_that_nobody_here_does_is_refused(run: RunDir) -> None:
    name = inbox.put(run, Order(id="20260301T130500-000000-ab", kind=OrderKind.SWAP, by="e", asked_ns=0))
    desk = Desk(run)
    desk.look()
    assert "no handler for swap" in (inbox.answer(run, name) or "")


def test_an_order_that_meets_a_bug_is_refused_and_neither_ends_the_recording_nor_waits_for_the_next(
    run: RunDir,
) -> None:
    name = inbox.put(run, order("bug"))
    desk = Desk(run)
    desk.look()
    assert inbox.answer(run, name) == "internal error of soakrig: ZeroDivisionError('a bug in a deed')"
    assert desk.waiting() == []
    inbox.put(run, order("well"))
    desk.look()
    assert desk.said[-1][1] == "well"


def test_a_disk_that_refuses_to_be_looked_at_is_tried_again(run: RunDir) -> None:
    inbox.put(run, order())
    folder, aside = run.folder("inbox"), run.path / "aside"
    folder.rename(aside)
    folder.write_text("not a folder")
    desk = Desk(run)
    desk.look()
    assert desk.said == []
    folder.unlink()
    aside.rename(folder)
    desk.look()
    assert len(desk.said) == 1


def test_nothing_is_looked_up_in_the_journals_where_no_order_waits(run: RunDir) -> None:
    assert carried_out(run) == frozenset()
