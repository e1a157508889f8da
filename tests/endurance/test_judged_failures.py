"""Which failures count, by the dispositions of their incidents.

Relevant and non-relevant failures: IEC 61124, from memory. A failure that nobody has verified stays relevant:
from memory.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rig.domain.accounting import LevelPlan
from rig.domain.cautions import FAILED_UNIT
from rig.domain.incidents import COMMON_S, incidents
from rig.domain.model import Event, EventKind, Signals
from rig.domain.operating_state import Certainty
from rig.endurance.deaths import Suspect, deaths, until_death
from rig.endurance.held_readings import HeldReadings
from rig.endurance.judged_failures import JudgedFailures, judged
from tests.endurance.rooms import Room, at, channel, event, series

WANTED = Signals(
    output=LevelPlan(channel="{unit}.v", on_above=5, off_below=3),
    drive=LevelPlan(channel="level", on_above=0.5, off_below=0.3),
)
T = np.arange(0, 3600.0)
DEAD = np.where(T < 400, 20.0, 0.0)
TRIP = event(EventKind.SWITCH, 395, "A1", "switching A1 off", what="ordered", purpose="switch-off", attempt=1)
FAILED = event(
    EventKind.STATE, 460, "A1", "no output though driven", serial="SA1", state="failed", certainty="likely",
    earliest_ns=at(399), latest_ns=at(400), retracts=False,
)  # fmt: skip
BACK = event(EventKind.STATE, 500, "A1", "output came back", serial="SA1", state="driven", retracts=True)
DIED = event(EventKind.NOTE, 900, "A1", "smoke", died=True, unit="A1")
OUT = event(EventKind.UNIT, 1200, "A1", "taken out", serial="", before="SA1")


def room(volts: Any, *happened: Event) -> Room:
    return Room(
        channels=[channel("level"), channel("A1.v")],
        data={"level": series("level", T, 1.0), "A1.v": series("A1.v", T, volts)},
        happened=happened,
        signals=WANTED,
    )


def closed(relevance: str, *before: Event, t_s: float = 2000, number: int = 1) -> Event:
    """Return the disposition of an incident that the events before it opened."""
    one = incidents(before, room(0.0).layout)[number - 1]
    return event(
        EventKind.INCIDENT, t_s, "A1", "inspected", what="entry", number=number, unit=one.place,
        opened_ns=one.opened_ns, relevance=relevance, cause="rig", by="eve@room",
    )  # fmt: skip


def found(volts: Any, *happened: Event) -> JudgedFailures:
    readings = HeldReadings(room(volts, *happened))
    return judged(readings, deaths(readings))


def test_a_failure_without_any_incident_counts_as_it_is() -> None:
    result = found(DEAD)
    assert [one.serial for one in result.counted] == ["SA1"]
    assert (result.remarks, result.ended) == ((), ())


@pytest.mark.parametrize("opening", [FAILED, DIED])
def test_an_open_incident_counts_as_relevant_and_that_is_said(opening: Event) -> None:
    result = found(DEAD, opening)
    assert [one.serial for one in result.counted] == ["SA1"]
    (words,) = result.remarks
    assert words.startswith("SA1 counts as a relevant failure while incident 1 (")


@pytest.mark.parametrize("opening", [FAILED, DIED, TRIP])
@pytest.mark.parametrize("relevance", ["non-relevant", "no-failure"])
def test_what_a_person_closed_as_something_else_does_not_count(opening: Event, relevance: str) -> None:
    result = found(DEAD, opening, closed(relevance, opening))
    assert result.counted == ()
    (words,) = result.remarks
    assert f"closed as {relevance.replace('-f', ' f')}, rig: inspected" in words
    assert "SA1 is not counted as failed" in words


@pytest.mark.parametrize("opening", [FAILED, DIED, TRIP])
def test_a_relevant_failure_counts_with_its_disposition(opening: Event) -> None:
    result = found(DEAD, opening, closed("relevant", opening))
    (one,) = result.counted
    assert one.t_ns <= at(401)
    assert "incident 1: relevant, rig" in one.text
    assert result.remarks == ()


def test_a_unit_switched_off_by_a_trip_is_not_failed_for_that_and_it_is_said() -> None:
    result = found(DEAD, TRIP)
    assert result.counted == ()
    assert result.remarks == ("SA1 does not count as failed while incident 1 (trip) is open; close it",)
    assert [one.serial for one in found(DEAD, TRIP, DIED).counted] == ["SA1"]
    assert [one.serial for one in found(DEAD, TRIP, FAILED).counted] == ["SA1"]


def test_a_person_can_make_a_failure_of_what_the_readings_do_not_show() -> None:
    opened = event(EventKind.INCIDENT, 700, "A1", "hums", what="opened", unit="A1", at_ns=at(600))
    assert found(20.0, opened).counted == ()
    (one,) = found(20.0, opened, closed("relevant", opened)).counted
    assert (one.serial, one.t_ns) == ("SA1", at(600))


def test_a_suspicion_that_was_taken_back_says_nothing() -> None:
    assert found(20.0, FAILED, BACK) == JudgedFailures(counted=())
    later = np.where(T < 510, 20.0, 0.0)  # within the time after it: another failure all the same
    assert [one.t_ns // 10**9 for one in found(later, FAILED, BACK).counted] == [at(510) // 10**9 - 1]


@pytest.mark.parametrize(("after_s", "counts"), [(COMMON_S - 2, False), (COMMON_S + 2, True)])
def test_an_incident_speaks_for_a_failure_soon_after_it_and_for_no_later_one(
    after_s: float, counts: bool
) -> None:
    hum = event(EventKind.INCIDENT, 100, "A1", "hums", what="opened", unit="A1")
    volts = np.where(np.less(T, 100 + after_s), 20.0, 0.0)
    result = found(volts, hum, closed("non-relevant", hum))
    assert bool(result.counted) is counts


def test_a_non_relevant_failure_is_no_survival() -> None:
    assert found(DEAD, DIED, closed("non-relevant", DIED)).non_relevant == ("SA1",)
    assert found(DEAD, DIED, closed("no-failure", DIED)).non_relevant == ()
    assert found(DEAD, DIED, closed("relevant", DIED)).non_relevant == ()


def test_a_correction_counts_from_then_on() -> None:
    first = closed("non-relevant", DIED)
    assert found(DEAD, DIED, first).counted == ()
    assert len(found(DEAD, DIED, first, closed("relevant", DIED, t_s=2100)).counted) == 1


@pytest.mark.parametrize(("swap", "end_s"), [((OUT,), 400), ((), 3599)])
def test_hours_end_at_a_failure_that_does_not_count_only_if_the_unit_was_taken_out(
    swap: tuple[Event, ...], end_s: float
) -> None:
    happened = (FAILED, *swap, closed("non-relevant", FAILED))
    readings = HeldReadings(room(DEAD, *happened))
    (place,) = readings.installations()
    result = judged(readings, deaths(readings))
    assert result.counted == ()
    end_ns = until_death(place, result.ends_of(place)).end_ns
    assert end_ns == pytest.approx(at(end_s), abs=1.5e9)


def test_hours_go_on_where_the_unit_was_driven_again_before_it_was_taken_out() -> None:
    driven = event(EventKind.SWITCH, 600, "A1", "A1 is on again", what="on", purpose="switch-off")
    happened = (TRIP, driven, OUT, closed("non-relevant", TRIP))
    assert found(20.0, *happened).ended == ()
    assert len(found(20.0, TRIP, OUT, closed("non-relevant", TRIP)).ended) == 1


def test_a_unit_of_which_a_person_said_what_it_was_is_not_suspected_any_more() -> None:
    (before, after) = (Suspect(serial="SA1", channels=("A1.v",), t_ns=at(t)) for t in (396, 3000))
    result = found(20.0, TRIP, closed("non-relevant", TRIP))
    assert result.still_suspected([before, after]) == [after]
    assert found(20.0, TRIP).still_suspected([before, after]) == [before, after]


def test_a_suspicion_that_a_person_closed_as_a_failure_is_certain_and_no_other_is() -> None:
    assert [one.certainty for one in found(DEAD, FAILED).counted] == [Certainty.POSSIBLE]
    assert [one.certainty for one in found(DEAD, FAILED, closed("relevant", FAILED)).counted] == [
        Certainty.CERTAIN
    ]


def test_a_suspicion_that_the_readings_do_not_show_again_is_no_certain_failure() -> None:
    said = event(
        EventKind.STATE, 460, "A1", f"suspected to have FAILED (possible): no output. {FAILED_UNIT}",
        serial="SA1", state="failed", certainty="possible", earliest_ns=at(399), latest_ns=at(400),
    )  # fmt: skip
    (one,) = found(20.0, said).counted
    assert (one.certainty, one.t_ns) == (Certainty.POSSIBLE, at(399))
    assert one.text == "suspected failure: suspected to have FAILED (possible): no output."


def test_what_is_entered_long_after_the_record_is_about_its_end() -> None:
    late = event(EventKind.INCIDENT, 90_000, "A1", "dead on the bench", what="opened", unit="A1")
    rooms = room(20.0, late, closed("relevant", late, t_s=90_100))
    rooms.to_ns = at(3599)
    readings = HeldReadings(rooms)
    (one,) = judged(readings, deaths(readings)).counted
    assert (one.serial, one.t_ns) == ("SA1", readings.span_ns[1])
    assert readings.span_ns[1] <= at(3600)
