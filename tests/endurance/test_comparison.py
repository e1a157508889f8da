"""Two units side by side with known differences."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from rig.endurance.comparison import Party, RunComparison, compare
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Phase, PhaseTarget
from tests.endurance.rooms import Room, channel, layout_of, limit, phase_event, series

LOW = Phase(name="low", targets={"mains": PhaseTarget(value=207, tolerance=3)})
HIGH = Phase(name="high", targets={"mains": PhaseTarget(value=253, tolerance=3)})


def noise(seed: int, count: int, size: float) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, size, count)


def room(seed: int, heat: float = 0.0, out: float = 0.0, air: float = 30.0, **facts: float) -> Room:
    t = np.arange(0, 4000.0)
    mains = np.where(t < 2000, 207.0, 253.0)
    # the variac follows the announced phase 300 s late
    mains[2000:2300] = 207.0
    return Room(
        channels=[
            channel("mains"),
            channel("air", uom="degC", **facts),
            channel("A1.heat", limit("high", 95), uom="degC", **facts),
            channel("A1.out", limit("low", 20), uom="V"),
            channel("A1.idle", uom="A"),
        ],
        data={
            "mains": series("mains", t, mains + noise(seed, 4000, 0.2)),
            "air": series("air", t, air + noise(seed + 1, 4000, 0.1)),
            "A1.heat": series("A1.heat", t, 60 + (mains > 230) * 10 + heat + noise(seed + 2, 4000, 0.5)),
            "A1.out": series("A1.out", t, 28 + out + noise(seed + 3, 4000, 0.05)),
            "A1.idle": series("A1.idle", t, 0.2 + noise(seed + 4, 4000, 0.01)),
        },
        happened=[phase_event(0, "low"), phase_event(2000, "high")],
    )


def party(name: str, made: Room, **more: object) -> Party:
    readings = HeldReadings(made)
    settings: dict[str, object] = {"phases": (LOW, HIGH), "ambient": "air", **more}
    return Party(name=name, readings=readings, installation=readings.installations()[0], **settings)  # type: ignore[arg-type]


def by_place(got: RunComparison) -> Mapping[tuple[str, str], tuple[float, float, bool]]:
    return {
        (one.quantity, one.phase): (one.difference, one.expanded_uncertainty, one.significant)
        for one in got.differences
    }


def test_true_differences_lie_within_their_uncertainty_phase_by_phase() -> None:
    got = compare(party("old", room(1)), party("new", room(50, heat=-4.0, out=0.5)))
    places = by_place(got)
    for phase in ("low", "high"):
        for quantity, truth in (("heat", -4.0), ("heat over ambient", -4.0), ("out", 0.5)):
            difference, pm, proven = places[quantity, phase]
            assert proven
            assert abs(difference - truth) <= 2 * pm
        difference, pm, _ = places["idle", phase]
        assert abs(difference) <= 2 * pm


def test_only_time_within_the_targets_is_compared() -> None:
    """In the 300 s in which the mains was still low, heat was still low too."""
    got = compare(party("a", room(1)), party("b", room(2)))
    high = next(one for one in got.differences if (one.quantity, one.phase) == ("heat", "high"))
    assert high.first.known_s == pytest.approx(1700, abs=2)
    assert high.first.value == pytest.approx(70, abs=0.1)


def test_a_warmer_room_is_not_a_warmer_unit() -> None:
    """Five kelvin more air and five more heatsink: the rise is the same, and the air is not hidden."""
    got = by_place(compare(party("a", room(1)), party("b", room(2, heat=5.0, air=35.0))))
    assert got["heat", "low"][2]
    difference, pm, _ = got["heat over ambient", "low"]
    assert abs(difference) <= 2 * pm


def test_what_the_sensors_may_be_off_by_is_part_of_the_uncertainty() -> None:
    """Two class 2 thermocouples, each good to 2.5 K: a difference of 2 K proves nothing."""
    got = by_place(compare(party("a", room(1, accuracy=2.5)), party("b", room(2, heat=2.0, accuracy=2.5))))
    difference, pm, proven = got["heat", "low"]
    assert difference == pytest.approx(2.0, abs=0.2)
    # 2.5/sqrt 3 each, in quadrature, times 1.96 (JCGM 100:2008, 4.3.7 and G)
    assert pm == pytest.approx(4.0, abs=0.05)
    assert not proven


def test_the_differences_that_matter_come_first_and_at_most_three() -> None:
    got = compare(party("a", room(1)), party("b", room(2, heat=20.0, out=-0.1)))
    assert [one.quantity for one in got.matter] == ["heat", "out"]
    assert got.matter[0].phase == "high"
    # 20 K of the 25 K that the first had left to its limit
    assert got.matter[0].weight == pytest.approx(0.8, abs=0.01)
    assert got.expected_false_positives == pytest.approx(len(got.differences) * 0.05)


def test_output_into_two_loads_stands_in_decibels() -> None:
    """28.2843 V against 20 V is 3.01 dB (definition of the decibel)."""
    got = compare(party("a", room(1, out=-8.0)), party("b", room(2, out=0.2843)))
    one = next(one for one in got.differences if one.quantity == "out")
    assert one.decibel == pytest.approx(3.01, abs=0.01)
    assert got.loads == ("8 ohm", "8 ohm")


def test_phases_of_one_unit_are_compared_under_their_two_names() -> None:
    made = room(1)
    first, second = party("into 8 ohm", made, phases=(LOW,), called={"low": "high"}), party("reactive", made)
    got = compare(first, second)
    heat = next(one for one in got.differences if one.quantity == "heat")
    assert heat.difference == pytest.approx(10.0, abs=0.2)
    assert any("mains was 46 V higher for reactive" in one for one in got.cautions)


def test_what_cannot_be_compared_is_said() -> None:
    other = room(2)
    other.layout = layout_of([one for one in other.layout.channels.values() if one.name != "A1.idle"])
    got = compare(party("a", room(1)), party("b", other, phases=(LOW,)))
    assert "idle: only in a" in got.cautions
    assert "phase high: not in b" in got.cautions


def test_without_a_program_the_whole_stays_are_compared() -> None:
    got = compare(party("a", room(1), phases=()), party("b", room(2), phases=()))
    assert {one.phase for one in got.differences} == {""}


def test_a_drift_within_a_phase_is_told_for_the_party_it_belongs_to() -> None:
    made = room(3)
    old = made.data["A1.out"]
    ramp = series("A1.out", np.arange(0, 4000.0), old.value - np.arange(4000) / 4000)
    drifting = Room(
        channels=list(made.layout.channels.values()),
        data={**made.data, "A1.out": ramp},
        happened=made.happened,
    )
    got = compare(party("steady", room(1)), party("drifting", drifting))
    proven = {
        (one.party, one.drift.channel)
        for one in got.drifts
        if one.drift.significant and one.drift.change < -0.3
    }
    assert proven == {("drifting", "A1.out")}
