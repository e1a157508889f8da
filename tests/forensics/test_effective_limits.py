"""The post-mortem judges by the limits that stood at the time."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from rig.domain.layout_json import limits_to_json
from rig.domain.model import Event, EventKind, Limit, Side
from rig.forensics import analyse
from rig.forensics.answer import ChannelStory, PostMortem
from tests.forensics.rooms import START_NS, Room, channel, high, series

S = 1_000_000_000
HEAT = channel("A1.heat", high(95.0), unit="A1")
# one reading a second: 80, then 100 from 50 s to 70 s, then 80; 110 from 120 s on
VALUES = np.full(200, 80.0)
VALUES[50:70] = 100.0
VALUES[120:] = 110.0


def happened(t_s: float, kind: EventKind, **data: Any) -> Event:
    t_ns = START_NS + round(t_s * S)
    return Event(kind=kind, t_ns=t_ns, session=1, seq=round(t_s), subject="run", text="", data=data)


def limits(*some: Limit) -> dict[str, Any]:
    return {"A1.heat": limits_to_json(some)}


def story(*events: Event) -> ChannelStory:
    return answer(*events).channels[0]


def answer(*events: Event) -> PostMortem:
    room = Room(
        [HEAT],
        {"A1.heat": series("A1.heat", np.arange(200.0), VALUES)},
        [happened(0, EventKind.SESSION_START), *events],
    )
    return analyse(room, "A1")


def began_s(found: ChannelStory) -> list[float]:
    return [round((e.first_outside.t_ns - START_NS) / S) for e in found.excursions]


def test_without_any_change_both_excursions_count() -> None:
    assert began_s(story()) == [50, 120]


def test_what_a_phase_allows_is_no_excursion() -> None:
    hot = happened(20, EventKind.PHASE, limits=limits(high(105.0)))
    cool = happened(90, EventKind.PHASE, limits={})
    found = story(hot, cool)
    assert began_s(found) == [120]
    assert [e.limit for e in found.excursions] == [95.0]


def test_a_reload_counts_from_its_moment_on() -> None:
    found = story(happened(90, EventKind.CONFIG_CHANGE, limits=limits(high(120.0))))
    assert began_s(found) == [50]


def test_an_excursion_ends_when_its_limit_is_taken_away() -> None:
    found = story(happened(150, EventKind.PHASE, limits={"A1.heat": []}))
    last = found.excursions[-1]
    assert last.returned is not None
    assert last.returned.t_ns == START_NS + 150 * S


def test_a_limit_that_moves_past_the_readings_makes_no_excursion() -> None:
    found = story(happened(150, EventKind.PHASE, limits=limits(high(70.0))))
    assert began_s(found) == [50, 120]
    assert {e.limit for e in found.excursions} == {95.0}


def test_what_is_out_stays_out_until_it_is_inside_the_new_limit() -> None:
    still = story(happened(150, EventKind.CONFIG_CHANGE, limits=limits(high(105.0))))
    assert [(e.limit, e.returned) for e in still.excursions[1:]] == [(95.0, None)]
    back = story(happened(150, EventKind.CONFIG_CHANGE, limits=limits(high(120.0)))).excursions[1].returned
    assert back is not None
    assert (back.t_ns, back.value) == (START_NS + 150 * S, 110.0)


def test_a_limit_that_was_moved_past_the_readings_counts_but_crossed_nothing_and_takes_no_part() -> None:
    high_before = happened(100, EventKind.CONFIG_CHANGE, limits=limits(high(120.0)))
    moved = answer(high_before, happened(150, EventKind.CONFIG_CHANGE, limits=limits(high(105.0))))
    past = moved.channels[0].excursions[1]
    assert [(e.limit, e.moved) for e in moved.channels[0].excursions] == [(95.0, False), (105.0, True)]
    assert (past.sure, past.last_inside, past.interval.earliest_ns) == (False, None, None)
    assert past.lost == 0
    assert moved.channels[0].ordered is None
    assert any("moved past it" in one for one in moved.limitations)
    assert not any("moved past it" in one for one in answer().limitations)
    away = happened(170, EventKind.CONFIG_CHANGE, limits=limits(high(130.0)))
    back = answer(high_before, happened(150, EventKind.CONFIG_CHANGE, limits=limits(high(105.0))), away)
    assert not any("moved past it" in one for one in back.limitations)


def test_an_empty_place_has_no_limits_until_somebody_is_put_in() -> None:
    def sits(t_s: float, serial: str, before: str) -> Event:
        one = happened(t_s, EventKind.UNIT, serial=serial, before=before)
        return replace(one, subject="A1")

    gone = story(sits(40, "", "SA1"), sits(75, "S2", ""))
    assert began_s(gone) == [120]
    ended = story(sits(60, "", "SA1")).excursions
    assert [e.returned.t_ns for e in ended if e.returned] == [START_NS + 60 * S]


def test_what_was_beyond_a_limit_before_it_was_in_force_explains_no_crossing() -> None:
    """A unit that was off before the program began: its output lies below a limit that nobody had set."""
    volts = np.full(200, 24.0)
    volts[:20] = 0.0
    volts[150:] = 0.0
    low = Limit(side=Side.LOW, value=18.0)
    output = channel("A1.volts", low)
    room = Room(
        [output],
        {"A1.volts": series("A1.volts", np.arange(200.0), volts + 0.01 * np.resize([-1.0, 0.0, 1.0], 200))},
        [
            happened(0, EventKind.SESSION_START),
            happened(0, EventKind.PHASE, limits={"A1.volts": []}),
            happened(60, EventKind.PHASE, limits={}),
        ],
    )
    (one,) = analyse(room, "A1").channels[0].excursions
    assert one.interval.earliest_ns is not None
    assert START_NS + 148 * S <= one.interval.earliest_ns <= START_NS + 150 * S
