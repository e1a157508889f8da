"""Signals that show something else than they should: named before a failure is read into them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rig.domain.accounting import LevelPlan
from rig.domain.doubtful_signals import doubtful_signals
from rig.domain.model import Layout, Limit, Side, Signals
from tests.recorder import channel, layout

GOOD = Signals(
    mains=LevelPlan(channel="mains", on_above=150, off_below=100),
    supply=LevelPlan(channel="{unit}.supply", on_above=0.1, off_below=0.05),
    output=LevelPlan(channel="{unit}.volts", on_above=5, off_below=3),
    drive=LevelPlan(channel="level", on_above=0.5, off_below=0.3),
)


def rig(**more: Any) -> Layout:
    """Return a rig of two units, with other signals in A1."""
    room = layout(
        channel("mains", Limit(side=Side.HIGH, value=253.0), measure="V"),
        channel("level", measure="V"),
        *(
            channel(f"{unit}.{name}", measure=measure)
            for unit in ("A1", "A2")
            for name, measure in (("supply", "mA"), ("volts", "V"), ("heat", "degC"), ("power", "kW"))
        ),
    )
    units = {
        name: replace(unit, signals=_named(replace(GOOD, **more) if name == "A1" else GOOD, name))
        for name, unit in room.units.items()
    }
    return replace(room, units=units)


def _named(signals: Signals, unit: str) -> Signals:
    levels = {
        name: replace(one, channel=one.channel.replace("{unit}", unit))
        for name in ("mains", "supply", "output", "drive")
        if (one := getattr(signals, name)) is not None
    }
    return Signals(**levels)


def level(name: str, on: float = 1.0) -> LevelPlan:
    return LevelPlan(channel=name, on_above=on, off_below=on / 2)


def test_signals_as_they_should_be_are_not_spoken_of() -> None:
    assert doubtful_signals(rig()) == []
    assert doubtful_signals(rig(supply=level("A1.power"), drive=level("A2.volts"))) == []


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (
            {"output": level("A2.volts")},
            "A1: output is read from A2.volts, a channel of A2 and not of its own",
        ),
        (
            {"supply": level("A1.heat")},
            "A1: supply is read from {unit}.heat in degC, which is not a current or power",
        ),
        ({"mains": level("A1.supply")}, "A1: mains is read from {unit}.supply in mA, which is not a voltage"),
        ({"mains": level("level")}, "A1: mains and drive are read from one channel, level"),
        (
            {"mains": level("mains", 253)},
            "A1: mains is read from mains, and is on only beyond its high limit: on-above 253 V, limit 253 V",
        ),
    ],
)
def test_a_signal_that_shows_something_else_is_named(more: dict[str, LevelPlan], says: str) -> None:
    assert doubtful_signals(rig(**more)) == [says]


def test_a_level_just_inside_the_limit_is_none() -> None:
    assert doubtful_signals(rig(mains=level("mains", 252.9))) == []


def test_like_units_are_told_together() -> None:
    room = rig(output=level("A1.heat"))
    units = {
        name: replace(unit, signals=replace(unit.signals, output=level(f"{name}.supply", 300)))
        for name, unit in room.units.items()
    }
    limited = replace(room.channels["A1.supply"], limits=(Limit(side=Side.HIGH, value=200.0),))
    channels = {
        **room.channels,
        "A1.supply": limited,
        "A2.supply": replace(limited, name="A2.supply", unit="A2"),
    }
    (said,) = doubtful_signals(replace(room, units=units, channels=channels))
    assert said.startswith("A1, A2: output is read from {unit}.supply, and is on only beyond its high limit")
