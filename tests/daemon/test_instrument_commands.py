"""Commands go through the thread of their bus, between two polls, and each is answered for."""

from __future__ import annotations

import threading
from dataclasses import dataclass

import pytest

from drivers import Exchange
from rig.clock import SYSTEM
from rig.daemon.instrument_commands import CommandDispatch, CommandQueue, InstrumentCommand
from rig.daemon.intake import Intake
from rig.daemon.poller import Poller
from rig.errors import DeadlineError, InstrumentError
from tests.daemon.fakes import OneQuestion, Question, ScriptedWire, polled


@dataclass
class Told(Question):
    """A command without an answer."""

    fields: tuple[str, ...] = ()
    reply_bytes: int = 0


class Relay(OneQuestion):
    """A driver that can be told to do something."""

    def command(self, text: str) -> Exchange:
        if text == "dance":
            raise ValueError("a relay does not dance")
        return Told(label=text)


class Bench:
    """A poller of one relay that is polled once an hour, and a way to have it told things."""

    def __init__(self, wire: ScriptedWire, driver: Relay | None = None, poll_s: float = 3600.0) -> None:
        self.driver = driver or Relay()
        self.queue = CommandQueue()
        self.answers: list[tuple[str, str]] = []
        self.answered = threading.Semaphore(0)
        self.poller = Poller(
            bus="line", wire=wire, instruments=[polled("relay", driver=self.driver, poll_s=poll_s)],
            intake=Intake(), clock=SYSTEM, commands=self.queue,
        )  # fmt: skip
        self.dispatch = CommandDispatch(
            bus_of={"relay": "line"}, drivers_of={"relay": self.driver}, command_queues={"line": self.queue}
        )
        self.poller.start()

    def send(self, *commands: str) -> str:
        """Have commands sent; return what went wrong."""
        answers: list[str] = []

        def done(trouble: str, _boot_ns: int) -> None:
            answers.append(f"{threading.current_thread().name}|{trouble}")
            self.answered.release()

        self.dispatch.send("relay", commands, done)
        assert self.answered.acquire(timeout=10)
        thread, _, trouble = answers[0].partition("|")
        assert thread == "bus line"
        return trouble

    def stop(self) -> None:
        self.poller.stop()
        self.poller.join(5)
        assert not self.poller.is_alive()


def test_an_errand_does_not_wait_for_the_next_poll_and_is_done_by_the_buss_own_thread() -> None:
    wire = ScriptedWire()
    bench = Bench(wire)
    assert bench.send("OFF 1", "OFF 2") == ""
    assert [one for one in wire.asked if one.startswith("OFF")] == ["OFF 1", "OFF 2"]
    bench.stop()


def test_what_goes_wrong_is_said_and_the_polls_go_on() -> None:
    def say(exchange: Exchange) -> str:
        if exchange.label == "OFF 1":
            raise DeadlineError("no reply within 50 ms")
        if exchange.label == "OFF 2":
            raise InstrumentError("exception 2")
        return "1"

    wire = ScriptedWire(say)
    bench = Bench(wire, poll_s=0.01)
    assert "no reply" in bench.send("OFF 1")
    assert "exception 2" in bench.send("OFF 2")
    assert bench.send("OFF 3") == ""
    asked = len(wire.asked)
    for _ in range(500):
        if len(wire.asked) > asked + 3:
            break
        bench.answered.acquire(timeout=0.01)
    bench.stop()
    assert "Q?" in wire.asked[asked:]


def test_an_entry_in_the_error_queue_after_a_command_means_it_was_not_taken() -> None:
    entries = iter(["", "-113 Undefined header", ""])

    def say(exchange: Exchange) -> str:
        return next(entries, "") if exchange.label == "ERR?" else "1"

    driver = Relay(report=Told(label="ERR?", reply_bytes=9))
    bench = Bench(ScriptedWire(say), driver)
    assert bench.send("OPNE 1") == "-113 Undefined header"
    bench.stop()


def test_stopping_ends_a_long_wait_for_the_next_poll() -> None:
    wire = ScriptedWire()
    bench = Bench(wire)
    assert bench.send("OFF 1") == ""
    bench.stop()


def test_words_that_the_driver_refuses_never_reach_the_bus() -> None:
    queue = CommandQueue()
    dispatch = CommandDispatch(
        bus_of={"relay": "line"}, drivers_of={"relay": Relay()}, command_queues={"line": queue}
    )
    with pytest.raises(ValueError, match="does not dance"):
        dispatch.send("relay", ["dance"], lambda *_: None)
    assert queue.take() is None


def test_errands_are_taken_in_order() -> None:
    queue = CommandQueue()
    for name in "abc":
        queue.post(InstrumentCommand(instrument=name, exchanges=(), done=lambda *_: None))
    assert [one.instrument for one in iter(queue.take, None)] == ["a", "b", "c"]
