"""Margins by the limits that stood at the time, installations by what the record says of before."""

from __future__ import annotations

from typing import Any

import numpy as np

from rig.domain.layout_json import limits_to_json
from rig.domain.model import Event, EventKind
from rig.endurance.margins import margins
from rig.endurance.phases_in_force import in_force, installations
from tests.endurance.rooms import Room, at, channel, event, limit, series, session

HEAT = channel("A1.heat", limit("high", 95.0), uom="degC")
VALUES = np.where(np.arange(200) < 100, 90.0, 100.0)


def room(*events: Any) -> Room:
    data = {"A1.heat": series("A1.heat", np.arange(200.0), VALUES)}
    start = event(EventKind.SESSION_START, 0, "run")
    return Room([HEAT], data, [start, *events], [session(0, 0, 199)], poll_s=1.0)


def test_limits_that_were_reloaded_count_for_the_time_in_which_they_stood() -> None:
    hotter = limits_to_json([limit("high", 110.0)])
    change = {"channel": "A1.heat", "phase": "", "was": [], "becomes": hotter}
    changed = event(EventKind.CONFIG_CHANGE, 100, "run", limits={"A1.heat": hotter}, changes=[change])
    found = {one.limit: one for one in margins(room(changed))}
    assert found[95.0].value == 90.0
    assert found[110.0].value == 100.0
    assert found[95.0].excursions == found[110.0].excursions == ()
    (unchanged,) = margins(room())
    assert len(unchanged.excursions) == 1


def test_who_sat_there_before_the_first_swap_is_who_the_swap_names() -> None:
    """The rig file may have been edited since: it names who sits there now."""
    swap = event(EventKind.UNIT, 120, "A1", serial="S77", before="S66")
    found = installations(room().layout, [swap], (at(0), at(199)))
    assert [(one.serial, one.start_ns, one.end_ns) for one in found] == [
        ("S66", at(0), at(120)),
        ("S77", at(120), at(199)),
    ]


def said(t_s: float, what: str, phase: str, number: int) -> Event:
    data: dict[str, Any] = {"what": what, "phase": phase, "pass": number}
    return event(EventKind.PHASE, t_s, "run", **data)


def test_only_what_begins_a_phase_begins_one() -> None:
    events = [
        said(0, "pre-flight", "", 0),
        said(10, "due", "low", 1),
        *(
            said(12 + n, what, "low", 1)
            for n, what in enumerate(("reached", "left", "back", "resumed", "done"))
        ),
        said(50, "due", "high", 1),
        said(90, "ended", "", 0),
    ]
    found = in_force(events, (at(0), at(199)))
    assert [(one.phase, one.number, one.start_ns, one.end_ns) for one in found] == [
        ("low", 1, at(10), at(50)),
        ("high", 1, at(50), at(90)),
    ]
