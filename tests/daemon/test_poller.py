"""One thread per bus: what it asks, what it records of failures, how it comes back."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest

from drivers import Exchange
from rig.daemon.intake import Intake, Notice
from rig.daemon.poller import FastPollRequests
from rig.domain.model import EventKind, Scan, Status
from rig.errors import BusError, DeadlineError, InstrumentError, ReplyError
from tests.daemon.fakes import Gate, OneQuestion, Question, ScriptedWire, polled, poller


class Followed:
    """Runs a poller until what came out satisfies a condition."""

    def __init__(self, wire: ScriptedWire, *instruments: object) -> None:
        self.intake = Intake()
        self.poller = poller(wire, self.intake, *instruments)  # type: ignore[arg-type]
        self.items: list[Scan | Notice] = []

    def until(self, done: Callable[[], bool]) -> None:
        if not self.poller.is_alive():
            self.poller.start()
        for _ in range(400):
            self.items += self.intake.take(0.05)
            if done():
                return
        pytest.fail(f"it did not come to pass; seen: {self.items[-5:]}")

    def stop(self) -> None:
        self.poller.stop()
        self.poller.join(5)
        assert not self.poller.is_alive()
        self.items += self.intake.take(0.0)

    @property
    def scans(self) -> list[Scan]:
        return [item for item in self.items if isinstance(item, Scan)]

    def notices(self, kind: EventKind) -> list[Notice]:
        return [item for item in self.items if isinstance(item, Notice) and item.kind is kind]


def test_every_poll_becomes_a_scan_with_the_interval_of_its_exchange() -> None:
    wire = ScriptedWire(lambda _: "42.5")
    followed = Followed(wire, polled("meter"))
    followed.until(lambda: len(followed.scans) >= 5)
    followed.stop()
    assert wire.opens == 1, "an opening restarts many a device: the bus is opened once and kept"
    assert all(scan.values == (42.5,) and scan.statuses == b"\0" for scan in followed.scans)
    assert all(scan.sent_ns <= scan.received_ns for scan in followed.scans)
    times = [scan.sent_ns for scan in followed.scans]
    assert times == sorted(times)


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (DeadlineError("nothing came"), Status.NO_REPLY),
        (ReplyError("garbage"), Status.BAD_REPLY),
        (InstrumentError("illegal address"), Status.REFUSED),
        (BusError("gone"), Status.NO_REPLY),
    ],
)
def test_a_failed_poll_is_recorded_with_its_reason(error: BusError, status: Status) -> None:
    def fail(_exchange: Exchange) -> str:
        raise error

    followed = Followed(ScriptedWire(fail), polled("meter"))
    followed.until(lambda: len(followed.scans) >= 2)
    followed.stop()
    assert all(scan.statuses == bytes([status]) for scan in followed.scans)


def test_an_instrument_is_lost_once_and_back_once_with_the_cause() -> None:
    answers = iter([True] * 3 + [False] * 6)

    def sometimes(_exchange: Exchange) -> str:
        if not next(answers, True):
            raise DeadlineError("no reply within 50 ms")
        return "1"

    followed = Followed(ScriptedWire(sometimes), polled("meter"))
    followed.until(lambda: bool(followed.notices(EventKind.INSTRUMENT_BACK)))
    followed.stop()
    (lost,) = followed.notices(EventKind.INSTRUMENT_LOST)
    (back,) = followed.notices(EventKind.INSTRUMENT_BACK)
    assert "no reply within 50 ms" in lost.text
    assert back.data["failures"] == 6


def test_a_single_failed_poll_is_a_status_and_not_an_outage() -> None:
    answers = iter([True, False, True, True, True])

    def once(_exchange: Exchange) -> str:
        if not next(answers, True):
            raise DeadlineError("late")
        return "1"

    followed = Followed(ScriptedWire(once), polled("meter"))
    followed.until(lambda: len(followed.scans) >= 5)
    followed.stop()
    assert followed.notices(EventKind.INSTRUMENT_LOST) == []
    assert [scan.statuses[0] for scan in followed.scans].count(Status.NO_REPLY) == 1


def test_after_an_outage_the_instrument_is_introduced_again_before_it_is_polled() -> None:
    """It may have been switched off and on, or be another one."""
    driver = OneQuestion(opening=(Question(label="*IDN?", fields=()), Question(label="FORM ASC", fields=())))
    answers = iter([True] * 4 + [False] * 3)

    def sometimes(_exchange: Exchange) -> str:
        if not next(answers, True):
            raise DeadlineError("late")
        return "1"

    wire = ScriptedWire(sometimes)
    followed = Followed(wire, polled("scanner", driver=driver))
    followed.until(lambda: bool(followed.notices(EventKind.INSTRUMENT_BACK)))
    followed.stop()
    assert wire.asked[:3] == ["*IDN?", "FORM ASC", "Q?"]
    assert wire.asked.count("FORM ASC") == 2
    again = wire.asked.index("FORM ASC", 3)
    assert wire.asked[again + 1] == "Q?"


def test_a_connection_that_had_worked_is_opened_again_at_once_and_costs_no_reading() -> None:
    answers = iter([True, True, False])

    def sometimes(_exchange: Exchange) -> str:
        if not next(answers, True):
            raise BusError("connection reset")
        return "1"

    wire = ScriptedWire(sometimes)
    followed = Followed(wire, polled("meter"))
    followed.until(lambda: len(followed.scans) >= 8)
    followed.stop()
    assert wire.opens == 2
    assert wire.closes >= 2
    assert followed.notices(EventKind.INSTRUMENT_LOST) == []
    (told,) = followed.notices(EventKind.INSTRUMENT_REPORT)
    assert "connection reset" in told.text
    assert all(scan.statuses == bytes(len(scan.values)) for scan in followed.scans)


def test_a_connection_that_fails_again_at_once_counts_as_lost_and_waits() -> None:
    answers = iter([True, True, False, False])

    def sometimes(_exchange: Exchange) -> str:
        if not next(answers, True):
            raise BusError("connection reset")
        return "1"

    wire = ScriptedWire(sometimes)
    followed = Followed(wire, polled("meter"))
    followed.until(lambda: bool(followed.notices(EventKind.INSTRUMENT_BACK)))
    followed.stop()
    assert wire.opens == 3
    assert len(followed.notices(EventKind.INSTRUMENT_LOST)) == 1


def test_a_silent_instrument_is_asked_less_often_than_its_healthy_neighbour() -> None:
    def silent(exchange: Exchange) -> str:
        if exchange.label == "dead?":
            raise DeadlineError("nothing")
        return "1"

    wire = ScriptedWire(silent)
    dead = polled("dead", block=1, driver=OneQuestion(polls=(Question(label="dead?"),)))
    dead.backoff.cap_s = 5.0
    followed = Followed(wire, polled("healthy"), dead)
    followed.until(lambda: len(followed.scans) >= 60)
    followed.stop()
    assert wire.asked.count("dead?") < 10
    assert wire.asked.count("Q?") > 50


def test_the_error_queue_is_read_into_events_and_bounded() -> None:
    entries = iter(['-222,"Data out of range"', '-113,"Undefined header"', ""])

    def say(exchange: Exchange) -> str:
        return next(entries, "") if exchange.label == "SYST:ERR?" else "1"

    driver = OneQuestion(report=Question(label="SYST:ERR?", fields=()))
    followed = Followed(ScriptedWire(say), polled("scanner", driver=driver))
    followed.until(lambda: len(followed.scans) >= 2)
    followed.stop()
    texts = [notice.data["entry"] for notice in followed.notices(EventKind.INSTRUMENT_REPORT)]
    assert texts == ['-222,"Data out of range"', '-113,"Undefined header"']


def test_an_error_queue_that_never_empties_does_not_hold_the_bus() -> None:
    def say(exchange: Exchange) -> str:
        return '-350,"Queue overflow"' if exchange.label == "SYST:ERR?" else "1"

    driver = OneQuestion(report=Question(label="SYST:ERR?", fields=()))
    wire = ScriptedWire(say)
    followed = Followed(wire, polled("scanner", driver=driver))
    followed.until(lambda: len(followed.scans) >= 3)
    followed.stop()
    assert wire.asked.count("SYST:ERR?") == 20


def test_an_abandoned_poller_hands_over_nothing_any_more() -> None:
    gate = Gate()

    def stuck(_exchange: Exchange) -> str:
        gate.wait()
        return "666"

    followed = Followed(ScriptedWire(stuck), polled("meter"))
    followed.poller.start()
    assert gate.reached.wait(5)
    followed.poller.abandoned = True
    followed.poller.stop()
    gate.opened.set()
    followed.poller.join(5)
    assert followed.intake.take(0.0) == []


def test_an_unexpected_exception_ends_the_thread_and_is_kept() -> None:
    def bug(_exchange: Exchange) -> str:
        raise ZeroDivisionError("a bug in a driver")

    followed = Followed(ScriptedWire(bug), polled("meter"))
    followed.poller.start()
    followed.poller.join(5)
    assert isinstance(followed.poller.failure, ZeroDivisionError)


def test_asking_for_haste_shortens_the_period_and_it_returns() -> None:
    one = polled("meter", poll_s=60.0)
    one.fast_poll_s = 0.005
    requests = FastPollRequests()
    followed = Followed(ScriptedWire(), one)
    followed.poller._fast_requests = requests
    requests.ask("meter", followed.poller._clock.monotonic_ns() + 200_000_000)
    followed.until(lambda: len(followed.scans) >= 10)
    followed.until(lambda: one.cadence.period_ns == 60_000_000_000)
    followed.stop()
    assert followed.notices(EventKind.GAP) == []


def test_an_instrument_slower_than_its_polls_is_told_once_a_minute_with_the_number_passed_over() -> None:
    """What no desk check can know: how long the instrument really takes."""
    slow = threading.Event()

    def takes_its_time(_exchange: Exchange) -> str:
        slow.wait(0.055)
        return "1"

    one = polled("meter", poll_s=0.01)
    followed = Followed(ScriptedWire(takes_its_time), one)
    followed.until(lambda: len(followed.scans) >= 6)
    followed.stop()
    (told,) = followed.notices(EventKind.GAP)
    assert told.data["cause"] == "late"
    assert told.data["polls"] >= 4, "the first answer alone took five and a half periods"
    assert one.missed >= 4 * 4, "the others are counted until the minute is over"
    assert all(scan.statuses == b"\0" for scan in followed.scans)


def test_the_time_of_the_call_under_way_is_visible_to_the_supervisor() -> None:
    gate = Gate()

    def stuck(_exchange: Exchange) -> str:
        gate.wait()
        return "1"

    followed = Followed(ScriptedWire(stuck), polled("meter"))
    followed.poller.start()
    assert gate.reached.wait(5)
    assert followed.poller.deadline_ns > 0
    assert followed.poller.doing == "meter: Q?"
    gate.opened.set()
    followed.stop()
    assert followed.poller.deadline_ns == 0
    assert threading.active_count() < 20
