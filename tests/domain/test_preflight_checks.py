"""What a pre-flight finds in what was seen: handbook statistics, wrong sensors, honest doubts."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from datetime import date

import pytest

from rig.domain import preflight_checks
from rig.domain.model import (
    Calibration,
    Channel,
    ChannelKind,
    ChannelSource,
    InstrumentFacts,
    Layout,
    Status,
    Unit,
)
from rig.domain.preflight_checks import CheckResult, CheckVerdict, Gathered, LoadCheck, PreflightPlan
from rig.domain.program import PhaseTarget
from rig.errors import ConfigError
from rig.rigfile import config, yaml_reader
from rig.rigfile.config import DriverSpec, RigConfig
from tests.rigfile.test_config import MeterOptions, describe


def channel(
    name: str, unit_of_measure: str = "degC", unit: str | None = None, due: date | None = None
) -> Channel:
    return Channel(
        name=name,
        unit_of_measure=unit_of_measure,
        unit=unit,
        kind=ChannelKind.RESPONSE,
        source=ChannelSource(instrument="meter", field=name.replace(".", "_")),
        calibration=Calibration(due=due),
    )


CHANNELS = {
    one.name: one
    for one in (
        channel("A1.heat", unit="A1"), channel("A1.iron", unit="A1"), channel("A2.heat", unit="A2"),
        channel("A1.volts", "V", "A1"), channel("A1.amps", "mA", "A1"), channel("air"),
    )
}  # fmt: skip
LAYOUT = Layout(
    rig="room",
    units={
        "A1": Unit(name="A1", serial="1", load="", channels=("A1.heat", "A1.iron", "A1.volts", "A1.amps")),
        "A2": Unit(name="A2", serial="2", load="", channels=("A2.heat",)),
    },
    channels=CHANNELS,
    instruments={"meter": InstrumentFacts(name="meter", bus="b", driver="d", poll_s=1.0, timeout_s=1.0)},
)
PLAN = PreflightPlan(ambient="air", near=3.0, rise=2.0)


def gathered(*values: float, bad: int = 0) -> Gathered:
    one = Gathered()
    for value in values:
        one.take(value, Status.GOOD)
    for _ in range(bad):
        one.take(math.nan, Status.NO_REPLY)
    return one


def steady(value: float) -> Gathered:
    return gathered(*[value] * 5)


def by_subject(found: list[CheckResult]) -> dict[str, CheckVerdict]:
    return {one.subject: one.verdict for one in found}


def test_mean_and_scatter_of_numbers_worked_out_by_hand() -> None:
    # 1, 3, 2, 6: differences 2, -1, 4, of these -3, 5; a sixth of the mean of their squares is 34 / 12
    one = gathered(1.0, 3.0, 2.0, 6.0, bad=2)
    assert (one.count, one.bad, one.mean) == (4, 2, 3.0)
    assert one.scatter == pytest.approx(math.sqrt(34 / 12))
    assert math.isnan(gathered(1.0, 2.0).scatter)


def test_the_scatter_is_that_of_the_noise_with_and_without_a_drift() -> None:
    dice = random.Random(3)
    noise = [dice.gauss(0.0, 0.2) for _ in range(4000)]
    assert gathered(*noise).scatter == pytest.approx(0.2, rel=0.05)
    for drift in (0.01, 2.0):
        moved = [x + drift * n for n, x in enumerate(noise)]
        assert gathered(*moved).scatter == pytest.approx(0.2, rel=0.05)


def test_an_instrument_answers_when_every_channel_of_it_gave_a_good_reading() -> None:
    seen = {name: steady(20.0) for name in CHANNELS}
    assert by_subject(preflight_checks.online(LAYOUT, seen)) == {"meter": CheckVerdict.GOOD}
    seen["A2.heat"] = gathered(bad=5)
    (found,) = preflight_checks.online(LAYOUT, seen)
    assert found.verdict is CheckVerdict.BAD
    assert "5 of 6 channels with good readings; none from A2.heat" in found.text


def test_cold_sensors_must_read_what_the_room_reads() -> None:
    seen = {"air": steady(22.0), "A1.heat": steady(25.0), "A1.iron": steady(18.9), "A2.heat": gathered(22.0)}
    assert by_subject(preflight_checks.near_ambient(PLAN, LAYOUT, seen)) == {
        "A1.heat": CheckVerdict.GOOD, "A1.iron": CheckVerdict.BAD, "A2.heat": CheckVerdict.UNJUDGED,
    }  # fmt: skip
    assert by_subject(preflight_checks.near_ambient(PreflightPlan(), LAYOUT, seen)) == {
        "run": CheckVerdict.UNJUDGED
    }
    assert by_subject(preflight_checks.near_ambient(PLAN, LAYOUT, {})) == {"air": CheckVerdict.UNJUDGED}


def test_noise_is_judged_where_a_bound_is_written_and_recorded_elsewhere() -> None:
    seen = {name: gathered(1.0, 1.1, 1.0, 1.1) for name in CHANNELS}
    plan = replace(PLAN, noise={"{unit}.heat": 0.05, "air": 0.2})
    found = preflight_checks.noise(plan, LAYOUT, seen, "on")
    assert by_subject(found) == {
        "A1.heat": CheckVerdict.BAD,
        "A2.heat": CheckVerdict.BAD,
        "air": CheckVerdict.GOOD,
        "run": CheckVerdict.UNJUDGED,
    }
    assert {one.check for one in found} == {"noise with power on"}
    assert set(found[-1].data["channels"]) == {"A1.iron", "A1.volts", "A1.amps"}


@pytest.mark.parametrize(
    ("rises", "bad", "says"),
    [
        ({"A1.heat": 5.0, "A1.iron": 3.0, "A2.heat": 0.1}, set(), ""),
        (
            {"A1.heat": 0.1, "A1.iron": 3.0, "A2.heat": 5.0},
            {"A1.heat"},
            "A2.heat warmed instead: sensors swapped?",
        ),
        (
            {"A1.heat": -5.0, "A1.iron": 3.0, "A2.heat": 0.0},
            {"A1.heat"},
            "check for reversed thermocouple wires",
        ),
        ({"A1.heat": 0.2, "A1.iron": 3.0, "A2.heat": 0.0}, {"A1.heat"}, "sensor loose"),
        ({"A1.heat": 5.0, "A1.iron": 3.0, "A2.heat": 4.0}, {"A2.heat"}, "of another unit +"),
    ],
)
def test_the_sensor_that_warms_must_be_the_driven_units(
    rises: dict[str, float | None], bad: set[str], says: str
) -> None:
    found = preflight_checks.warmed(PLAN, LAYOUT, "A1", rises)
    assert {one.subject for one in found if one.verdict is CheckVerdict.BAD} == bad
    assert not bad or any(says in one.text for one in found if one.verdict is CheckVerdict.BAD)


def test_a_sensor_that_nobody_read_is_not_judged() -> None:
    found = preflight_checks.warmed(PLAN, LAYOUT, "A1", {"A1.heat": None, "A1.iron": 3.0, "A2.heat": None})
    assert by_subject(found) == {"A1.heat": CheckVerdict.UNJUDGED, "A1.iron": CheckVerdict.GOOD}


def test_load_resistance_is_volts_over_amps_in_any_unit_of_measure() -> None:
    right = LoadCheck(
        volts="{unit}.volts", amps="{unit}.amps", ohm={"A1": PhaseTarget(value=8.0, tolerance=0.5)}
    )
    plan = replace(PLAN, load=right)
    for milliamps, verdict in (
        (3500.0, CheckVerdict.GOOD),
        (7000.0, CheckVerdict.BAD),
        (0.0, CheckVerdict.UNJUDGED),
    ):
        seen = {"A1.volts": steady(28.0), "A1.amps": steady(milliamps)}
        assert by_subject(preflight_checks.load(plan, LAYOUT, seen))["A1"] is verdict
    # Ohm's law: 28 V / 3.5 A = 8 ohm
    seen = {"A1.volts": steady(28.0), "A1.amps": steady(3500.0)}
    assert preflight_checks.load(plan, LAYOUT, seen)[0].data["ohm"] == pytest.approx(8.0)
    assert by_subject(preflight_checks.load(PLAN, LAYOUT, seen)) == {"run": CheckVerdict.UNJUDGED}
    unknown = replace(plan, load=replace(right, ohm={}))
    assert by_subject(preflight_checks.load(unknown, LAYOUT, seen))["A1"] is CheckVerdict.UNJUDGED


def test_a_calibration_must_last_to_the_end_of_the_planned_run() -> None:
    today = date(2027, 3, 1)
    for due, verdict, says in (
        (date(2027, 3, 22), CheckVerdict.GOOD, "valid"),
        (date(2027, 3, 21), CheckVerdict.BAD, "expires before the run ends"),
        (date(2027, 2, 28), CheckVerdict.BAD, "expired"),
    ):
        layout = replace(LAYOUT, channels={**CHANNELS, "air": channel("air", due=due)})
        found = {one.subject: one for one in preflight_checks.calibration(layout, today, 21 * 86_400.0)}
        assert found["air"].verdict is verdict
        assert says in found["air"].text
        assert found["run"].verdict is CheckVerdict.UNJUDGED
    assert preflight_checks.calibration(LAYOUT, today, 1e12)  # a plan beyond the calendar is no error


def test_the_disk_must_hold_the_planned_run_and_a_fault_of_it_is_bad() -> None:
    assert preflight_checks.disk(10, 10, "")[0].verdict is CheckVerdict.GOOD
    assert preflight_checks.disk(9, 10, "")[0].verdict is CheckVerdict.BAD
    assert preflight_checks.disk(100, 10, "runs: read-only file system")[0].verdict is CheckVerdict.BAD


def test_one_bad_check_makes_the_whole_bad_and_what_was_not_judged_is_counted() -> None:
    good, bad = preflight_checks.clock(True)[0], preflight_checks.clock(False)[0]
    doubt = preflight_checks.unjudged("noise", "run", "why")
    assert preflight_checks.summary([good, doubt]).verdict is CheckVerdict.GOOD
    whole = preflight_checks.summary([good, bad, doubt])
    assert whole.verdict is CheckVerdict.BAD
    assert whole.text == "pre-flight: 1 good, 1 bad, 1 not judged; bad: clock run"


# ---- the rig file

RIG = """\
rig: hot-room
runs: runs
planned: 21 d
buses: {lan: {tcp: "meter.example:5025"}}
instruments:
  meter: {bus: lan, driver: meter, poll: 1 s, fields: [volts, amps, heat, air]}
