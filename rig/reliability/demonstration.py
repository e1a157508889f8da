"""MTBF demonstrated by unit-hours and failures, and hours needed to demonstrate one.

Formulas: NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1 (bounds) and 8.3.1.1 (length of a
test); the same fractiles as IEC 60605-4. All assume a failure rate that does not change with age.
Hours are unit-hours: twelve units for ten hours are 120.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from rig.domain.formatting import in_hours
from rig.errors import UsageError

_CONSTANT_RATE = (
    "early failures, wear-out, use beyond the hours tested, stress other than that of this test (a constant "
    "failure rate is assumed)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceHours:
    """Hours of exposure of one serial number in one run, and whether it failed in it."""

    serial: str
    run: str
    hours: float
    failed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """One serial number over all its runs; failed: at the end of its last one."""

    serial: str
    hours: float
    failed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MtbfBounds:
    """Bounds of the mean time between failures, in h, at one confidence.

    estimate_h: unit-hours by failures, None without failures. lower_h: one-sided. two_sided_h: lower and
    upper, the upper None without failures. statement, does_not_cover: the same in plain words.
    """

    unit_h: float
    failures: int
    confidence: float
    estimate_h: float | None
    lower_h: float
    two_sided_h: tuple[float, float | None]
    statement: str
    does_not_cover: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NeededHours:
    """Length of a test that demonstrates an MTBF with at most a number of failures.

    unit_h: in total; more_h: still needed; units, each_h: one way to provide more_h.
    """

    mtbf_h: float
    confidence: float
    failures: int
    unit_h: float
    more_h: float
    units: int
    each_h: float
    statement: str
    does_not_cover: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Risks:
    """Risks of a plan "test so long, accept with at most so many failures".

    producer: chance to reject although the MTBF is the good one; consumer: to accept although it is the
    poor one. statement, does_not_cover: in words.
    """

    unit_h: float
    accept: int
    good_mtbf_h: float
    poor_mtbf_h: float
    producer: float
    consumer: float
    statement: str
    does_not_cover: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SuccessRun:
    """Number of units that must survive a test to demonstrate a reliability.

    shape: of the assumed Weibull life, which trades units for time; statement, does_not_cover: in words.
    """

    reliability: float
    confidence: float
    mission_h: float
    test_h: float
    shape: float
    units: int
    statement: str
    does_not_cover: str


def lives(services: Iterable[ServiceHours]) -> list[Life]:
    """Return each serial number's hours over all runs, sorted by serial number.

    Raises UsageError if a serial number has hours after it failed: repaired, it is another life, and
    belongs under a serial number of its own (``0017/2``), or in ``growth`` as a repairable system.
    """
    hours: dict[str, float] = {}
    failed: dict[str, str] = {}
    for one in services:
        if one.serial in failed and one.hours > 0:
            raise UsageError(
                f"unit {one.serial} failed in run {failed[one.serial]} and has hours in run {one.run} after "
                "that; a repaired unit is another life: give it a serial number of its own, such as "
                f"{one.serial}/2, or count it as a repairable system"
            )
        hours[one.serial] = hours.get(one.serial, 0.0) + one.hours
        if one.failed:
            failed[one.serial] = one.run
    return [Life(serial=s, hours=h, failed=s in failed) for s, h in sorted(hours.items())]


def mtbf(unit_h: float, failures: int, confidence: float = 0.9) -> MtbfBounds:
    """Return the bounds of the MTBF after a test that ended at a given time (NIST 8.4.5.1).

    unit_h > 0; 0 < confidence < 1. Raises UsageError otherwise.
    """
    _check(unit_h=unit_h, failures=failures, confidence=confidence)
    outside = (1 - confidence) / 2
    lower_h = 2 * unit_h / chi2_quantile(confidence, 2 * failures + 2)
    upper_h = 2 * unit_h / chi2_quantile(outside, 2 * failures) if failures else None
    return MtbfBounds(
        unit_h=unit_h,
        failures=failures,
        confidence=confidence,
        estimate_h=unit_h / failures if failures else None,
        lower_h=lower_h,
        two_sided_h=(2 * unit_h / chi2_quantile(1 - outside, 2 * failures + 2), upper_h),
        statement=(
            f"{in_hours(unit_h)} unit-hours with {_failures(failures)} show, with {confidence:.0%} "
            f"confidence, a mean time between failures of at least {in_hours(lower_h)} h"
        ),
        does_not_cover=(
            f"the life of a unit: at an MTBF of M, 63 % of all units have failed after M hours; "
            f"{_CONSTANT_RATE}"
        ),
    )


def needed_hours(
    mtbf_h: float,
    confidence: float = 0.9,
    failures: int = 0,
    *,
    done_h: float = 0.0,
    units: int = 1,
) -> NeededHours:
    """Return the unit-hours that demonstrate ``mtbf_h`` with at most ``failures`` failures (NIST 8.3.1.1).

    done_h: unit-hours that count already; units: that share the rest. Raises UsageError for
    impossible numbers.
    """
    _check(unit_h=mtbf_h, failures=failures, confidence=confidence, units=units)
    needed_h = mtbf_h * chi2_quantile(confidence, 2 * failures + 2) / 2
    more_h = max(0.0, needed_h - done_h)
    spent = (
        f"{in_hours(more_h)} h still needed: {units} units for {in_hours(more_h / units)} h each"
        if more_h
        else "complete"
    )
    return NeededHours(
        mtbf_h=mtbf_h,
        confidence=confidence,
        failures=failures,
        unit_h=needed_h,
        more_h=more_h,
        units=units,
        each_h=more_h / units,
        statement=(
            f"{in_hours(needed_h)} unit-hours with at most {_failures(failures)} demonstrate an MTBF of "
            f"{in_hours(mtbf_h)} h at {confidence:.0%} confidence; {spent}"
        ),
        does_not_cover=(
            f"the chance to pass the test: units with exactly this MTBF fail {confidence:.0%} of such tests; "
            f"{_CONSTANT_RATE}"
        ),
    )


def risks(unit_h: float, accept: int, good_mtbf_h: float, poor_mtbf_h: float) -> Risks:
    """Return both risks of a fixed-length test, from the Poisson distribution of failures.

    Raises UsageError for numbers that are not positive, or a good MTBF that is not above the poor one.
    """
    from scipy.special import pdtr, pdtrc

    _check(unit_h=unit_h, failures=accept, good_mtbf_h=good_mtbf_h, poor_mtbf_h=poor_mtbf_h)
    if not good_mtbf_h > poor_mtbf_h:
        raise UsageError(
            f"good MTBF {good_mtbf_h:g} h, MTBF to be proved {poor_mtbf_h:g} h: expected the good one to be "
            "longer"
        )
    producer = float(pdtrc(accept, unit_h / good_mtbf_h))
    consumer = float(pdtr(accept, unit_h / poor_mtbf_h))
    return Risks(
        unit_h=unit_h,
        accept=accept,
        good_mtbf_h=good_mtbf_h,
        poor_mtbf_h=poor_mtbf_h,
        producer=producer,
        consumer=consumer,
        statement=(
            f"{in_hours(unit_h)} unit-hours, passed with at most {_failures(accept)}: units with an MTBF of "
            f"{in_hours(good_mtbf_h)} h fail it in {producer:.1%} of such tests (producer's risk), units "
            f"with {in_hours(poor_mtbf_h)} h pass it in {consumer:.1%} (consumer's risk)"
        ),
        does_not_cover=(
            "which of the two the units have; a plan is chosen before the test, not after its failures; "
            f"{_CONSTANT_RATE}"
        ),
    )


def success_run(
    reliability: float,
    confidence: float = 0.9,
    *,
    mission_h: float = 1.0,
    test_h: float | None = None,
    shape: float = 1.0,
) -> SuccessRun:
    """Return how many units must run ``test_h`` without failure for a ``reliability`` at ``mission_h``.

    n = ln(1 - confidence) / ln(reliability) x (mission_h / test_h)^shape, rounded up: binomial test with no
    failure, Weibull life of known shape (common practice). ``test_h`` None: as long as the mission.
    """
    _check(confidence=confidence, reliability=reliability)
    test_h = mission_h if test_h is None else test_h
    exact = math.log(1 - confidence) / math.log(reliability) * (mission_h / test_h) ** shape
    units = max(1, math.ceil(exact - 1e-9))
    return SuccessRun(
        reliability=reliability,
        confidence=confidence,
        mission_h=mission_h,
        test_h=test_h,
        shape=shape,
        units=units,
        statement=(
            f"{units} units that all survive {test_h:g} h demonstrate a reliability of {reliability:.1%} at "
            f"{mission_h:g} h with {confidence:.0%} confidence"
        ),
        does_not_cover=(
            "the case that one of them fails: that needs another plan, made before the next test. "
            + (
                "The units tested must be a random sample of those sold"
                if math.isclose(mission_h, test_h)
                else f"Trading units for time rests on the assumed Weibull shape {shape:g}"
            )
        ),
    )


def chi2_quantile(probability: float, freedom: float) -> float:
    """Return the quantile of the chi-square distribution."""
    from scipy.special import gammaincinv  # chdtri takes the upper tail: 1 - 0.999999999 loses digits

    return float(2 * gammaincinv(freedom / 2, probability))


def _failures(count: int) -> str:
    return {0: "no failure", 1: "1 failure"}.get(count, f"{count} failures")


def _check(**numbers: float) -> None:
    for name, value in numbers.items():
        if name in {"confidence", "reliability"}:
            good, wanted = 0 < value < 1, "a number between 0 and 1, both excluded"
        elif name == "failures":
            good, wanted = value >= 0 and value == int(value), "a whole number from 0"
        else:
            good, wanted = math.isfinite(value) and value > 0, "a number larger than 0"
        if not good:
            raise UsageError(f"{name.replace('_', ' ')} {value!r}: expected {wanted}")
