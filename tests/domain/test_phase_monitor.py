"""What the readback shows of a phase."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.domain.accounting import LevelPlan
from rig.domain.model import Status
from rig.domain.phase_monitor import MonitorScope, PhaseMonitor
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


# ---- a group, and units that take no part

VOLTS = Phase(
    name="p",
    targets={
        "mains": PhaseTarget(value=253.0, tolerance=3.0),
        "{unit}.volts": PhaseTarget(value=28, tolerance=1),
    },
)


def test_what_is_written_for_a_unit_that_takes_no_part_is_left_out() -> None:
    cool = PhaseCondition(channel="{unit}.heat", high=50.0)
    still = Steady(channel="{unit}.heat", within=1.0, over_s=5.0)
    phase = replace(VOLTS, until=(cool,), steady=(still,))
    watch = PhaseMonitor(phase, ["A1", "A2"], STALE | {"A2.heat": 5.0})
    for t in range(10):
        watch.take("mains", t * S, 253.0, Status.GOOD)
        watch.take("A1.volts", t * S, 28.0, Status.GOOD)
        watch.take("A1.heat", t * S, 40.0, Status.GOOD)
        watch.take("A2.volts", t * S, 0.0, Status.GOOD)
        watch.take("A2.heat", t * S, 60.0 + 5 * t, Status.GOOD)
    both = watch.look(9 * S)
    assert (both.met, both.steady, both.ended) == (False, False, False)
    watch.units = ("A1",)
    alone = watch.look(9 * S)
    assert (alone.met, alone.steady, alone.ended) == (True, True, True)
    # and asked for a single one, each is seen by itself
    watch.units = ("A1", "A2")
    assert watch.look(9 * S, ["A1"]) == alone
    assert watch.look(9 * S, ["A2"]).met is False


def test_a_source_of_other_units_does_not_concern_this_one() -> None:
    phase = Phase(
        name="p",
        targets={
            "mains_a": PhaseTarget(value=207.0, tolerance=3.0),
            "mains_b": PhaseTarget(value=207.0, tolerance=3.0),
        },
    )
    scope = MonitorScope(foreign={"A1": {"mains_b"}, "A2": {"mains_a"}})
    watch = PhaseMonitor(phase, ["A1", "A2"], {"mains_a": 5.0, "mains_b": 5.0}, scope=scope)
    watch.take("mains_a", S, 207.0, Status.GOOD)
    watch.take("mains_b", S, 0.0, Status.GOOD)
    assert watch.look(S, ["A1"]).met is True
    assert watch.look(S, ["A2"]).met is False
    assert watch.look(S).met is False
    alone = PhaseMonitor(phase, ["A1"], {"mains_a": 5.0, "mains_b": 5.0}, scope=scope)
    assert alone.channels == {"mains_a"}


def test_a_channel_named_outright_concerns_the_group_of_its_unit_while_that_takes_part() -> None:
    phase = Phase(name="p", targets={"A1.volts": PhaseTarget(value=28.0, tolerance=1.0)})
    watch = PhaseMonitor(phase, ["A1", "A2"], STALE)
    watch.take("A1.volts", S, 0.0, Status.GOOD)
    assert watch.look(S, ["A2"]).met is False
    watch.units = ("A2",)
    assert watch.look(S).met is True
    elsewhere = PhaseMonitor(phase, ["A3"], STALE, scope=MonitorScope(others=("A1", "A2")))
    assert elsewhere.channels == frozenset()


BURST = Phase(name="p", drive=Duty(channel="A1.volts", on_above=5.0, on_s=2.0, off_s=1.0))
LEVEL = LevelPlan(channel="level", on_above=0.5, off_below=0.3)


def bursts(watch: PhaseMonitor, channel: str, on: float, seconds: int = 9, start: int = 0) -> None:
    for t in range(start, start + seconds):
        watch.take(channel, t * S, on if t % 3 < 2 else 0.0, Status.GOOD)


def test_the_drive_is_read_at_a_living_unit_where_its_own_takes_no_part() -> None:
    watch = PhaseMonitor(BURST, ["A1", "A2", "A3"], STALE | {"A3.volts": 5.0})
    for name in ("A2.volts", "A3.volts"):
        bursts(watch, name, 28.0)
    assert watch.look(8 * S).met is None, "nothing is read at A1"
    watch.units = ("A2", "A3")
    assert watch.witness("A2") == watch.witness("A3") == "A2.volts"
    assert watch.look(8 * S).met is True
    assert watch.new_cycles() == {"A2": 3, "A3": 3}
    watch.units = ("A3",)
    assert watch.witness("A3") == "A3.volts"
    bursts(watch, "A3.volts", 28.0, start=9)
    assert watch.new_cycles() == {"A3": 3}, "cycles counted once are not counted again at another channel"
    watch.units = ("A1", "A3")
    assert watch.witness("A3") == "A1.volts", "its own again"


def test_where_no_unit_has_such_a_channel_the_drive_itself_is_read_with_its_own_level() -> None:
    scope = MonitorScope(drives={"A2": LEVEL})
    watch = PhaseMonitor(BURST, ["A1", "A2"], {"A1.volts": 5.0, "level": 5.0}, scope=scope)
    watch.units = ("A2",)
    assert watch.witness("A2") == "level"
    bursts(watch, "level", 0.6)
    assert watch.look(8 * S).met is True
    assert watch.new_cycles() == {"A2": 3}
    nothing = PhaseMonitor(BURST, ["A1", "A2"], {"A1.volts": 5.0})
    nothing.units = ("A2",)
    assert nothing.look(8 * S).met is None, "never taken for met where it cannot be read"


def test_a_group_without_the_named_unit_reads_the_drive_at_one_of_its_own() -> None:
    scope = MonitorScope(others=("A1",))
    watch = PhaseMonitor(BURST, ["B1"], {"A1.volts": 5.0, "B1.volts": 5.0}, scope=scope)
    assert watch.witness("B1") == "B1.volts"
    assert watch.channels == {"B1.volts"}


def test_a_drive_cycle_may_be_read_at_each_unit() -> None:
    phase = Phase(name="p", drive=Duty(channel="{unit}.volts", on_above=5.0, on_s=2.0, off_s=1.0))
    watch = PhaseMonitor(phase, ["A1", "A2"], STALE)
    bursts(watch, "A1.volts", 28.0)
    for t in range(9):
        watch.take("A2.volts", t * S, 0.0, Status.GOOD)
    assert watch.look(8 * S, ["A1"]).met is True
    assert watch.look(8 * S, ["A2"]).met is False
    assert watch.new_cycles() == {"A1": 3, "A2": 0}


def test_the_pause_of_a_burst_is_no_missed_target_of_the_other_units_but_silence_is() -> None:
    phase = replace(BURST, targets={"{unit}.volts": PhaseTarget(value=28.0, tolerance=1.0)})
    watch = PhaseMonitor(phase, ["A1", "A2"], STALE)
    for name in ("A1.volts", "A2.volts"):
        bursts(watch, name, 28.0)  # the last reading, at 8 s, is one of the pause
    assert watch.look(8 * S, ["A2"]).met is True
    # twice the pause is far beyond one and a half of it with the age that a reading may have
    watch.take("A1.volts", 9 * S, 28.0, Status.GOOD)
    for t in range(9, 17):
        watch.take("A2.volts", t * S, 0.0, Status.GOOD)
        watch.take("A1.volts", t * S, 28.0 if t % 3 < 2 else 0.0, Status.GOOD)
    assert watch.look(16 * S, ["A2"]).met is False


def test_in_a_rig_without_units_the_rooms_targets_are_seen() -> None:
    watch = PhaseMonitor(MAINS, [], STALE)
    watch.take("mains", S, 200.0, Status.GOOD)
    assert watch.look(S, [""]).met is False
    assert watch.look(S).met is False