units:
  A1:
    serial: "1"
    load: none
    channels:
      volts: {from: meter.volts, unit: V, limits: none}
      amps: {from: meter.amps, unit: mA, limits: none}
      heat: {from: meter.heat, unit: degC, limits: none}
channels:
  air: {from: meter.air, unit: degC, limits: none}
"""


def read(section: str) -> RigConfig:
    def check(_options: object, text: str) -> None:
        if not text.startswith("SET"):
            raise ValueError(f"{text!r} is not a command")

    def drivers(_name: str) -> DriverSpec:
        return DriverSpec(options=MeterOptions, describe=describe, check_command=check)

    return config.read(yaml_reader.parse(f"{RIG}preflight: {section}\n", "rig.yaml"), drivers)


def test_everything_that_can_be_written_arrives() -> None:
    plan = read(
        '{ambient: air, near-ambient: 1.5 K, sensors: ["{unit}.heat"], watch: 1 min, rise: 4 K, '
        'within: 2 min, noise: {"{unit}.heat": 50 mK}, load: {volts: "{unit}.volts", amps: "{unit}.amps", '
        "ohm: 8 ohm +- 500 mohm, units: {A1: 4 ohm +- 0.2 ohm}}, "
        "switch: {A1: {instrument: meter, on: [SET 1], off: [SET 0]}}}"
    ).preflight
    assert (plan.ambient, plan.near, plan.rise, plan.within_s) == ("air", 1.5, 4.0, 120.0)
    assert plan.noise == {"{unit}.heat": 0.05}
    assert plan.load is not None
    assert plan.load.ohm == {"A1": PhaseTarget(value=4.0, tolerance=0.2)}
    assert plan.switches["A1"].on == ("SET 1",)


def test_without_the_section_the_defaults_hold() -> None:
    plan = config.read(
        yaml_reader.parse(RIG, "rig.yaml"), lambda _: DriverSpec(options=MeterOptions, describe=describe)
    ).preflight
    assert plan == PreflightPlan()


@pytest.mark.parametrize(
    ("section", "says"),
    [
        ("{ambient: ear}", "did you mean 'air'"),
        ("{near-ambient: 3 degC}", "difference in K"),
        ("{near-ambient: -3 K}", "write 0 K or more"),
        ('{sensors: ["{unit}.heet"]}', "there is no channel 'A1.heet'"),
        ('{noise: {"{unit}.heat": 1 V}}', "not an amount of K"),
        ('{load: {volts: "{unit}.amps", amps: "{unit}.amps"}}', "name a channel in V"),
        ('{load: {volts: "{unit}.volts", amps: "{unit}.amps", ohm: 8 ohm}}', "such as 253 V +- 3 V"),
        ('{load: {volts: "{unit}.volts", amps: "{unit}.amps", units: {A9: 8 ohm +- 1 ohm}}}', "no unit 'A9'"),
        ("{switch: {A9: {instrument: meter, on: [SET 1], off: [SET 0]}}}", "there is no unit 'A9'"),
        ("{switch: {A1: {instrument: relay, on: [SET 1], off: [SET 0]}}}", "there is no instrument 'relay'"),
        ("{switch: {A1: {instrument: meter, on: [GO], off: [SET 0]}}}", "'GO' is not a command"),
    ],
)
def test_a_mistake_is_named(section: str, says: str) -> None:
    with pytest.raises(ConfigError) as caught:
        read(section)
    assert any(says in str(one) for one in caught.value.faults), caught.value.faults
