"""What many runs prove: the numbers of the handbook, and what is said where there are none."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import pytest

from rig.endurance.acceleration import arrhenius
from rig.endurance.deaths import Suspect
from rig.endurance.run_identity import RunIdentity
from rig.endurance.verdict import Death
from rig.errors import UsageError
from rig.reliability.design_evidence import EvidenceOptions, demonstrate
from rig.reliability.run_digest import InstallationDigest, RunDigest
from rig.reliability.service_hours import Counting
from tests.endurance.rooms import at


def installation(serial: str, hours: float, died: bool = False, **more: Any) -> InstallationDigest:
    settings: dict[str, Any] = {
        "unit": "A1", "serial": serial, "start_ns": at(0), "end_ns": at(hours * 3600), "installed_h": hours,
        "observed_h": hours, "unobserved_h": 0.0, "hours": hours, "counting": Counting.OUTPUT,
        "energy_wh": None, "output_h": None, "drive_cycles": None, "trips": None, "excursions": 0,
        "death": Death(serial=serial, t_ns=at(hours * 3600), text="seen") if died else None, **more,
    }  # fmt: skip
    return InstallationDigest(**settings)


def run(name: str, *installations: InstallationDigest, start_s: float = 0.0) -> RunDigest:
    facts = RunIdentity(run=name, name=name, rig="room", where=name, state="stopped", created_ns=0)
    return RunDigest(
        facts=facts, start_ns=at(start_s), end_ns=at(start_s + 1), sessions=1, installations=installations
    )


def test_bounds_are_those_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.1: 800 h, 2 failures: 127.07 to 2251.2 h at 90 %, one-sided 150.31 h."""
    runs = [
        run("a", installation("1", 200, died=True)),
        run("b", installation("2", 200, died=True)),
        run("c", installation("3", 400)),
    ]
    proof = demonstrate(runs, EvidenceOptions(confidence=0.9))
    assert (proof.unit_h, proof.bounds.failures, proof.bounds.estimate_h) == (800, 2, 400)
    assert proof.bounds.two_sided_h == pytest.approx((127.0690, 2251.229), rel=1e-5)
    assert proof.bounds.lower_h == pytest.approx(150.31, rel=1e-4)


def test_without_failures_the_plan_is_that_of_zero_failures() -> None:
    """-ln(0.1) x MTBF unit-hours without failure prove an MTBF at 90 % (NIST 8.3.1.1, chi-square with 2)."""
    proof = demonstrate(
        [run("a", installation("1", 500), installation("2", 500, unit="A2"))],
        EvidenceOptions(mtbf_h=1000.0, units=4),
    )
    assert proof.needed is not None
    assert proof.needed.unit_h == pytest.approx(2302.585, rel=1e-6)
    assert proof.needed.more_h == pytest.approx(1302.585, rel=1e-6)
    assert proof.needed.each_h == pytest.approx(1302.585 / 4, rel=1e-6)


def test_the_risks_of_the_test_that_would_prove_it_are_those_of_the_plan() -> None:
    """MIL-HDBK-781A, plan XXI-D (from memory): 1.1 times the poor MTBF, no failure, ratio 3: 30.7, 33.3 %."""
    confidence = 1 - math.exp(-1.1)
    wanted = EvidenceOptions(confidence=confidence, mtbf_h=1000.0, good_mtbf_h=3000.0)
    found = demonstrate([run("a", installation("1", 500))], wanted).risks
    assert found is not None
    assert found.unit_h == pytest.approx(1100)
    assert (found.producer, found.consumer) == pytest.approx((0.307, 0.333), abs=5e-4)
    assert "producer's risk" in found.statement
    assert "before the test" in found.does_not_cover
    without = demonstrate([run("a", installation("1", 500))], EvidenceOptions(good_mtbf_h=3000.0))
    assert without.risks is None
    assert any("risks of a test" in one for one in without.left_out)


def test_lives_of_one_serial_number_are_added_up_over_runs() -> None:
    runs = [
        run("a", installation("1", 100)),
        run("b", installation("1", 50, died=True), start_s=10),
        run("c", installation("2", 70)),
    ]
    proof = demonstrate(runs)
    assert [(one.serial, one.hours, one.failed) for one in proof.lives] == [
        ("1", 150, True),
        ("2", 70, False),
    ]
    assert [(one.serial, one.how) for one in proof.failures] == [("1", "seen")]


def test_units_without_hours_are_left_out_and_named() -> None:
    proof = demonstrate([run("a", installation("1", 100), installation("2", 0.0, unit="A2"))])
    assert proof.idle == ("2",)
    assert [one.serial for one in proof.lives] == ["1"]


def test_runs_without_any_hours_prove_nothing() -> None:
    with pytest.raises(UsageError, match="nothing to demonstrate"):
        demonstrate([run("a", installation("1", 0.0))])


def test_a_suspect_is_told_and_not_counted_until_a_person_has_looked() -> None:
    doubt = Suspect(serial="1", channels=("A1.heat",), t_ns=at(5))
    runs = [run("a", installation("1", 100, suspect=doubt))]
    assert demonstrate(runs).suspects == (doubt,)
    assert demonstrate(runs).bounds.failures == 0
    assert demonstrate(runs, EvidenceOptions(failed=("1",))).suspects == ()
    assert demonstrate(runs, EvidenceOptions(failed=("1",))).failures[0].how == "stated with --failed"
    assert demonstrate(runs, EvidenceOptions(survived=("1",))).suspects == ()


