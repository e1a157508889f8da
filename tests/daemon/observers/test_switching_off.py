"""The shell of switching off: which events trip it, what confirms it, what the buses answer."""

from __future__ import annotations

import math
from typing import Any

import pytest

from rig.daemon.instrument_commands import Done
from rig.daemon.observers.switching_off import SwitchingOff
from rig.domain.model import Channel, ChannelKind, Event, EventKind, Scan, Status
from rig.domain.switching import SwitchOff, SwitchState
from tests.drivers.bus.scripted import ManualClock

SPEC = SwitchOff(
    unit="A1", instrument="relay", commands=("OFF 1",), channel="A1.amps",
    low=-math.inf, high=0.05, within_s=2.0, tries=2,
)  # fmt: skip
CHANNELS = {
    name: Channel(
        name=name, unit_of_measure="A", unit=name[:2] if "." in name else None, kind=ChannelKind.RESPONSE
    )
    for name in ("A1.amps", "A1.heat", "A2.heat", "mains")
}


class Rack:
    """A switching-off whose bus and clock the test plays."""

    def __init__(self) -> None:
        self.clock = ManualClock()
        self.said: list[tuple[str, str]] = []
        self.sent: list[Done] = []
        self.refuse = False
        self.switching = SwitchingOff(
            specs={"A1": SPEC}, channels=CHANNELS, blocks=[("A1.amps", "mains")], send=self._send,
            announce=self._announce, clock=self.clock,
        )  # fmt: skip

    def _send(self, instrument: str, commands: Any, done: Done) -> None:
        assert (instrument, tuple(commands)) == ("relay", ("OFF 1",))
        if self.refuse:
            raise ValueError("no such words")
        self.sent.append(done)

    def _announce(
        self, kind: EventKind, subject: str, text: str, data: Any, boot_ns: int | None = None
    ) -> None:
        assert (kind, subject) == (EventKind.SWITCH, "A1")
        self.said.append((data["what"], text))

    def trip(
        self, channel: str = "A1.heat", kind: EventKind = EventKind.LIMIT_OUT, trip: object = True
    ) -> None:
        self.switching.event(
            Event(kind=kind, t_ns=0, session=1, seq=0, subject=channel, text="hot", data={"trip": trip})
        )

    def answer(self, trouble: str = "") -> None:
        self.sent[-1](trouble, self.clock.boot_ns())
        self.switching.tick()

    def reads(self, amps: float, status: Status = Status.GOOD, ago_s: float = 0.0) -> None:
        t_ns = self.clock.boot_ns() - round(ago_s * 1e9)
        self.switching.scan(
            Scan(block=0, sent_ns=t_ns, received_ns=t_ns, values=(amps, 230.0), statuses=bytes([status, 0]))
        )

    def wait(self, seconds: float) -> None:
        self.clock.advance(seconds)
        self.switching.tick()

    @property
    def state(self) -> str:
        return str(self.switching._now["A1"].state)


def test_the_ordinary_course() -> None:
    rack = Rack()
    rack.trip()
    rack.answer()
    rack.wait(0.5)
    rack.reads(0.01)
    assert [what for what, _ in rack.said] == ["ordered", "sent", "confirmed"]
    assert rack.said[-1][1] == "A1 is off: A1.amps reads 0.01 A (off: A1.amps below 0.05 A)"


@pytest.mark.parametrize(
    "event",
    [
        {"channel": "A2.heat"},  # it has no switch-off
        {"channel": "mains"},  # the room's own
        {"channel": "A9.heat"},
        {"kind": EventKind.EARLY_OUT},
        {"trip": False},
        {"trip": "yes"},
    ],
)
def test_only_a_trip_limit_of_the_unit_itself_trips_it(event: dict[str, Any]) -> None:
    rack = Rack()
    rack.trip(**event)
    assert rack.said == []


def test_a_reading_from_before_the_command_or_without_value_confirms_nothing() -> None:
    rack = Rack()
    rack.trip()
    rack.answer()
    rack.reads(0.0, ago_s=0.1)
    rack.reads(math.nan, Status.NO_REPLY)
    rack.reads(0.0, Status.SUSPECT)
    assert rack.state == SwitchState.SENT


def test_no_confirmation_in_time_is_tried_again_and_at_last_told() -> None:
    rack = Rack()
    rack.trip()
    rack.answer()
    rack.wait(2.1)
    assert len(rack.sent) == 2
    rack.answer("no reply within 1 s")
    rack.wait(2.1)
    assert [what for what, _ in rack.said] == ["ordered", "sent", "ordered", "refused", "failed"]
    assert "could NOT be switched off in 2 tries" in rack.said[-1][1]
    # a late effect, a fuse or a person: it is seen off all the same
    rack.reads(0.0)
    assert rack.said[-1][0] == "confirmed"


def test_the_answer_to_an_earlier_try_is_not_that_to_the_present_one() -> None:
    rack = Rack()
    rack.trip()
    rack.wait(2.1)
    first, second = rack.sent
    first("", rack.clock.boot_ns())
    rack.switching.tick()
    assert rack.state == SwitchState.ORDERED
    second("", rack.clock.boot_ns())
    rack.switching.tick()
    assert rack.state == SwitchState.SENT


def test_a_bus_that_never_answers_ends_in_failed_and_words_it_refuses_do_too() -> None:
    for refuse in (False, True):
        rack = Rack()
        rack.refuse = refuse
        rack.trip()
        for _ in range(4):
            rack.wait(2.1)
        assert rack.state == SwitchState.FAILED


def test_a_unit_switched_on_again_is_told_and_trips_again() -> None:
    rack = Rack()
    rack.trip()
    rack.answer()
    rack.reads(0.0)
    rack.trip()
    assert len(rack.sent) == 1
    rack.reads(1.2)
    assert rack.said[-1] == ("on", "A1 is on again: A1.amps reads 1.2 A")
    rack.trip()
    assert len(rack.sent) == 2
