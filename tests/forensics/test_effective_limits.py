"""The post-mortem judges by the limits that stood at the time."""

from __future__ import annotations

from typing import Any

import numpy as np

from rig.domain.layout_json import limits_to_json
from rig.domain.model import Event, EventKind, Limit
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


def test_that_a_limit_was_moved_past_the_readings_is_said_where_they_lie_outside_to_the_end() -> None:
    moved = happened(150, EventKind.CONFIG_CHANGE, limits=limits(high(105.0)))
    assert any("limit was moved" in one for one in answer(moved).limitations)
    assert not any("limit was moved" in one for one in answer().limitations)
    away = happened(150, EventKind.CONFIG_CHANGE, limits=limits(high(120.0)))
    assert not any("limit was moved" in one for one in answer(away).limitations)