def test_a_repaired_unit_lives_twice_and_each_failure_keeps_its_reason() -> None:
    second = dataclasses.replace(
        installation("1", 40, died=True),
        death=Death(serial="1", t_ns=at(99), text="again"),
        start_ns=at(500 * 3600),
    )
    runs = [run("a", installation("1", 100, died=True)), run("b", second, start_s=500 * 3600)]
    with pytest.raises(UsageError, match="has hours in run b after"):
        demonstrate(runs)
    proof = demonstrate(runs, EvidenceOptions(repaired=("1",)))
    assert [(one.serial, one.hours, one.how) for one in proof.failures] == [
        ("1", 100, "seen"),
        ("1/2", 40, "again"),
    ]


def test_what_cannot_be_told_is_said_with_the_reason() -> None:
    proof = demonstrate([run("a", installation("1", 100))])
    assert proof.weibull is None
    assert any("Weibull fit to 1 units with 0 failures" in one for one in proof.left_out)
    assert any("--mtbf" in one for one in proof.left_out)
    assert (proof.needed, proof.success, proof.assumed, proof.in_use) == (None, None, None, None)


def test_an_assumed_shape_and_an_acceleration_are_carried_with_their_assumptions() -> None:
    factor = arrhenius(0.7, 40, 75, half_width_ev=0.1)
    proof = demonstrate(
        [run("a", installation("1", 1000))],
        EvidenceOptions(shape=1.0, acceleration=factor, reliability=0.9, mission_h=100.0),
    )
    assert proof.assumed is not None
    # shape 1 is the exponential: the bound of the scale is that of the MTBF
    assert proof.assumed.scale_h == pytest.approx(proof.bounds.lower_h)
    assert proof.in_use is not None
    assert proof.in_use.lower_h == pytest.approx(proof.bounds.lower_h * factor.factor)
    assert proof.in_use.least_h == pytest.approx(proof.bounds.lower_h * factor.low)
    # 22 units without failure show 90 % at 90 % confidence (binomial, common practice)
    assert proof.success is not None
    assert proof.success.units == 22
    with pytest.raises(UsageError, match="shape"):
        demonstrate([run("a", installation("1", 1000))], EvidenceOptions(shape=0.0))


@pytest.mark.parametrize(
    ("asked", "missing"),
    [(EvidenceOptions(reliability=0.9), "--mission"), (EvidenceOptions(mission_h=10.0), "--reliability")],
)
def test_half_of_what_a_success_run_needs_is_told_and_not_passed_over(
    asked: EvidenceOptions, missing: str
) -> None:
    proof = demonstrate([run("a", installation("1", 1000))], asked)
    assert proof.success is None
    assert any(f"give {missing} as well" in one for one in proof.left_out)


def test_a_fit_needs_two_ages_and_gets_them_from_two_runs() -> None:
    installations = [
        installation(str(n), hours, died=hours < 90) for n, hours in enumerate((20, 40, 60, 80, 100, 100))
    ]
    proof = demonstrate([run(f"r{n}", one) for n, one in enumerate(installations)])
    assert proof.weibull is not None
    assert proof.weibull.failures == 4
    assert proof.survival.survival.tolist() == pytest.approx([5 / 6, 4 / 6, 3 / 6, 2 / 6])


def test_the_trend_over_runs_is_that_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.2: output of its script apr452.r for ten failures in 1500 h."""
    ages = (5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478)
    ends = [0, *ages[:-1]]
    runs = [
        run(f"r{k}", installation(str(k), age - end, died=True), start_s=10 * k)
        for k, (end, age) in enumerate(zip(ends, ages, strict=True))
    ]
    proof = demonstrate([*runs, run("last", installation("x", 1500 - 1478), start_s=1000)])
    assert proof.trend is not None
    assert proof.trend.end_h == pytest.approx(1500)
    assert (proof.trend.slope, proof.trend.mtbf_h) == pytest.approx((0.516494, 310.234), rel=1e-5)


def test_units_of_one_run_serve_side_by_side_until_one_of_them_fails() -> None:
    runs = [
        run(
            "a",
            installation("1", 10, died=True),
            installation("2", 40, unit="A2"),
            installation("3", 40, unit="A3"),
        ),
        run("b", installation("4", 20, died=True), installation("5", 50, unit="A2"), start_s=10),
        run("c", installation("6", 30, died=True), installation("7", 60, unit="A2"), start_s=20),
    ]
    trend = demonstrate(runs).trend
    assert trend is not None
    # failures at 3 x 10, 90 + 2 x 20 and 90 + 70 + 2 x 30 of 250 unit-hours
    logs = math.log(250 / 30) + math.log(250 / 130) + math.log(250 / 220)
    assert trend.b == pytest.approx(2 / logs)


def test_ways_of_counting_are_told_apart() -> None:
    proof = demonstrate(
        [run("a", installation("1", 10), installation("2", 20, unit="A2", counting=Counting.OBSERVED))]
    )
    assert proof.countings == ((Counting.OUTPUT, 1), (Counting.OBSERVED, 1))
