"""Pass, fail, not proven: every rule with a run that breaks just that rule."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
import pytest

from rig.domain.model import Calibration, Channel, Status
from rig.endurance.derating import Part, part_load
from rig.endurance.drive import Level, TripRule
from rig.endurance.exposure import ExposureOptions, exposures
from rig.endurance.held_readings import HeldReadings
from rig.endurance.margins import Limited, looked_at
from rig.endurance.phases_in_force import Phase, PhaseTarget
from rig.endurance.verdict import Criteria, Death, Decision, Record, Rule, RunVerdict, _unread, verdict
from tests.endurance.rooms import Room, at, channel, limit, phase_event, series

PHASE = Phase(name="low", duration_s=990, count=10, targets={"mains": PhaseTarget(value=207, tolerance=3)})
WANTED = ExposureOptions(
    drive=Level(channel="{unit}.drive", on_above=0.6, off_below=0.4),
    trip=TripRule(
        output=Level(channel="{unit}.out", on_above=10, off_below=5),
        drive=Level(channel="{unit}.drive", on_above=0.6, off_below=0.4),
    ),
)
T = np.arange(0, 1000.0)
DRIVE = np.where(T % 60 < 55, 1.0, 0.0)


def made(
    *,
    heat: np.ndarray | None = None,
    mains: np.ndarray | None = None,
    out: np.ndarray | None = None,
    heat_status: np.ndarray | None = None,
    keep: np.ndarray | None = None,
    heat_channel: Channel | None = None,
) -> Room:
    keep = np.ones(len(T), bool) if keep is None else keep
    heat = np.full(len(T), 80.0) if heat is None else heat
    mains = np.full(len(T), 207.0) if mains is None else mains
    out = np.full(len(T), 28.0) if out is None else out
    return Room(
        channels=[
            channel("mains", limit("high", 260)),
            heat_channel or channel("A1.heat", limit("high", 95, on_delay_s=5.0), uom="degC", accuracy=1.0),
            channel("A1.out"),
            channel("A1.drive"),
            channel("A1.p", uom="W"),
        ],
        data={
            "mains": series("mains", T[keep], mains[keep]),
            "A1.heat": series("A1.heat", T, heat, status=heat_status),
            "A1.out": series("A1.out", T, out * DRIVE),
            "A1.drive": series("A1.drive", T, DRIVE),
            "A1.p": series("A1.p", T, 0.5),
        },
        happened=[phase_event(-0.5, "low")],
        from_s=-0.5,
        to_s=999.5,
    )


def judged(
    room: Room,
    criteria: Criteria | None = None,
    *,
    phases: Sequence[Phase] = (PHASE,),
    parts: Sequence[Part] = (),
    deaths: Sequence[Death] = (),
) -> RunVerdict:
    readings = HeldReadings(room)
    loads = [
        part_load(readings, one, installation) for one in parts for installation in readings.installations()
    ]
    limits = looked_at(room, phases)
    record = Record(
        layout=room.layout,
        exposures=exposures(room, phases, WANTED),
        margins=limits.worst,
        limited=limits.limited,
        parts=[one for one in loads if one],
        deaths=deaths,
    )
    return verdict(record, criteria)


def against(got: RunVerdict) -> list[tuple[Decision, Rule]]:
    return [(one.outcome, one.rule) for one in got.units[0].reasons if one.outcome is not Decision.PASS]


def test_a_run_that_shows_all_that_was_asked_passes_with_its_reasons() -> None:
    got = judged(made())
    assert against(got) == []
    assert (got.outcome, got.outcome.exit_code) == (Decision.PASS, 0)
    texts = [one.text for one in got.units[0].reasons]
    assert "A1.heat in phase low: smallest margin 15 K to its high limit 95 degC" in texts
    assert "phase low: 0.2778 of 0.275 h within its targets" in texts


def test_an_excursion_that_counts_fails_with_channel_value_and_moment() -> None:
    heat = np.full(len(T), 80.0)
    heat[500:520] = 99.0
    heat[505] = 101.0
    got = judged(made(heat=heat))
    assert against(got) == [(Decision.FAIL, Rule.LIMIT)]
    assert got.outcome.exit_code == 10
    reason = got.units[0].reasons[0]
    assert reason.text == "A1.heat in phase low: 1 excursion beyond its high limit 95 degC, worst 101 degC"
    assert (reason.evidence.channel, reason.evidence.value, reason.evidence.t_ns) == (
        "A1.heat",
        101.0,
        at(505),
    )
    assert reason.evidence.probability == pytest.approx(0.0, abs=1e-9)


def test_a_spike_within_the_on_delay_is_no_fail_and_is_told() -> None:
    heat = np.full(len(T), 80.0)
    heat[500:503] = 99.0
    got = judged(made(heat=heat))
    assert against(got) == []
    assert any("less than the on-delay" in one.text for one in got.units[0].reasons)


@pytest.mark.parametrize(
    ("level", "outcome"),
    [
        (93.0, []),
        (94.5, [(Decision.INCONCLUSIVE, Rule.LIMIT)]),
        (95.5, [(Decision.INCONCLUSIVE, Rule.LIMIT)]),
        (97.0, [(Decision.FAIL, Rule.LIMIT)]),
    ],
)
def test_the_guard_band_gives_the_four_answers_of_the_guide(
    level: float, outcome: list[tuple[Decision, Rule]]
) -> None:
    """ILAC-G8:09/2019 4.2.3: pass, both conditional answers, fail; accuracy 1 K, so w = 2u = 1.155 K."""
    got = judged(made(heat=np.full(len(T), level)), Criteria(guard_k=2.0))
    assert against(got) == outcome


def test_a_guard_band_without_a_stated_uncertainty_proves_nothing() -> None:
    bare = channel("A1.heat", limit("high", 95), uom="degC")
    got = judged(made(heat_channel=bare), Criteria(guard_k=2.0))
    assert against(got) == [(Decision.INCONCLUSIVE, Rule.LIMIT)]
    assert "neither accuracy nor resolution" in got.units[0].reasons[0].text


def test_hours_that_were_planned_and_not_shown_are_not_proven() -> None:
    mains = np.where(T < 400, 207.0, 230.0)
    got = judged(made(mains=mains))
    assert (Decision.INCONCLUSIVE, Rule.HOURS) in against(got)
    assert got.outcome.exit_code == 11
    text = next(one.text for one in got.units[0].reasons if one.rule is Rule.HOURS)
    assert text == "phase low: 0.1111 of 0.275 h within its targets; 0.167 h out, 0 h unobserved"


def test_drive_cycles_that_were_planned_and_not_seen_are_not_proven() -> None:
    more = Phase(name="low", duration_s=900, count=40, targets=PHASE.targets)
    assert against(judged(made(), phases=(more,))) == [(Decision.INCONCLUSIVE, Rule.CYCLES)]


def test_unlogged_time_is_not_proven_and_never_a_pass() -> None:
    keep = (T < 100) | (T >= 200)
    short = Phase(name="low", duration_s=800, targets=PHASE.targets)
    got = judged(made(keep=keep), phases=(short,))
    assert against(got) == [(Decision.INCONCLUSIVE, Rule.UNOBSERVED)]


def test_a_sensor_that_dies_midway_cannot_pass_on_its_first_half() -> None:
    codes = np.where(T < 400, Status.GOOD, Status.NO_VALUE)
    got = judged(made(heat_status=codes))
    assert against(got) == [(Decision.INCONCLUSIVE, Rule.READINGS)]
    assert "in phase low: good readings for only 40.0% of the time" in got.units[0].reasons[0].text


@pytest.mark.parametrize(("edge_s", "proven"), [(2.1, True), (1.9, False)])
def test_what_polling_cannot_resolve_at_the_ends_is_not_unread(edge_s: float, proven: bool) -> None:
    """Four of ten seconds without a reading: at two ends of 2 s or less each, or more than that."""
    mine = Limited(
        unit="A1", serial="0201", channel="A1.volts", phase="", looked_s=10.0, known_s=6.0, edge_s=edge_s
    )
    assert (_unread([mine], Criteria()) == []) is proven


def test_a_channel_with_limits_and_no_reading_at_all_is_not_proven() -> None:
    codes = np.full(len(T), Status.NO_REPLY)
    assert against(judged(made(heat_status=codes))) == [(Decision.INCONCLUSIVE, Rule.READINGS)]


def test_a_phase_that_limits_nothing_asks_for_no_readings_and_judges_none() -> None:
    free = Phase(name="low", duration_s=990, targets=PHASE.targets, limits={"{unit}.heat": ()})
    codes = np.full(len(T), Status.NO_VALUE)
    assert judged(made(heat_status=codes), phases=(free,)).outcome is Decision.PASS
    assert judged(made(heat=np.full(len(T), 500.0)), phases=(free,)).outcome is Decision.PASS
    limited = Phase(name="low", duration_s=990, targets=PHASE.targets)
    assert judged(made(heat_status=codes), phases=(limited,)).outcome is Decision.INCONCLUSIVE


def test_an_excursion_from_the_phase_before_is_counted_there_and_said_here() -> None:
    room = made(heat=np.where((T >= 480) & (T < 520), 99.0, 80.0))
    room.happened = [phase_event(-0.5, "low"), phase_event(499.5, "high")]
    phases = (Phase(name="low"), Phase(name="high"))
    texts = [one.text for one in judged(room, phases=phases).units[0].reasons if one.rule is Rule.LIMIT]
    assert texts == [
        "A1.heat in phase low: 1 excursion beyond its high limit 95 degC, worst 99 degC",
        (
            "A1.heat in phase high: beyond its high limit 95 degC by an excursion that began before, and is "
            "counted there"
        ),
    ]


def test_trips_beyond_those_allowed_fail() -> None:
    out = np.where((T >= 300) & (T < 420), 0.0, 28.0)
    got = judged(made(out=out))
    assert against(got) == [(Decision.FAIL, Rule.TRIPS)]
    assert against(judged(made(out=out), Criteria(trips=1))) == []


def test_a_part_beyond_its_data_sheet_or_the_rule_of_the_trade_fails() -> None:
    def part(rating_w: float) -> Part:
        return Part(
            name="R14", rating_w=rating_w, rated_c=70, zero_c=90, power="{unit}.p", temperature="{unit}.heat"
        )

    # at 80 degC half of the rating is allowed; 0.5 W are dissipated
    assert against(judged(made(), parts=[part(0.9)])) == [(Decision.FAIL, Rule.RATING)]
    assert against(judged(made(), parts=[part(1.0)])) == []
    strict = Part(
        name="R", rating_w=1.5, rated_c=100, zero_c=200, power="A1.p", temperature="A1.heat", factor=4
    )
    assert against(judged(made(), parts=[strict])) == [(Decision.FAIL, Rule.RATING)]
    assert against(judged(made(), Criteria(trade_rule=False), parts=[strict])) == []


def test_a_death_fails_whatever_else_was_shown() -> None:
    got = judged(made(), deaths=[Death(serial="SA1", t_ns=at(700), text="fuse blown")])
    assert against(got) == [(Decision.FAIL, Rule.DEATH)]
    assert judged(made(), deaths=[Death(serial="other", t_ns=at(700), text="x")]).outcome is Decision.PASS


def test_a_room_out_of_its_own_limits_is_no_unit_s_fault_and_proves_nothing() -> None:
    mains = np.full(len(T), 207.0)
    mains[100:103] = 270.0
    assert against(judged(made(mains=mains))) == [(Decision.INCONCLUSIVE, Rule.ROOM)]


def test_a_calibration_that_ran_out_before_the_end_proves_nothing() -> None:
    # the tests' time line begins on 2023-11-14, UTC
    for due, outcome in (
        (date(2023, 11, 13), [(Decision.INCONCLUSIVE, Rule.CALIBRATION)]),
        (date(2023, 11, 14), []),
    ):
        heat = channel("A1.heat", limit("high", 95), uom="degC", calibration=Calibration(due=due))
        assert against(judged(made(heat_channel=heat))) == outcome


def test_fail_outweighs_not_proven_and_comes_first() -> None:
    heat = np.full(len(T), 99.0)
    got = judged(made(heat=heat, mains=np.full(len(T), 230.0)))
    assert got.outcome is Decision.FAIL
    assert got.units[0].reasons[0].outcome is Decision.FAIL


def test_a_run_without_units_proves_nothing() -> None:
    assert verdict(Record(layout=made().layout, exposures=(), margins=())).outcome is Decision.INCONCLUSIVE
