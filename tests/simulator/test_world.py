"""The room: repeatable, exact, and every scenario begins where it says."""

from itertools import pairwise

import pytest

from rig.errors import UsageError
from rig.simulator.room_plan import LAG_TOLERANCE, RoomPlan, plan
from rig.simulator.scenarios import SCENARIOS, scenario
from rig.simulator.world import World

SECOND = 1_000_000_000


def world(name: str, *, seed: int = 1, units: int = 2, pace: float = 60.0, step_ns: int = 5_000_000) -> World:
    return World(
        plan=plan(units=units, seed=seed, pace=pace),
        scenario=scenario(name),
        seed=seed,
        start_ns=0,
        step_ns=step_ns,
    )


def lived(name: str, *, seed: int = 1, seconds: float | None = None, step_ns: int = 10_000_000) -> World:
    room = world(name, seed=seed, step_ns=step_ns)
    room.advance(round((seconds or room.scenario.end_s / room.plan.pace) * SECOND))
    return room


def test_an_unknown_scenario_is_refused_with_the_names_there_are() -> None:
    with pytest.raises(UsageError, match="fan-failure"):
        scenario("fan-failur")


def test_the_same_seed_gives_the_same_course_whoever_asks_when() -> None:
    once = lived("fan-failure")
    again = world("fan-failure", step_ns=once.step_ns)
    for at_ns in range(0, round(once.scenario.end_s / 60 * SECOND), 137_000_000):
        again.felt("A1.heatsink", at_ns)
    again.advance(once.now_ns)
    assert again.crossings == once.crossings
    assert again.happenings == once.happenings


def test_another_seed_gives_another_course() -> None:
    assert lived("fan-failure", seed=2).crossings != lived("fan-failure", seed=3).crossings


def first_of(room: World) -> str | None:
    first = min(room.crossings, key=lambda crossing: crossing.out_ns, default=None)
    return first.channel if first else None


def expected(room: World) -> str | None:
    first = room.scenario.first
    return f"{room.victim}.{first}" if first and room.scenario.role == "unit" else first


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_what_should_go_first_truly_goes_first(name: str) -> None:
    room = lived(name, seed=4)
    assert first_of(room) == expected(room)
    assert not any(crossing.before for crossing in room.crossings)
    assert room.dead == ((room.victim,) if room.scenario.dies else ())


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(10, 20))
@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_what_should_go_first_goes_first_with_any_seed(name: str, seed: int) -> None:
    room = lived(name, seed=seed)
    assert first_of(room) == expected(room)
    assert room.dead == ((room.victim,) if room.scenario.dies else ())


@pytest.mark.parametrize("name", sorted(name for name, one in SCENARIOS.items() if one.dies))
def test_a_death_comes_between_24_and_30_seconds_with_near_and_far_crossings(name: str) -> None:
    room = lived(name, seed=5)
    blown = [one.at_ns / SECOND for one in room.happenings if one.text == "the fuse blows"]
    assert len(blown) == 1
    assert 24.0 < blown[0] < 30.0
    times = sorted(crossing.out_ns for crossing in room.crossings)
    gaps = [later - earlier for earlier, later in pairwise(times)]
    assert min(gaps) < 0.5 * SECOND
    assert max(gaps) > 0.7 * SECOND


@pytest.mark.slow
def test_a_finer_step_finds_the_same_crossings_at_the_same_times() -> None:
    coarse, fine = lived("thermal-runaway"), lived("thermal-runaway", step_ns=2_000_000)
    one = {(c.channel, c.side): c.out_ns for c in coarse.crossings}
    other = {(c.channel, c.side): c.out_ns for c in fine.crossings}
    assert one.keys() == other.keys()
    bias = (f"{coarse.victim}.bias", "high")
    assert one[bias] == pytest.approx(other[bias], abs=20_000_000)


def test_protection_cycling_mutes_and_lets_go_several_times() -> None:
    room = lived("protection-cycling")
    mutes = [one for one in room.happenings if one.text == "protection mutes the output"]
    assert len(mutes) >= 3


def test_the_lags_stated_are_within_their_tolerance_of_the_true_ones() -> None:
    for seed in range(20):
        for probe in plan(units=6, seed=seed).probes:
            assert abs(probe.true_lag_s - probe.lag_s) <= LAG_TOLERANCE * probe.lag_s


def test_an_open_probe_delivers_nothing_and_the_unit_is_well() -> None:
    room = lived("open-thermocouple")
    at_ns = room.now_ns
    assert room.felt(f"{room.victim}.heatsink", at_ns) is None
    assert room.true(f"{room.victim}.heatsink") < 95.0
    assert room.crossings == ()


def test_a_stuck_probe_repeats_itself_to_the_last_digit() -> None:
    room = lived("stuck-reading")
    channel = f"{room.victim}.transformer"
    first = room.felt(channel, room.now_ns)
    assert room.felt(channel, room.now_ns + 5 * SECOND) == first


def test_a_fallen_probe_reads_the_air() -> None:
    room = lived("thermocouple-fallen-off")
    felt = room.felt(f"{room.victim}.heatsink", room.now_ns)
    assert felt == pytest.approx(room.true("ambient"), abs=0.5)


def test_an_instrument_hangs_only_when_its_scenario_says_so() -> None:
    room = world("instrument-hang")
    begins = round(room.scenario.fault_s / 60 * SECOND)
    at = [begins - 1, begins, begins + 6 * SECOND - 1, begins + 6 * SECOND, begins + 12 * SECOND]
    assert [room.hangs("iron", when) for when in at] == [False, True, True, False, True]
    assert not room.hangs("heat", begins)


def sizes(room: RoomPlan) -> tuple[int, int, int]:
    return len(room.gear), len(room.lines), len(room.probes)


def test_the_ordinary_room_has_ten_instruments_five_buses_and_sixty_channels_or_more() -> None:
    instruments, buses, channels = sizes(plan())
    assert instruments >= 10
    assert buses >= 5
    assert channels == 60


def test_a_larger_room_has_more_serial_lines_and_no_line_with_more_than_eight_meters() -> None:
    large = plan(units=24)
    assert len(large.probes) == 24 * 9 + 6
    for line in large.lines:
        assert sum(gear.line == line.name for gear in large.gear) <= 8


def test_every_probe_is_read_by_exactly_one_instrument() -> None:
    for units in (1, 6, 17):
        room = plan(units=units)
        read = [channel for gear in room.gear for channel in gear.channels]
        assert sorted(read) == sorted(probe.channel for probe in room.probes)


def test_a_contactor_that_opens_switches_the_unit_off() -> None:
    room = world("quiet")
    room.switch("A1", on=False)
    room.advance(5 * SECOND)
    assert not room.switched_on("A1")
    assert room.true("A1.supply") == 0.0
    assert room.true("A2.supply") > 0.5


def test_held_faults_wait_until_they_are_let_come() -> None:
    room = World(
        plan=plan(units=2),
        scenario=scenario("fan-failure"),
        seed=1,
        start_ns=0,
        step_ns=10_000_000,
        held=True,
    )
    room.advance(40 * SECOND)
    assert (room.happenings, room.dead) == ([], ())
    room.fail()
    room.advance(70 * SECOND)
    first = room.happenings[0]
    assert (first.at_ns, first.subject) == (40 * SECOND, room.victim)
    assert room.dead == (room.victim,)
