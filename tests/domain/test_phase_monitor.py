"""What the readback shows of a phase."""

from __future__ import annotations

import pytest

from rig.domain.model import Status
from rig.domain.phase_monitor import PhaseMonitor
from rig.domain.program import Duty, Phase, PhaseCondition, PhaseTarget, Steady

S = 1_000_000_000
MAINS = Phase(name="p", targets={"mains": PhaseTarget(value=253.0, tolerance=3.0)})
STALE = {"mains": 5.0, "level": 5.0, "A1.volts": 5.0, "A2.volts": 5.0, "A1.heat": 5.0}


def test_a_target_is_met_from_edge_to_edge_of_its_tolerance() -> None:
    for value, met in ((250.0, True), (256.0, True), (249.99, False), (256.01, False)):
        sighting = PhaseMonitor(MAINS, ["A1"], STALE)
        sighting.take("mains", S, value, Status.GOOD)
        assert sighting.look(2 * S).met is met


@pytest.mark.parametrize("status", [one for one in Status if one is not Status.GOOD])
def test_only_good_readings_show_anything(status: Status) -> None:
    sighting = PhaseMonitor(MAINS, ["A1"], STALE)
    sighting.take("mains", S, 253.0, status)
    assert sighting.look(S).met is None


def test_an_old_reading_shows_nothing() -> None:
    sighting = PhaseMonitor(MAINS, ["A1"], STALE)
    sighting.take("mains", S, 253.0, Status.GOOD)
    assert sighting.look(6 * S).met is True
    sight = sighting.look(6 * S + 1)
    assert sight.met is None
    assert sight.missed == "no recent reading of mains"


def test_a_target_of_each_unit_must_be_met_by_all() -> None:
    phase = Phase(name="p", targets={"{unit}.volts": PhaseTarget(value=28.0, tolerance=1.0)})
    sighting = PhaseMonitor(phase, ["A1", "A2"], STALE)
    sighting.take("A1.volts", S, 28.0, Status.GOOD)
    assert sighting.look(S).met is None
    sighting.take("A2.volts", S, 20.0, Status.GOOD)
    sight = sighting.look(S)
    assert sight.met is False
    assert sight.missed == "A2.volts reads 20.00, target 28 ± 1"


def test_without_targets_they_are_met() -> None:
    assert PhaseMonitor(Phase(name="pause"), ["A1"], {}).look(0).met is True


DRIVEN = Phase(name="p", drive=Duty(channel="level", on_above=0.5, on_s=55.0, off_s=5.0))


def driven(seconds: int, on_s: int = 55, off_s: int = 5) -> PhaseMonitor:
    sighting = PhaseMonitor(DRIVEN, ["A1"], STALE)
    for t in range(seconds):
        on = t % (on_s + off_s) < on_s
        sighting.take("level", t * S, 1.2 if on else 0.0, Status.GOOD)
    return sighting


def test_drive_cycles_and_times_are_counted_as_read_back() -> None:
    drive = driven(600).drive
    assert drive is not None
    assert drive.cycles == 10
    # 600 readings, 1 s apart: every change is placed within a second
    assert drive.on_s == pytest.approx(550, abs=10)
    assert drive.off_s == pytest.approx(49, abs=10)


def test_a_drive_that_stays_on_or_off_much_longer_than_planned_is_missed() -> None:
    sighting = driven(600)
    assert sighting.look(599 * S).met is True
    for t in range(600, 600 + 70):
        sighting.take("level", t * S, 0.0, Status.GOOD)
    sight = sighting.look(669 * S)
    assert sight.met is False
    assert "level off for" in sight.missed
    sighting.take("level", 670 * S, 1.2, Status.GOOD)
    assert sighting.look(670 * S).met is True


def test_a_target_of_the_drive_itself_is_judged_while_it_is_on() -> None:
    phase = Phase(name="p", drive=DRIVEN.drive, targets={"level": PhaseTarget(value=1.2, tolerance=0.1)})
    sighting = PhaseMonitor(phase, ["A1"], STALE)
    sighting.take("level", S, 0.0, Status.GOOD)
    assert sighting.look(S).met is True
    sighting.take("level", 2 * S, 1.0, Status.GOOD)
    assert sighting.look(2 * S).met is False


def test_steady_needs_the_whole_window_and_little_change_in_it() -> None:
    phase = Phase(name="p", steady=(Steady(channel="{unit}.heat", within=2.0, over_s=60.0),))
    sighting = PhaseMonitor(phase, ["A1"], STALE)
    for t in range(59):
        sighting.take("A1.heat", t * S, 80.0, Status.GOOD)
    assert not sighting.look(58 * S).steady
    for t in range(59, 200):
        sighting.take("A1.heat", t * S, 80.0 + t % 2, Status.GOOD)
    assert sighting.look(199 * S).steady
    for t in range(200, 260):
        sighting.take("A1.heat", t * S, 80.0 + (t - 200) * 0.1, Status.GOOD)
    assert not sighting.look(259 * S).steady
    for t in range(260, 330):
        sighting.take("A1.heat", t * S, 86.0, Status.GOOD)
    assert sighting.look(329 * S).steady


def test_a_phase_ends_when_all_its_conditions_hold_on_fresh_readings() -> None:
    cool = PhaseCondition(channel="{unit}.volts", low=float("-inf"), high=1.0)
    sighting = PhaseMonitor(Phase(name="p", until=(cool,)), ["A1", "A2"], STALE)
    sighting.take("A1.volts", S, 0.5, Status.GOOD)
    assert not sighting.look(S).ended
    sighting.take("A2.volts", S, 0.5, Status.GOOD)
    assert sighting.look(S).ended
    assert not sighting.look(20 * S).ended


def test_the_next_phase_knows_what_was_just_read() -> None:
    before = PhaseMonitor(MAINS, ["A1"], STALE)
    before.take("mains", S, 253.0, Status.GOOD)
    after = PhaseMonitor(MAINS, ["A1"], STALE, before)
    assert after.value("mains") == 253.0
    assert after.look(2 * S).met is True
