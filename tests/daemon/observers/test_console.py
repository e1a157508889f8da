"""The logger's own words on the console: what may want a person, and never at the recording's cost."""

from __future__ import annotations

import threading

from rig.daemon.observers.console import HOUR_NS, MOST, Console
from rig.domain.model import Event, EventKind
from tests.drivers.bus.scripted import ManualClock

T0 = 1_900_000_000 * 1_000_000_000


def event(
    kind: EventKind = EventKind.INSTRUMENT_LOST, text: str = "meter: no reply", second: int = 0
) -> Event:
    return Event(
        kind=kind,
        t_ns=T0 + second * 1_000_000_000,
        session=1,
        seq=second,
        subject="meter",
        text=text,
        data={},
    )


def test_what_may_want_a_person_is_said_with_its_time_and_nothing_else() -> None:
    said: list[str] = []
    console = Console(said.append, ManualClock())
    console.start()
    console.event(event())
    console.event(event(EventKind.HEALTH, "all is well"))
    console.event(event(EventKind.INSTRUMENT_BACK, "meter: answers again", second=5))
    console.close()
    assert said == ["17:46:40 UTC  meter: no reply", "17:46:45 UTC  meter: answers again"]


def test_a_channel_that_chatters_does_not_fill_the_log_and_is_heard_again_in_the_next_hour() -> None:
    said: list[str] = []
    clock = ManualClock()
    console = Console(said.append, clock)
    console.start()
    for k in range(3 * MOST):
        console.event(event(second=k))
        while len(said) < min(k + 1, MOST):
            threading.Event().wait(0.001)
    assert len(said) == MOST
    assert "more than" in said[-1]
    clock.advance(HOUR_NS / 1e9)
    console.event(event(text="once more"))
    console.close()
    assert said[-1].endswith("once more")


def test_a_console_that_takes_nothing_holds_nobody_up() -> None:
    stuck = threading.Event()

    def take_nothing(_line: str) -> None:
        stuck.wait()

    console = Console(take_nothing, ManualClock())
    console.start()
    for k in range(10 * MOST):
        console.event(event(second=k))
    console.close()
    stuck.set()
