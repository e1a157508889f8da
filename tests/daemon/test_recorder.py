"""The thread that writes: what reaches the disk when, and in which order."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from typing import Any

import pytest

from rig.daemon.intake import Intake, Notice
from rig.daemon.observers.record_observer import RecordObserver
from rig.daemon.recorder import Recorder
from rig.domain.derived import DerivedChannels
from rig.domain.limit_evaluation import Evaluation
from rig.domain.model import Channel, ChannelKind, Event, EventKind, Limit, Scan, Side
from tests.drivers.bus.scripted import ManualClock

HEAT = Channel(
    name="A1.heatsink",
    unit_of_measure="degC",
    unit="A1",
    kind=ChannelKind.RESPONSE,
    formula="1",
    silence_s=1e6,
    limits=(Limit(side=Side.HIGH, value=95.0, early=85.0, deadband=2.0, on_delay_s=5.0),),
)
BLOCKS = [(HEAT.name,)]


class Book:
    """A writer that notes each of its calls, in order."""

    def __init__(self) -> None:
        self.calls: list[str] = []

    def scans(self, scans: Sequence[Scan]) -> None:
        self.calls += [f"{scan.values[0]:g}" for scan in scans]

    def event(self, kind: EventKind, boot_ns: int, subject: str, text: str, data: Mapping[str, Any]) -> Event:
        self.calls.append(str(kind))
        return Event(kind=kind, t_ns=boot_ns, session=1, seq=0, subject=subject, text=text, data=data)

    def sync(self) -> None:
        self.calls.append("sync")


class Fragile:
    """An attendant with a bug in one of its deeds."""

    def __init__(self, call: str) -> None:
        self.call = call
        self.seen: list[str] = []

    def _note(self, call: str) -> None:
        self.seen.append(call)
        if call == self.call:
            raise ZeroDivisionError("a bug")

    def scan(self, _scan: Scan) -> None:
        self._note("scan")

    def event(self, _event: Event) -> None:
        self._note("event")

    def tick(self) -> None:
        self._note("tick")

    def close(self) -> None:
        self._note("close")


class Desk:
    """A recorder whose time and readings the test plays: a turn every tenth of a second."""

    def __init__(
        self, *observers: RecordObserver, sync_s: float = 1.0, essential: RecordObserver | None = None
    ) -> None:
        self.clock, self.book, self.intake = ManualClock(), Book(), Intake()
        self.recorder = Recorder(
            intake=self.intake, writer=self.book, clock=self.clock, sync_s=sync_s,
            evaluation=Evaluation(BLOCKS, {HEAT.name: HEAT}, self.clock.boot_ns()),
            derived=DerivedChannels(BLOCKS, {}), observers=observers, essential=essential,
        )  # fmt: skip

    def hand_in(self, heat: float) -> None:
        now_ns = self.clock.boot_ns()
        scan = Scan(block=0, sent_ns=now_ns, received_ns=now_ns, values=(heat,), statuses=b"\0")
        self.intake.scan(scan, "meter")

    def turns(self, *heats: float) -> list[str]:
        """Return what the writer was asked to do while one reading came each tenth of a second."""
        self.book.calls.clear()
        for heat in heats:
            self.clock.advance(0.1)
            self.hand_in(heat)
            self.recorder.turn(0.0)
        return self.book.calls.copy()


def test_while_all_is_calm_no_reading_waits_longer_than_the_rig_file_says() -> None:
    desk = Desk(sync_s=1.0)
    desk.turns(*[60.0] * 40)
    assert desk.book.calls.count("sync") == 4
    waiting = longest = 0
    for call in desk.book.calls:
        waiting = 0 if call == "sync" else waiting + 1
        longest = max(longest, waiting)
    assert longest == 10, "readings of one second at ten a second"


def test_from_a_units_first_crossing_on_every_reading_is_synced_at_once() -> None:
    desk = Desk()
    desk.turns(*[60.0] * 3)
    # out, long before its on-delay makes it count; and it stays so when it is back inside
    assert desk.turns(96.0, 97.0, 60.0, 61.0) == [
        "96", "early-out", "sync", "97", "sync", "60", "early-in", "sync", "61", "sync",
    ]  # fmt: skip


def test_an_early_warning_alone_hurries_nothing() -> None:
    assert "sync" not in Desk().turns(60.0, 86.0, 87.0, 60.0)


def test_a_reading_is_written_before_it_is_judged_and_an_event_keeps_its_place_among_readings() -> None:
    desk = Desk()
    desk.clock.advance(0.1)
    desk.hand_in(60.0)
    now_ns = desk.clock.boot_ns()
    desk.intake.notice(Notice(kind=EventKind.NOTE, boot_ns=now_ns, subject="run", text="touched", data={}))
    desk.hand_in(86.0)
    desk.recorder.turn(0.0)
    assert desk.book.calls == ["60", "note", "86", "early-out"]


def test_nothing_is_synced_where_nothing_was_written() -> None:
    desk = Desk()
    for _ in range(30):
        desk.clock.advance(0.1)
        desk.recorder.turn(0.0)
    assert desk.book.calls == []
    assert desk.recorder.progress_ns >= desk.clock.boot_ns() - 1_000_000_000, "an idle disk is no stalled one"


@pytest.mark.parametrize("call", ["scan", "event", "tick", "close"])
def test_an_attendant_that_fails_is_left_out_and_told_and_costs_no_reading(call: str) -> None:
    fragile, sound = Fragile(call), Fragile("none")
    desk = Desk(fragile, sound)
    calls = desk.turns(60.0, 86.0, 87.0)
    ended = threading.Event()
    ended.set()
    desk.recorder.run(ended)
    assert [call for call in calls if call[0].isdigit()] == ["60", "86", "87"]
    assert desk.book.calls.count("logger-fault") == 1
    assert fragile.seen.count(call) == 1, "nobody asks it again"
    assert sound.seen.count("scan") == 3
    assert sound.seen.count("event") == 2, "the early warning, and that the other was left out"
    assert sound.seen.count("close") == 1


def test_the_failure_of_the_one_attendant_that_a_session_is_for_ends_it() -> None:
    preflight = Fragile("scan")
    with pytest.raises(ZeroDivisionError):
        Desk(preflight, essential=preflight).turns(60.0)
