"""Worst readings and their margins, per phase and serial number."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rig.domain.accounting import LevelPlan
from rig.domain.model import EventKind, Signals, Status
from rig.endurance.margins import NO_PHASE, looked_at, margins
from rig.endurance.phases_in_force import Phase
from tests.endurance.rooms import Room, at, channel, event, limit, phase_event, series


def test_the_worst_of_each_phase_stands_with_its_moment_and_margin() -> None:
    heat = [50, 60, 70, 90, 80, 85]
    room = Room(
        channels=[channel("A1.heat", limit("high", 95), uom="degC")],
        data={"A1.heat": series("A1.heat", range(6), heat)},
        happened=[phase_event(0.5, "low"), phase_event(2.5, "high")],
    )
    got = {one.phase: one for one in margins(room, [Phase(name="low"), Phase(name="high")])}
    assert (got["low"].value, got["low"].margin, got["low"].t_ns) == (70, 25, at(2))
    assert (got["high"].value, got["high"].margin, got["high"].t_ns) == (90, 5, at(3))
    assert got[NO_PHASE].value == 50
    assert got["high"].serial == "SA1"
    # median of 90, 80, 85 is 85: 10 K to the limit, of which the worst took 5
    assert got["high"].used == pytest.approx(0.5)


def test_a_phase_s_own_limits_hold_while_it_is_in_force() -> None:
    phase = Phase(name="p", limits={"{unit}.heat": (limit("high", 75),)})
    room = Room(
        channels=[channel("A1.heat", limit("high", 95))],
        data={"A1.heat": series("A1.heat", range(10), 80.0)},
        happened=[phase_event(4.5, "p")],
    )
    got = {one.phase: one for one in margins(room, [phase])}
    assert (got["p"].limit, got["p"].margin) == (75, -5)
    assert got["p"].used is None
    assert len(got["p"].excursions) == 1
    assert (got[NO_PHASE].limit, got[NO_PHASE].margin) == (95, 15)


def test_implausible_readings_are_left_out_and_counted() -> None:
    codes = np.zeros(10, int)
    codes[3] = Status.SUSPECT
    values = [50.0] * 10
    values[3] = 2000.0
    room = Room(
        channels=[channel("A1.heat", limit("high", 95), accuracy=1.0)],
        data={"A1.heat": series("A1.heat", range(10), values, status=codes)},
    )
    worst = margins(room)[0]
    assert (worst.value, worst.suspect, worst.readings) == (50, 1, 9)
    assert worst.uncertainty == pytest.approx(0.57735, abs=1e-5)


def test_a_rise_is_as_uncertain_as_its_two_thermometers() -> None:
    """1.5 K each, shown to 0.1 K: sqrt(2 (1.5^2 + 0.05^2) / 3) = 1.2254 K (JCGM 100:2008, 5.1.2)."""
    sensor: dict[str, Any] = {"uom": "degC", "accuracy": 1.5, "resolution": 0.1}
    room = Room(
        channels=[
            channel("A1.heat", **sensor),
            channel("air", **sensor),
            channel("A1.rise", limit("high", 60), uom="K", source=None, formula="A1.heat - air"),
        ],
        data={
            "A1.heat": series("A1.heat", range(10), 80.0),
            "air": series("air", range(10), 30.0),
            "A1.rise": series("A1.rise", range(10), 50.0),
        },
    )
    assert margins(room)[0].uncertainty == pytest.approx(1.2254, abs=5e-5)


def test_a_power_is_as_uncertain_as_its_inputs_were_at_its_worst_moment() -> None:
    """1 % of 28 V times 3.5 A and 0.1 A times 28 V, each / sqrt 3: 1.713 W (JCGM 100:2008, 5.1.2)."""
    volts, amps = [20.0] * 9 + [28.0], [2.0] * 9 + [3.5]
    room = Room(
        channels=[
            channel("A1.v", accuracy_share=0.01),
            channel("A1.i", uom="A", accuracy=0.1),
            channel("A1.p", limit("high", 450), uom="W", source=None, formula="A1.v * A1.i"),
        ],
        data={
            "A1.v": series("A1.v", range(10), volts),
            "A1.i": series("A1.i", range(10), amps),
            "A1.p": series("A1.p", range(10), [v * i for v, i in zip(volts, amps, strict=True)]),
        },
    )
    worst = margins(room)[0]
    assert worst.value == 98.0
    assert worst.uncertainty == pytest.approx(1.7127, abs=2e-3)


def test_the_first_and_the_last_reading_count_too() -> None:
    room = Room(
        channels=[channel("A1.x", limit("high", 10), limit("low", 0))],
        data={"A1.x": series("A1.x", range(5), [9, 5, 5, 5, 1])},
    )
    assert {(one.side.value, one.value) for one in margins(room)} == {("high", 9), ("low", 1)}


def test_what_another_serial_number_did_is_not_held_against_a_unit() -> None:
    room = Room(
        channels=[channel("A1.heat", limit("high", 95)), channel("mains", limit("high", 253))],
        data={
            "A1.heat": series("A1.heat", range(10), [99] * 5 + [60] * 5),
            "mains": series("mains", range(10), 230.0),
        },
        happened=[event(EventKind.UNIT, 4.5, "A1", serial="new")],
    )
    got = {(one.serial, one.channel): one.value for one in margins(room)}
    assert got == {("SA1", "A1.heat"): 99, ("new", "A1.heat"): 60, (None, "mains"): 230}


def test_the_channel_that_used_most_of_its_margin_comes_first() -> None:
    room = Room(
        channels=[
            channel("A1.a", limit("high", 100)),
            channel("A1.b", limit("high", 100)),
            channel("A1.free"),
        ],
        data={
            "A1.a": series("A1.a", range(5), [50, 50, 50, 60, 50]),
            "A1.b": series("A1.b", range(5), [50, 50, 50, 90, 50]),
            "A1.free": series("A1.free", range(5), 1.0),
        },
    )
    assert [one.channel for one in margins(room)] == ["A1.b", "A1.a"]


def test_an_excursion_belongs_to_the_phase_in_which_it_began_and_lasts_into_the_next() -> None:
    room = Room(
        channels=[channel("A1.heat", limit("high", 95))],
        data={"A1.heat": series("A1.heat", range(12), [80, 80, 99, 99, 99, 99, 99, 80, 80, 80, 80, 99])},
        happened=[phase_event(-0.5, "low"), phase_event(4.5, "high")],
    )
    got = {one.phase: one for one in margins(room, [Phase(name="low"), Phase(name="high")])}
    assert [(one.start_ns, one.end_ns) for one in got["low"].excursions] == [(at(2), at(7))]
    # and one that begins with the last reading of all belongs to what was in force until then
    assert [(one.start_ns, one.end_ns) for one in got["high"].excursions] == [(at(11), None)]
    assert (got["low"].lasting, got["high"].lasting) == (False, True)


def test_the_time_in_which_a_channel_has_limits_is_that_in_which_they_are_in_force() -> None:
    free = Phase(name="free", limits={"{unit}.heat": ()})
    room = Room(
        channels=[channel("A1.heat", limit("high", 95)), channel("A1.free")],
        data={
            "A1.heat": series("A1.heat", range(10), 80.0, status=[0] * 7 + [4] * 3),
            "A1.free": series("A1.free", range(10), 80.0),
        },
        happened=[phase_event(1.5, "free"), phase_event(4.5, "low")],
    )
    found = looked_at(room, [free, Phase(name="low")])
    assert {(one.channel, one.phase): (one.looked_s, one.known_s) for one in found.limited} == {
        ("A1.heat", "low"): (4.5, 2.0),
        ("A1.heat", NO_PHASE): (1.5, 1.5),
    }
    assert {one.phase for one in found.worst} == {"low", NO_PHASE}


def test_an_excursion_that_begins_at_the_very_moment_a_phase_ends_is_counted_once() -> None:
    room = Room(
        channels=[channel("A1.heat", limit("high", 95))],
        data={"A1.heat": series("A1.heat", range(9), [80, 80, 80, 80, 99, 99, 80, 80, 80])},
        happened=[phase_event(0, "low"), phase_event(4, "high")],
    )
    got = {one.phase: len(one.excursions) for one in margins(room, [Phase(name="low"), Phase(name="high")])}
    assert got == {"low": 0, "high": 1}


def test_a_channel_is_looked_at_in_the_phases_of_the_group_that_it_concerns() -> None:
    names = ("A1.heat", "B1.heat", "mains_a", "mains_b", "ambient")
    room = Room(
        channels=[channel(name, limit("high", 95)) for name in names],
        data={name: series(name, range(10), 80.0) for name in names},
        happened=[
            event(EventKind.PHASE, 0, "run", phase="low", group=["A1"]),
            event(EventKind.PHASE, 0, "run", phase="low", group=["B1"]),
            event(EventKind.PHASE, 4, "run", phase="high", group=["B1"]),
        ],
    )
    units = {
        name: replace(one, signals=Signals(mains=LevelPlan(channel=mains, on_above=1, off_below=0.5)))
        for (name, one), mains in zip(room.layout.units.items(), ("mains_a", "mains_b"), strict=True)
    }
    room.layout = replace(room.layout, units=units)
    found = margins(room, [Phase(name="low"), Phase(name="high")])
    looked = {name: {one.phase: one.looked_s for one in found if one.channel == name} for name in names}
    assert looked["A1.heat"] == looked["mains_a"] == {"low": pytest.approx(9)}
    assert looked["B1.heat"] == looked["mains_b"] == {"low": pytest.approx(4), "high": pytest.approx(5)}
    # the room is in both phases at once
    assert looked["ambient"] == {"low": pytest.approx(9), "high": pytest.approx(5)}
