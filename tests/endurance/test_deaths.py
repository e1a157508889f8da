"""Who failed: a person's word, or a suspicion that nothing explained or took back; nothing else counts."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rig.domain.accounting import LevelPlan
from rig.domain.model import Event, EventKind, Signals, Status
from rig.domain.operating_state import Certainty
from rig.endurance.deaths import deaths, suspects, until_death
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Installation
from tests.endurance.rooms import Room, at, channel, event, limit, series, session

WANTED = Signals(
    output=LevelPlan(channel="{unit}.v", on_above=5, off_below=3),
    drive=LevelPlan(channel="level", on_above=0.5, off_below=0.3),
)
T = np.arange(0, 600.0)


def room(
    volts: np.ndarray,
    drive: float | np.ndarray = 1.0,
    *events: Event,
    status: Any = None,
    signals: Signals = WANTED,
) -> Room:
    return Room(
        channels=[channel("level"), channel("A1.v"), channel("A1.heat", limit("high", 95), uom="degC")],
        data={
            "level": series("level", T, drive),
            "A1.v": series("A1.v", T, volts, status=status),
            "A1.heat": series("A1.heat", T, 70.0),
        },
        happened=events,
        signals=signals,
    )


def test_no_output_to_the_end_though_driven_is_a_death_at_the_moment_it_ended() -> None:
    (death,) = deaths(HeldReadings(room(np.where(T < 400, 20.0, 0.0))))
    assert death.serial == "SA1"
    assert death.t_ns == pytest.approx(at(400), abs=1.5e9)
    assert "no output for 1 min (A1.v)" in death.text
    assert death.certainty is Certainty.POSSIBLE, "its supply is not read"


def test_a_unit_that_came_back_is_not_dead() -> None:
    assert deaths(HeldReadings(room(np.where((T > 300) & (T < 500), 0.0, 20.0)))) == []


def test_less_than_the_asked_time_without_output_is_no_death_yet() -> None:
    assert deaths(HeldReadings(room(np.where(T < 560, 20.0, 0.0)))) == []


def test_a_unit_that_is_not_driven_any_more_is_not_dead() -> None:
    assert deaths(HeldReadings(room(np.where(T < 400, 20.0, 0.0), np.where(T < 400, 1.0, 0.0)))) == []


def test_a_meter_that_stops_answering_kills_nobody() -> None:
    silent = np.where(T < 400, Status.GOOD, Status.NO_REPLY)
    assert deaths(HeldReadings(room(np.full(600, 20.0), 1.0, status=silent))) == []


def test_a_unit_that_never_gave_output_is_not_said_to_have_died() -> None:
    assert deaths(HeldReadings(room(np.zeros(600)))) == []


def test_without_levels_only_a_person_can_say_so() -> None:
    assert deaths(HeldReadings(room(np.where(T < 400, 20.0, 0.0), signals=Signals()))) == []


@pytest.mark.parametrize(
    ("said", "when_s"),
    [
        ({"died": True, "unit": "A1"}, 450),
        ({"died": True, "serial": "SA1"}, 450),
        ({"died": True, "unit": "A1", "at_ns": at(333)}, 333),
    ],
)
def test_a_person_s_word_counts(said: dict[str, Any], when_s: float) -> None:
    note = event(EventKind.NOTE, 450, "run", "smoke", **said)
    (death,) = deaths(HeldReadings(room(np.full(600, 20.0), 1.0, note)))
    assert (death.t_ns, death.text) == (at(when_s), "noted by a person: smoke")


@pytest.mark.parametrize(
    "said", [{"died": False, "unit": "A1"}, {"died": True, "unit": "A2"}, {"unit": "A1"}, {"died": "yes"}]
)
def test_other_notes_kill_nobody(said: dict[str, Any]) -> None:
    note = event(EventKind.NOTE, 450, "A1", "smoke", **{"unit": "A9", **said})
    assert deaths(HeldReadings(room(np.full(600, 20.0), 1.0, note))) == []


def test_the_earlier_of_two_ways_of_knowing_is_told() -> None:
    note = event(EventKind.NOTE, 500, "A1", "dead", died=True)
    (death,) = deaths(HeldReadings(room(np.where(T < 400, 20.0, 0.0), 1.0, note)))
    assert death.t_ns == pytest.approx(at(400), abs=1.5e9)
    assert death.certainty is Certainty.CERTAIN


def test_after_a_swap_the_new_serial_number_is_alive() -> None:
    swap = event(EventKind.UNIT, 500, "A1", "swapped", serial="0099")
    volts = np.where((T > 400) & (T < 501), 0.0, 20.0)
    (death,) = deaths(HeldReadings(room(volts, 1.0, swap)))
    assert death.serial == "SA1"


def test_out_of_limit_to_the_end_is_suspected_and_no_death() -> None:
    out = event(EventKind.LIMIT_OUT, 300, "A1.heat", side="high")
    readings = HeldReadings(room(np.full(600, 20.0), 1.0, out))
    assert deaths(readings) == []
    (one,) = suspects(readings)
    assert (one.serial, one.channels, one.t_ns) == ("SA1", ("A1.heat",), at(300))


def test_back_inside_is_not_suspected() -> None:
    events = (
        event(EventKind.LIMIT_OUT, 300, "A1.heat", side="high"),
        event(EventKind.LIMIT_IN, 400, "A1.heat", side="high"),
    )
    assert suspects(HeldReadings(room(np.full(600, 20.0), 1.0, *events))) == []


def test_what_a_restart_does_not_find_out_any_more_is_not_suspected() -> None:
    out = event(EventKind.LIMIT_OUT, 300, "A1.heat", side="high")
    again = event(EventKind.SESSION_START, 400, "run", "session begins")
    assert suspects(HeldReadings(room(np.full(600, 20.0), 1.0, out, again))) == []


def test_a_restart_that_reads_nothing_of_a_unit_makes_nobody_healthy() -> None:
    out = event(EventKind.LIMIT_OUT, 300, "A1.heat", side="high")
    again = event(EventKind.SESSION_START, 700, "run", "session begins", session=2)
    silent = room(np.full(600, 20.0), 1.0, out, again)
    silent.to_ns = at(800)
    (one,) = suspects(HeldReadings(silent))
    assert (one.serial, one.t_ns) == ("SA1", at(300))


def noted_later(*happened: Event) -> Room:
    """Return a room that was stopped after 600 s, and of which something was said a day later."""
    day = 86400.0
    dead = room(np.full(600, 20.0), 1.0, event(EventKind.LIMIT_OUT, 300, "A1.heat", side="high"))
    brief = event(EventKind.SESSION_START, day, "run", session=2, brief=True)
    dead.happened = (*dead.happened, brief, *happened)
    dead.lived = [session(1, 0, 599), replace(session(2, day, day + 1), brief=True)]
    return dead


def test_what_is_said_after_the_end_of_a_run_makes_it_no_longer_and_nobody_healthy() -> None:
    readings = HeldReadings(noted_later(event(EventKind.NOTE, 86400.0, "A1", "smells", session=2)))
    assert readings.span_ns == (at(0), at(599))
    (one,) = suspects(readings)
    assert one.serial == "SA1"


def test_a_unit_taken_out_after_the_end_of_a_run_is_suspected_under_its_own_serial_number() -> None:
    swap = event(EventKind.UNIT, 86400.0, "A1", "swapped", session=2, before="SA1", serial="0099")
    readings = HeldReadings(noted_later(swap))
    assert [(one.serial, one.end_ns) for one in readings.installations()] == [("SA1", at(599))]
    (one,) = suspects(readings)
    assert one.serial == "SA1"


def test_a_death_that_is_noted_after_the_end_of_a_run_counts_at_its_end() -> None:
    note = event(EventKind.NOTE, 86400.0, "A1", "seized", session=2, unit="A1", died=True)
    (death,) = deaths(HeldReadings(noted_later(note)))
    assert (death.serial, death.t_ns) == ("SA1", at(599))


SWAP: dict[str, Any] = {"before": "SA1", "serial": "0099"}


@pytest.mark.parametrize(
    ("died_s", "serial"),
    [(200, "SA1"), (299, "SA1"), (300, "SA1"), (301, "0099"), (700, "0099"), (-50, "SA1")],
)
def test_a_death_that_is_noted_afterwards_is_that_of_the_one_who_sat_there_then(
    died_s: float, serial: str
) -> None:
    swap = event(EventKind.UNIT, 300, "A1", "swapped", **SWAP)
    note = event(EventKind.NOTE, 550, "A1", "dead", unit="A1", died=True, at_ns=at(died_s))
    (death,) = deaths(HeldReadings(room(np.full(600, 20.0), 1.0, swap, note)))
    assert (death.serial, death.t_ns) == (serial, at(min(max(died_s, 0), 599)))


@pytest.mark.parametrize(("died_s", "count"), [(86_405.0, 1), (86_415.0, 0)])
def test_a_death_after_the_end_of_a_run_is_not_that_of_a_unit_that_was_taken_out_before(
    died_s: float, count: int
) -> None:
    swap = event(EventKind.UNIT, 86_410.0, "A1", "swapped", session=2, **SWAP)
    note = event(EventKind.NOTE, died_s, "A1", "dead", session=2, unit="A1", died=True)
    assert len(deaths(HeldReadings(noted_later(*sorted((swap, note), key=lambda e: e.t_ns))))) == count


def test_a_life_ends_with_its_death() -> None:
    readings = HeldReadings(room(np.where(T < 400, 20.0, 0.0)))
    (installation,) = readings.installations()
    short = until_death(installation, deaths(readings))
    assert (short.end_ns - short.start_ns) / 1e9 == pytest.approx(400, abs=1.5)
    other = Installation(unit="A1", serial="else", start_ns=installation.start_ns, end_ns=installation.end_ns)
    assert until_death(other, deaths(readings)) == other
