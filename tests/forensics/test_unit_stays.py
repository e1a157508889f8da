"""Which unit an answer is about, and which units failed together."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rig.domain.accounting import LevelPlan
from rig.domain.incidents import COMMON_S
from rig.domain.model import EventKind, Signals, Unit
from rig.domain.operating_state import as_data
from rig.forensics import analyse
from rig.forensics.unit_stays import UnitStay, room_words, together
from tests.endurance.rooms import START_NS, Room, S, channel, event, limit, series
from tests.forensics.test_neighbours import failed_at

T = np.arange(0, 1200.0)
SIGNALS = Signals(
    mains=LevelPlan(channel="mains", on_above=150, off_below=100),
    supply=LevelPlan(channel="{unit}.amps", on_above=0.1, off_below=0.05),
    output=LevelPlan(channel="{unit}.volts", on_above=5, off_below=3),
    drive=LevelPlan(channel="level", on_above=0.5, off_below=0.3),
)


def lives(*failed_s: float | None) -> list[UnitStay]:
    alive = UnitStay(unit="", serial="1", start_ns=START_NS, end_ns=START_NS + 1200 * S)
    return [
        replace(alive, unit=f"A{k}") if t_s is None else failed_at(f"A{k}", t_s)
        for k, t_s in enumerate(failed_s, start=1)
    ]


@pytest.mark.parametrize(("apart_s", "told"), [(COMMON_S, True), (COMMON_S + 0.1, False)])
def test_units_that_fail_close_together_are_told_as_one(apart_s: float, told: bool) -> None:
    assert bool(together(lives(100, 100 + apart_s, None), "A1")) is told


def test_the_others_are_counted() -> None:
    assert (
        together(lives(100, 180, 140, None, None, None), "A2")
        == "3 of 6 units failed within 1.3 min (A1, A3, A2)"
    )
    assert room_words(lives(100, None, None), "A1") == "2 other units did not fail"
    assert room_words(lives(100, None, None), "A2") == ""


def room(**values: Any) -> Room:
    """Return a room of A1 and A2; A1 fails at 400 s with its fuse, unless told otherwise."""
    gone = np.where(T < 400, 1.0, 0.0)
    data: dict[str, Any] = {
        "mains": 230.0, "level": 1.2, "A1.volts": 20 * gone, "A1.amps": gone, "A1.heat": 70.0,
        "A2.volts": 20.0, "A2.amps": 1.0, "A2.heat": 70.0,
    } | values  # fmt: skip
    limits = {"volts": limit("low", 15.0), "heat": limit("high", 95.0), "mains": limit("high", 253.0)}
    noise = np.random.default_rng(3)
    return Room(
        channels=[
            channel(n, *([limits[n.split(".")[-1]]] if n.split(".")[-1] in limits else []),
                    uom={"amps": "A", "heat": "degC"}.get(n.split(".")[-1], "V"))
            for n in data
        ],
        data={n: series(n, T, v + noise.normal(0, 0.02, len(T)), h_s=0.05) for n, v in data.items()},
        signals=SIGNALS,
    )  # fmt: skip


def test_a_successor_in_the_same_place_is_another_story() -> None:
    heat = np.where(T < 900, 70.0, 120.0)
    swapped = room(**{
        "A1.heat": heat,
        "A1.volts": np.where((T < 400) | (T > 700), 20.0, 0.0),
        "A1.amps": np.where((T < 400) | (T > 700), 1.0, 0.0),
    })  # fmt: skip
    swapped.happened = [event(EventKind.UNIT, 650, "A1", "swapped", before="SA1", serial="0099")]
    found = analyse(swapped, unit="A1")
    assert found.serial == "SA1"
    assert found.order.channels == ("A1.volts",)
    assert found.headline.result == (
        "A1 suspected to have failed (possible); first out: A1.volts (low limit); 1 other unit did not fail"
    ), "the successor's output is no return to normal"


def test_a_failure_is_the_answer_and_not_an_excursion_of_more_channels_before_it() -> None:
    """Hot and without output for 20 s at 100 s, and back; dead at 400 s; a spare at 650 s."""
    early = (T > 100) & (T < 120)
    gives = ~early & ((T < 400) | (T > 700))
    values: dict[str, Any] = {
        "A1.amps": 1.0,
        "A1.heat": np.where(early, 120.0, 70.0),
        "A1.volts": np.where(gives, 20.0, 0.0),
    }  # with its supply on, there is no doubt
    swapped = room(**values)
    swapped.happened = [event(EventKind.UNIT, 650, "A1", "swapped", before="SA1", serial="0099")]
    found = analyse(swapped)
    assert found.unit == "A1"
    assert found.headline.result.startswith("A1 suspected to have failed (likely); first out: A1.volts")
    assert found.order.channels == ("A1.volts",)


def test_a_unit_that_failed_has_failed_though_its_limits_sleep_and_its_channels_are_inside_again() -> None:
    dead = room(**{"A1.heat": np.where((T > 380) & (T < 430), 99.0, 70.0)})
    change = failed_at("A1", 400).failed
    assert change is not None
    told = as_data(replace(change, serial="SA1", evidence=("no supply for 1 min (A1.amps)",)))
    dead.happened = [event(EventKind.STATE, 460, "A1", "A1 suspected to have failed", **told)]
    found = analyse(dead, unit="A1")
    assert "A1 suspected to have failed (likely)" in found.headline.result
    assert "returned to normal" not in found.headline.result


def test_the_unit_that_failed_is_asked_about_and_not_one_that_is_merely_out() -> None:
    brief = np.where((T > 380) & (T < 430), 99.0, 70.0)
    dead = room(**{"A2.heat": np.where(T > 1000, 99.0, 70.0), "A1.heat": brief, "A1.volts": 20.0})
    change = failed_at("A1", 400).failed
    assert change is not None
    told = as_data(replace(change, serial="SA1"))
    dead.happened = [event(EventKind.STATE, 460, "A1", "A1 suspected to have failed", **told)]
    hot = room(**{"A2.heat": np.where(T > 1000, 99.0, 70.0), "A1.volts": 20.0, "A1.amps": 1.0})
    assert (analyse(dead).unit, analyse(hot).unit) == ("A1", "A2")


def test_what_the_mains_do_after_a_failure_is_no_part_of_it() -> None:
    found = analyse(room(mains=np.where((T > 800) & (T < 900), 260.0, 230.0)), unit="A1")
    assert found.order.channels == ("A1.volts",)


def test_units_are_named_by_what_the_layout_calls_them() -> None:
    units = room().layout.units
    assert isinstance(units["A1"], Unit)
    assert units["A1"].signals.output == LevelPlan(channel="A1.volts", on_above=5, off_below=3)
