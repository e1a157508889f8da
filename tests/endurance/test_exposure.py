"""The exposure account against runs whose truth is known to the nanosecond."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from rig.domain.accounting import LevelPlan
from rig.domain.model import EventKind, Series, Signals, Status
from rig.domain.program import Duty, Program
from rig.endurance.account_options import account_options
from rig.endurance.bands import Bands
from rig.endurance.drive import Level, TripRule
from rig.endurance.exposure import ExposureOptions, UnitExposure, exposures
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Phase, PhaseTarget
from rig.errors import UsageError
from rig.reliability.service_hours import served
from tests.endurance.rooms import Room, at, channel, event, phase_event, series, session

LOW = Phase(name="low", duration_s=600, targets={"mains": PhaseTarget(value=207, tolerance=3)})
HIGH = Phase(name="high", duration_s=600, targets={"mains": PhaseTarget(value=253, tolerance=3)})


def room(mains: Series, *more: Series, events: Sequence[object] = (), **about: object) -> Room:
    channels = [channel("mains"), channel("A1.out")]
    data = {"mains": mains, "A1.out": series("A1.out", [0.0, 1.0, 2.0], 1.0)}
    for one in more:
        data[one.channel] = one
        if one.channel != "A1.out":
            channels.append(channel(one.channel, uom="W" if one.channel.endswith("power") else "V"))
    return Room(channels=channels, data=data, happened=events, **about)  # type: ignore[arg-type]


def only(accounts: list[UnitExposure]) -> UnitExposure:
    assert len(accounts) == 1
    return accounts[0]


@pytest.mark.parametrize("seed", range(8))
def test_hours_in_tolerance_are_true_within_a_poll_period_per_transition(seed: int) -> None:
    """Mains wound at known moments, polled with jitter; the truth is the plan of the simulation."""
    rng = np.random.default_rng(seed)
    turns = np.sort(rng.uniform(10, 990, 20))
    levels = rng.choice([207.0, 230.0, 253.0], 21)
    period = float(rng.uniform(0.5, 5.0))
    polls = np.arange(0, 1000, period)
    polls = polls + rng.uniform(-0.2, 0.2, len(polls)) * period
    value = levels[np.searchsorted(turns, polls)] + rng.uniform(-0.5, 0.5, len(polls))
    events = [phase_event(0, "low"), phase_event(500, "high")]
    account = only(
        exposures(room(series("mains", polls, value), events=events, from_s=0, to_s=1000), [LOW, HIGH])
    )
    edges = np.concatenate([[0], turns, [1000]])
    for phase, wanted, lo, hi in ((account.phases[0], 207, 0, 500), (account.phases[1], 253, 500, 1000)):
        spent = np.clip(edges[1:], lo, hi) - np.clip(edges[:-1], lo, hi)
        truth = float(spent[levels == wanted].sum())
        assert phase.in_force_s == pytest.approx(500, abs=1e-6)
        assert abs(phase.within_s - truth) <= period * max(phase.transitions, 1)
        assert abs(phase.within_s - truth) <= phase.within_half_width_s + period
        assert phase.within_s + phase.out_s + phase.unobserved_s == pytest.approx(500, abs=1e-6)


def test_unlogged_time_is_exact_and_never_exposure() -> None:
    polls = [t for t in range(1000) if not 300 <= t < 400 and t not in (500, 501, 502)]
    account = only(
        exposures(
            room(series("mains", polls, 207.0), events=[phase_event(-0.5, "low")], from_s=-0.5, to_s=999.5),
            [LOW],
        )
    )
    phase = account.phases[0]
    assert phase.unobserved_s == pytest.approx(103, abs=1e-9)
    assert phase.within_s == pytest.approx(897, abs=1e-9)
    assert phase.out_s == pytest.approx(0, abs=1e-9)
    assert account.unobserved_s == pytest.approx(103, abs=1e-9)


def test_an_implausible_or_missing_value_is_unlogged_and_not_out_of_tolerance() -> None:
    codes = np.zeros(100, int)
    codes[10:20] = Status.NO_REPLY
    codes[50:53] = Status.SUSPECT
    mains = series("mains", range(100), 207.0, status=codes)
    account = only(exposures(room(mains, events=[phase_event(-0.5, "low")], from_s=-0.5, to_s=99.5), [LOW]))
    assert account.phases[0].unobserved_s == pytest.approx(13, abs=1e-9)
    assert account.phases[0].out_s == 0


def test_one_target_known_to_be_out_is_enough_and_one_unknown_is_not() -> None:
    phase = Phase(
        name="p",
        targets={"mains": PhaseTarget(value=207, tolerance=3), "air": PhaseTarget(value=40, tolerance=2)},
    )
    mains = series("mains", range(100), np.where(np.arange(100) < 50, 207.0, 230.0))
    air = series("air", range(20, 100), 40.0)
    account = only(
        exposures(room(mains, air, events=[phase_event(-0.5, "p")], from_s=-0.5, to_s=99.5), [phase])
    )
    got = account.phases[0]
    assert got.unobserved_s == pytest.approx(20, abs=1e-9)
    assert got.within_s == pytest.approx(30, abs=1e-9)
    assert got.out_s == pytest.approx(50, abs=1e-9)
    assert [(t.channel, t.lowest, t.highest) for t in got.targets] == [("mains", 207, 230), ("air", 40, 40)]


def test_readback_counts_and_not_the_phase_that_was_announced() -> None:
    """The variac was turned 40 s after the phase was announced."""
    mains = series("mains", range(200), np.where(np.arange(200) < 140, 207.0, 253.0))
    events = [phase_event(-0.5, "low"), phase_event(99.5, "high")]
    account = only(exposures(room(mains, events=events, from_s=-0.5, to_s=199.5), [LOW, HIGH]))
    low, high = account.phases
    assert (low.within_s, high.within_s, high.out_s) == pytest.approx((100, 60, 40), abs=1e-9)
    assert low.anywhere_s == pytest.approx(140, abs=1e-9)


def test_without_recorded_phases_only_what_readback_shows_is_told() -> None:
    account = only(exposures(room(series("mains", range(100), 207.0), from_s=-0.5, to_s=99.5), [LOW]))
    assert account.phases[0].in_force_s == 0
    assert account.phases[0].anywhere_s == pytest.approx(100, abs=1e-9)
    assert any("no phase in the record" in note for note in account.notes)


def test_energy_is_the_integral_over_logged_time_only() -> None:
    polls = [t for t in range(100) if not 40 <= t < 60]
    power = series("A1.power", polls, 50.0)
    account = only(
        exposures(
            room(series("mains", range(100), 207.0), power, from_s=-0.5, to_s=99.5),
            options=ExposureOptions(power="{unit}.power"),
        )
    )
    assert account.energy is not None
    assert account.energy.joule == pytest.approx(50 * 80, rel=1e-9)
    assert account.energy.watt_hours == pytest.approx(50 * 80 / 3600, rel=1e-9)
    assert account.energy.unobserved_s == pytest.approx(20, abs=1e-9)


def test_an_energy_of_volts_is_refused() -> None:
    with pytest.raises(UsageError, match=r"A1\.out.*expected a unit of power"):
        exposures(room(series("mains", range(9), 207.0)), options=ExposureOptions(power="A1.out"))


def test_a_channel_that_is_not_there_is_named_with_those_that_are() -> None:
    phase = Phase(name="p", targets={"{unit}.main": PhaseTarget(value=1, tolerance=1)})
    with pytest.raises(UsageError, match=r"no channel named A1\.main; it has: A1\.out, mains"):
        exposures(room(series("mains", range(9), 207.0)), [phase])


def test_drive_cycles_are_changes_that_were_seen() -> None:
    """Duty 55 s on, 5 s off; ten minutes of it lost: the cycles inside are not made up."""
    t = np.arange(0, 3600)
    on = np.where(t % 60 < 55, 20.0, 0.0)
    keep = (t < 1200) | (t >= 1800)
    drive = series("A1.drive", t[keep], on[keep])
    level = Level(channel="{unit}.drive", on_above=10, off_below=5)
    account = only(
        exposures(
            room(series("mains", t, 207.0), drive, from_s=-0.5, to_s=3599.5),
            options=ExposureOptions(drive=level),
        )
    )
    assert account.drive is not None
    # 59 changes from off to on in the hour, 11 of them in the lost ten minutes or at their edges
    assert account.drive.count == 59 - 11
    assert account.drive.gaps == 1
    assert account.drive.on_s == pytest.approx(50 * 55, abs=1e-6)


BURSTS = Duty(channel="A1.out", on_above=5.0, on_s=55.0, off_s=5.0)


def in_bursts(keep: np.ndarray, drive: Level | None = None) -> list[int | None]:
    """Return the cycles of A1, which dies in the middle, and of A2, both in bursts for an hour.

    The generator reads the same all the time: its level does not show its bursts.
    """
    t = np.arange(0, 3600)
    burst = np.where(t % 60 < 55, 28.0, 0.0)
    phase = Phase(name="p", count=60, drive=BURSTS, targets={"mains": PhaseTarget(value=207, tolerance=3)})
    made = room(
        series("mains", t, 207.0),
        series("A1.out", t[keep], np.where(t < 1800, burst, 0.0)[keep]),
        series("A2.out", t[keep], burst[keep]),
        series("level", t, 1.2),
        events=[phase_event(-0.5, "p")],
        from_s=-0.5,
        to_s=3599.5,
    )
    return [one.phases[0].drive_cycles for one in exposures(made, [phase], ExposureOptions(drive=drive))]


@pytest.mark.parametrize("drive", [None, Level(channel="level", on_above=0.5, off_below=0.3)])
def test_cycles_of_a_phase_are_whole_ones_of_its_own_drive_at_each_unit(drive: Level | None) -> None:
    """They end at 55 s, 115 s...: 30 before A1 died, 60 in the hour; the level of the account shows none."""
    assert in_bursts(np.ones(3600, bool), drive) == [30, 60]


def test_cycles_of_a_phase_that_nobody_saw_end_are_not_counted() -> None:
    """Ten minutes lost in which ten ended; and from 4 s before an end to 1 s after it one more."""
    t = np.arange(0, 3600)
    assert in_bursts((t < 1200) | (t >= 1800)) == [20, 50]
    assert in_bursts((t < 111) | (t >= 117)) == [29, 59]


def test_a_level_in_the_middle_of_the_hysteresis_stays_as_it_was() -> None:
    value = [0, 20, 7, 20, 7, 0, 7, 7, 20]
    account = only(
        exposures(
            room(series("mains", range(9), 207.0), series("A1.drive", range(9), value)),
            options=ExposureOptions(drive=Level(channel="A1.drive", on_above=10, off_below=5)),
        )
    )
    assert account.drive is not None
    assert account.drive.count == 2


def tripping(t: np.ndarray, out: np.ndarray, keep: np.ndarray | None = None) -> UnitExposure:
    drive = np.where(t % 60 < 55, 1.0, 0.0)
    keep = np.ones(len(t), bool) if keep is None else keep
    made = room(
        series("mains", t, 207.0),
        series("A1.out", t[keep], (out * drive)[keep]),
        series("A1.drive", t, drive),
        from_s=-0.5,
        to_s=float(t[-1]) + 0.5,
    )
    rule = TripRule(
        output=Level(channel="{unit}.out", on_above=10, off_below=5),
        drive=Level(channel="{unit}.drive", on_above=0.5, off_below=0.4),
    )
    return only(exposures(made, options=ExposureOptions(trip=rule, output=rule.output)))


def test_pauses_of_the_drive_are_no_trips_and_trips_are_told_once() -> None:
    """Off for four minutes of duty cycling: one trip, not five."""
    t = np.arange(0, 1200)
    out = np.where((t >= 310) & (t < 550), 0.0, 28.0)
    account = tripping(t, out)
    assert [(x.start_ns, x.came_back, x.over_gap) for x in account.trips] == [(at(309.5), True, False)]
    assert account.trips[0].lasted_s == pytest.approx(240, abs=1e-6)
    assert account.output is not None
    assert account.output.on_s == pytest.approx(20 * 55 - 4 * 55, abs=1e-6)


def test_a_unit_that_never_comes_back_has_a_trip_without_end() -> None:
    t = np.arange(0, 600)
    account = tripping(t, np.where(t >= 310, 0.0, 28.0))
    assert [x.came_back for x in account.trips] == [False]


def test_a_gap_is_no_trip_and_a_trip_over_a_gap_says_so() -> None:
    t = np.arange(0, 1200)
    lost = (t >= 400) & (t < 460)
    assert tripping(t, np.full(len(t), 28.0), ~lost).trips == ()
    out = np.where((t >= 310) & (t < 550), 0.0, 28.0)
    assert [x.over_gap for x in tripping(t, out, ~lost).trips] == [True]


def test_bands_hold_all_of_the_logged_time() -> None:
    air = series("air", range(100), [30.0] * 20 + [35.0] * 30 + [45.0] * 40 + [50.0] * 10)
    account = only(
        exposures(
            room(series("mains", range(100), 207.0), air, from_s=-0.5, to_s=109.5),
            options=ExposureOptions(bands=(Bands(channel="air", edges=(35, 45, 50)),)),
        )
    )
    band = account.bands[0]
    assert band.time_s == pytest.approx((20, 30, 40, 10), abs=1e-9)
    assert band.mean == pytest.approx((30, 35, 45, 50))
    assert band.unobserved_s == pytest.approx(10, abs=1e-9)
    with pytest.raises(ValueError, match="ascend"):
        Bands(channel="air", edges=(2, 1))


def test_hours_are_counted_for_the_serial_number_and_not_for_the_place() -> None:
    events = [
        phase_event(-0.5, "low"),
        event(EventKind.UNIT, 29.5, "A1", serial="", text="taken out"),
        event(EventKind.UNIT, 39.5, "A1", serial="0099"),
    ]
    got = exposures(room(series("mains", range(100), 207.0), events=events, from_s=-0.5, to_s=99.5), [LOW])
    assert [one.serial for one in got] == ["SA1", "0099"]
    assert [one.phases[0].within_s for one in got] == pytest.approx([30, 60])


def test_thermal_cycles_are_counted_of_the_unit_s_own_stay() -> None:
    heat = series("A1.heat", range(9), [20, 80, 30, 80, 20, 20, 20, 90, 20])
    account = only(
        exposures(
            room(series("mains", range(9), 207.0), heat, from_s=-0.5, to_s=8.5),
            options=ExposureOptions(cycles={"{unit}.heat": 1.0}),
        )
    )
    # by hand: 80-30 closes inside 20..80; the last reversal 90 exceeds 80, so 20-80 and 80-20 are halves
    assert account.cycles["A1.heat"].histogram([50, 60, 70, 80]).tolist() == [1.0, 1.0, 1.0]
    assert account.cycles["A1.heat"].total == 3


def test_a_clock_put_back_is_said_and_counts_no_time_twice() -> None:
    lived = [session(0, 0, 100, "a"), session(1, 50, 150, "b", synchronised=False)]
    mains = series("mains", [*range(100), *range(50, 150)], 207.0, session=[0] * 100 + [1] * 100)
    events = [phase_event(0, "low")]
    account = only(exposures(room(mains, events=events, lived=lived, from_s=0, to_s=150), [LOW]))
    assert account.installed_s == pytest.approx(200)
    assert account.phases[0].within_s == pytest.approx(200, abs=1.5)
    assert any("set back before session 1" in note for note in account.notes)
    assert any("depends on the wall clock" in note for note in account.notes)
    assert any("wall clock not synchronised in session 1" in note for note in account.notes)


# ---- units on different sources


def two_sources(events: Sequence[object]) -> Room:
    """A1 on mains_a, B1 on mains_b; the variac of mains_b is out from 300 s to 700 s of 1000 s."""
    t = np.arange(0.0, 1000.0, 1.0)
    found = Room(
        channels=[channel("mains_a"), channel("mains_b"), channel("A1.out"), channel("B1.out")],
        data={
            "mains_a": series("mains_a", t, 207.0),
            "mains_b": series("mains_b", t, np.where((t >= 300) & (t < 700), 230.0, 207.0)),
            "A1.out": series("A1.out", t, 1.0),
            "B1.out": series("B1.out", t, 1.0),
        },
        happened=events,  # type: ignore[arg-type]
        from_s=0,
        to_s=1000,
    )
    units = {
        name: replace(one, signals=Signals(mains=LevelPlan(channel=mains, on_above=100, off_below=90)))
        for (name, one), mains in zip(found.layout.units.items(), ("mains_a", "mains_b"), strict=True)
    }
    found.layout = replace(found.layout, units=units)
    return found


BOTH = Phase(
    name="low",
    duration_s=600,
    targets={name: PhaseTarget(value=207, tolerance=3) for name in ("mains_a", "mains_b")},
)


def test_a_unit_loses_no_hours_because_the_variac_of_its_neighbours_was_out() -> None:
    first, second = exposures(two_sources([phase_event(0, "low")]), [BOTH])
    assert first.phases[0].within_s == pytest.approx(1000, abs=1)
    assert [one.channel for one in first.phases[0].targets] == ["mains_a"]
    assert second.phases[0].within_s == pytest.approx(600, abs=2)
    assert second.phases[0].out_s == pytest.approx(400, abs=2)
    # nor does it have any for what only the neighbours were subject to
    assert second.phases[0].anywhere_s == pytest.approx(600, abs=2)


def test_the_hours_of_a_unit_are_those_of_the_phases_of_its_own_group() -> None:
    def of_group(t_s: float, name: str, unit: str) -> object:
        return event(EventKind.PHASE, t_s, "run", phase=name, group=[unit])

    room_ = two_sources([of_group(0, "low", "A1"), of_group(0, "low", "B1"), of_group(200, "", "A1")])
    first, second = exposures(room_, [BOTH])
    assert first.phases[0].in_force_s == pytest.approx(200, abs=1)
    assert second.phases[0].in_force_s == pytest.approx(1000, abs=1)
    options = account_options(replace(room_.layout, program=Program(phases=(BOTH,), order=("low",))))
    readings = HeldReadings(room_)
    hours = [served(readings, one, options).hours for one in readings.installations()]
    assert hours == pytest.approx([200 / 3600, 600 / 3600], abs=2 / 3600)
