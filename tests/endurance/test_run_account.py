"""The whole account of one run by what its own rig file asks, and who is compared with whom."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from rig.domain.accounting import Accounting, LevelPlan, PartPlan, Pass, StagePlan, WindingPlan
from rig.domain.model import EventKind, Status
from rig.endurance.account_options import account_options
from rig.endurance.held_readings import HeldReadings
from rig.endurance.run_account import account, judged
from rig.endurance.sides import sides
from rig.endurance.verdict import Decision, Rule
from rig.errors import UsageError
from tests.endurance.rooms import Room, channel, event, limit, series

T = np.arange(0, 3600.0)
ASKED = Accounting(
    ambient="air",
    energy="{unit}.p",
    output=LevelPlan(channel="{unit}.v", on_above=5, off_below=3),
    drive=LevelPlan(channel="air", on_above=1, off_below=0),
    trip_least_s=5,
    parts={"r1": PartPlan(rating_w=20, rated_c=70, zero_c=155, power="{unit}.p", temperature="{unit}.heat")},
    stages={"sink": StagePlan(hot="{unit}.heat", cold="air", power="{unit}.p", window_s=600)},
    windings={"primary": WindingPlan(resistance="{unit}.r", cold_ohm=10.0, cold_c=20.0)},
    asked=Pass(guard_k=0.0, trips=0),
)


class Planned(Room):
    """A room whose rig file asks for an account."""

    def __init__(self, **more: Any) -> None:
        super().__init__(**more)
        self.layout = dataclasses.replace(self.layout, accounting=ASKED)


def room(units: tuple[str, ...] = ("A1",), happened: Any = (), statuses: Any = None, **data: Any) -> Planned:
    usual = {"air": 40.0}
    for unit in units:
        usual |= {f"{unit}.v": 20.0, f"{unit}.p": 10.0, f"{unit}.heat": 65.0, f"{unit}.r": 12.0}
    uom = {"air": "degC", "heat": "degC", "p": "W", "r": "ohm"}
    return Planned(
        channels=[
            channel(
                n, *([limit("high", 95)] if n.endswith("heat") else []), uom=uom.get(n.split(".")[-1], "V")
            )
            for n in usual
        ],
        data={
            n: series(n, T, data.get(n.replace(".", "_"), value), status=(statuses or {}).get(n))
            for n, value in usual.items()
        },
        happened=happened,
    )


def test_everything_that_was_asked_is_worked_out() -> None:
    found = account(room())
    (exposure,), (part,), (way,), (turn,) = found.exposures, found.parts, found.resistances, found.windings
    assert exposure.energy is not None
    assert exposure.energy.watt_hours == pytest.approx(10, rel=0.001)
    assert part.share == pytest.approx(0.5)
    assert way.k_per_w == pytest.approx(2.5)
    # (R/r)(234.5 + t) - 234.5 = 1.2 x 254.5 - 234.5 = 70.9 degC (copper, 234.5: as in IEC 60034-1)
    assert turn.temp_c == pytest.approx(70.9)
    assert turn.rise_k == pytest.approx(30.9)
    # no accuracy is stated for the resistance, so only that of the cold temperature: 1.2 x 1 K / sqrt 3
    assert turn.uncertainty_k == pytest.approx(0.6928, abs=5e-5)
    assert found.stated


def test_the_hottest_moment_of_a_winding_is_taken_from_good_readings() -> None:
    ohm = np.where(T == 1000, 13.0, 12.0)
    ohm[2000] = 99.0
    status = np.where(T == 2000, Status.SUSPECT, Status.GOOD)
    (turn,) = account(room(A1_r=ohm, statuses={"A1.r": status})).windings
    assert turn.ohm == 13.0


def test_a_winding_that_was_never_read_is_left_out() -> None:
    status = np.full(3600, Status.NO_REPLY)
    assert account(room(statuses={"A1.r": status})).windings == ()


def test_a_run_that_keeps_everything_passes_by_its_own_criteria() -> None:
    made = room()
    verdict = judged(made, account(made))
    assert verdict.outcome is Decision.PASS


def test_a_part_beyond_its_rating_fails_and_the_trade_s_rule_may_be_waived() -> None:
    made = room(A1_p=15.0)
    verdict = judged(made, account(made))
    assert [one.rule for one in verdict.units[0].reasons if one.outcome is Decision.FAIL] == [Rule.RATING]
    made.layout = dataclasses.replace(
        made.layout, accounting=dataclasses.replace(ASKED, asked=Pass(trade_rule=False))
    )
    assert judged(made, account(made)).outcome is Decision.PASS


def test_an_account_of_one_unit_leaves_the_others_out_and_the_room_in() -> None:
    made = room(("A1", "A2"))
    for name in ("A2", "SA2"):
        found = account(made, name)
        assert [one.unit for one in found.exposures] == ["A2"]
        assert {one.unit for one in found.margins} == {"A2"}
        assert [one.unit for one in found.parts] == ["A2"]
    with pytest.raises(UsageError, match=r"no unit or serial number 'A9'.*A1 \(SA1\), A2 \(SA2\)"):
        account(made, "A9")


def test_a_channel_that_was_not_recorded_is_named() -> None:
    made = room()
    made.layout = dataclasses.replace(
        made.layout, accounting=dataclasses.replace(ASKED, energy="{unit}.watts")
    )
    with pytest.raises(UsageError, match=r"no channel named A1\.watts"):
        account(made)


def test_without_a_section_limits_and_hours_are_told_all_the_same() -> None:
    made = room()
    made.layout = dataclasses.replace(made.layout, accounting=None)
    found = account(made)
    assert not found.stated
    assert found.exposures[0].observed_s == pytest.approx(3600, abs=1)
    assert found.exposures[0].energy is None
    assert account_options(made.layout).criteria.trips == 0


def parties(*args: Any) -> list[tuple[str, str]]:
    return [(one.name, two.name) for one, two in sides(*args)]


def test_units_of_two_runs_are_paired_by_place_unless_they_are_named() -> None:
    one, two = ("old", HeldReadings(room(("A1", "A2")))), ("new", HeldReadings(room(("A2", "A3"))))
    assert parties(one, two, None, None) == [
        ("A2 (serial number SA2) of old", "A2 (serial number SA2) of new")
    ]
    assert parties(one, two, "A1", "SA3")[0][1] == "A3 (serial number SA3) of new"
    assert parties(one, two, "A2", None) == parties(one, two, None, "A2")
    other = ("other", HeldReadings(room(("A7",))))
    with pytest.raises(UsageError, match="no place is in both runs"):
        sides(one, other, None, None)
    with pytest.raises(UsageError, match="no unit or serial number 'A1'"):
        sides(one, other, "A1", None)


def test_within_one_run_two_different_units_must_be_named() -> None:
    readings = HeldReadings(room(("A1", "A2")))
    same = ("run", readings)
    assert parties(same, same, "A1", "A2") == [("A1 (serial number SA1)", "A2 (serial number SA2)")]
    for units in ((None, None), ("A1", None), ("A1", "SA1")):
        with pytest.raises(UsageError, match="give the units"):
            sides(same, same, *units)


def test_of_a_place_that_several_served_in_the_last_is_taken_and_a_serial_number_picks() -> None:
    swap = event(EventKind.UNIT, 1800, "A1", "swapped", serial="0099")
    run = ("run", HeldReadings(room(("A1",), happened=[swap])))
    assert parties(run, run, "0099", "SA1") == [("A1 (serial number 0099)", "A1 (serial number SA1)")]
    assert sides(run, ("other", HeldReadings(room())), "A1", None)[0][0].installation.serial == "0099"
