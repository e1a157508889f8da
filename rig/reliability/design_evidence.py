"""Reliability of a design demonstrated by the hours of many units in many runs."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rig.domain.formatting import counted, in_hours
from rig.endurance.acceleration import Acceleration
from rig.endurance.deaths import Suspect
from rig.endurance.verdict import Death
from rig.errors import UsageError
from rig.reliability.demonstration import (
    Life,
    MtbfBounds,
    NeededHours,
    Risks,
    ServiceHours,
    SuccessRun,
    lives,
    mtbf,
    needed_hours,
    risks,
    success_run,
)
from rig.reliability.growth import Growth, growth
from rig.reliability.lifetimes import KaplanMeier, Weibull, kaplan_meier, weibull, weibull_of_shape
from rig.reliability.run_digest import History, RunDigest, histories, in_order, overlaps, services
from rig.reliability.service_hours import Counting


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceOptions:
    """Options of the demonstration.

    mtbf_h: to be proved by more hours, shared by ``units`` units (0: as many as there are). good_mtbf_h: of a
    good design, for the risks of that test.
    reliability, mission_h: share of units that must survive so long, planned without failures. shape: of
    the Weibull life, where it must be assumed. failed, survived, repaired: serial numbers, as stated by a
    person, see ``run_digest.services``.
    """

    confidence: float = 0.9
    mtbf_h: float | None = None
    good_mtbf_h: float | None = None
    units: int = 0
    reliability: float | None = None
    mission_h: float | None = None
    test_h: float | None = None
    shape: float | None = None
    failed: tuple[str, ...] = ()
    survived: tuple[str, ...] = ()
    repaired: tuple[str, ...] = ()
    acceleration: Acceleration | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """Unit counted as failed, and the source."""

    serial: str
    hours: float
    how: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumed:
    """Lower bound of the Weibull scale for an assumed shape."""

    shape: float
    confidence: float
    scale_h: float
    statement: str
    does_not_cover: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InUse:
    """Lower bound of the MTBF in use: by the acceleration factor, and by its lowest value."""

    lower_h: float
    least_h: float
    acceleration: Acceleration
    does_not_cover: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DemonstratedReliability:
    """Reliability demonstrated by all runs together. Parts not computed are None, ``left_out`` says why.

    countings: which hours were counted, and of how many installations. suspects: units still out at the end,
    not counted as failures. idle: serial numbers without any hours. inconsistencies: in the records, in
    words. dispositions: failures that are not counted, or not verified, in words; non_relevant: serial
    numbers with a failure that does not count.
    """

    runs: int
    rigs: tuple[str, ...]
    unit_h: float
    lives: tuple[Life, ...]
    failures: tuple[Failure, ...]
    suspects: tuple[Suspect, ...]
    idle: tuple[str, ...]
    countings: tuple[tuple[Counting, int], ...]
    bounds: MtbfBounds
    needed: NeededHours | None
    risks: Risks | None
    success: SuccessRun | None
    weibull: Weibull | None
    assumed: Assumed | None
    survival: KaplanMeier
    trend: Growth | None
    in_use: InUse | None
    left_out: tuple[str, ...]
    inconsistencies: tuple[str, ...]
    dispositions: tuple[str, ...] = ()
    non_relevant: tuple[str, ...] = ()


def demonstrate(
    digests: Iterable[RunDigest], options: EvidenceOptions | None = None
) -> DemonstratedReliability:
    """Return the reliability that the runs demonstrate together.

    Raises UsageError without any hours, for unknown serial numbers, for a unit with hours after it failed,
    and for impossible numbers.
    """
    options = options or EvidenceOptions()
    runs = in_order(digests)
    every = histories(runs)
    _check_serials(every, options)
    served = services(runs, options.failed, options.survived, options.repaired)
    found = lives(served)
    mine = [one for one in found if one.hours > 0]
    if not mine:
        raise UsageError(f"{counted(len(runs), 'run')} without any hours that count: nothing to demonstrate")
    failures = _failures(every, mine, options)
    unit_h = math.fsum(one.hours for one in mine)
    bounds = mtbf(unit_h, len(failures), options.confidence)
    left_out: list[str] = []
    needed = _needed(options, unit_h, len(failures), len(mine), left_out)
    return DemonstratedReliability(
        runs=len(runs),
        rigs=tuple(sorted({one.facts.rig for one in runs})),
        unit_h=unit_h,
        lives=tuple(mine),
        failures=tuple(failures),
        suspects=_suspects(every, options),
        idle=tuple(one.serial for one in found if one.hours <= 0),
        countings=_countings(runs),
        bounds=bounds,
        needed=needed,
        risks=_risks(options, needed, left_out),
        success=_success(options, left_out),
        weibull=_fitted(mine, options.confidence, left_out),
        assumed=_assumed(mine, options),
        survival=kaplan_meier(mine, options.confidence),
        trend=_trend(runs, served, left_out),
        in_use=_in_use(bounds, options.acceleration),
        left_out=tuple(left_out),
        inconsistencies=tuple(text for one in every for text in overlaps(one)),
        dispositions=tuple(f"{one.facts.name}: {text}" for one in runs for text in one.dispositions),
        non_relevant=tuple(sorted({serial for one in runs for serial in one.non_relevant})),
    )


def _check_serials(histories: Sequence[History], options: EvidenceOptions) -> None:
    known = {one.serial for one in histories}
    for serial in (*options.failed, *options.survived, *options.repaired):
        if serial not in known:
            raise UsageError(
                f"serial number {serial!r} is in none of these runs; there are: {', '.join(sorted(known))}"
            )


def _failures(histories: Sequence[History], mine: Sequence[Life], options: EvidenceOptions) -> list[Failure]:
    """Return the lives that failed; the n-th life of a repaired unit ended with its n-th death."""
    deaths: dict[str, list[Death]] = {
        one.serial: [
            installation.death for _, installation in one.installations if installation.death is not None
        ]
        for one in histories
    }
    found = []
    for life in mine:
        if not life.failed:
            continue
        serial, _, number = life.serial.rpartition("/")
        serial, number = (serial, number) if serial in options.repaired else (life.serial, "1")
        mine_died = deaths.get(serial, [])[int(number) - 1 :]
        how = mine_died[0].text if mine_died else "stated with --failed"
        found.append(Failure(serial=life.serial, hours=life.hours, how=how))
    return found


def _suspects(histories: Sequence[History], options: EvidenceOptions) -> tuple[Suspect, ...]:
    said = {*options.failed, *options.survived}
    return tuple(
        installation.suspect
        for one in histories
        for _, installation in one.installations[-1:]
        if installation.suspect is not None and one.serial not in said
    )


def _countings(runs: Sequence[RunDigest]) -> tuple[tuple[Counting, int], ...]:
    ways = [installation.counting for one in runs for installation in one.installations]
    return tuple((way, ways.count(way)) for way in Counting if way in ways)


def _needed(
    options: EvidenceOptions, unit_h: float, failures: int, units: int, left_out: list[str]
) -> NeededHours | None:
    if options.mtbf_h is None:
        left_out.append("hours needed: give the MTBF to demonstrate (--mtbf)")
        return None
    return needed_hours(
        options.mtbf_h, options.confidence, failures, done_h=unit_h, units=options.units or units
    )


def _risks(options: EvidenceOptions, needed: NeededHours | None, left_out: list[str]) -> Risks | None:
    """Return the risks of the test that would demonstrate the wanted MTBF."""
    if options.good_mtbf_h is None:
        return None
    if needed is None:
        left_out.append("risks of a test: give the MTBF that it is to demonstrate as well (--mtbf)")
        return None
    return risks(needed.unit_h, needed.failures, options.good_mtbf_h, needed.mtbf_h)


def _success(options: EvidenceOptions, left_out: list[str]) -> SuccessRun | None:
    if options.reliability is None or options.mission_h is None:
        if options.reliability is not None or options.mission_h is not None:
            missing = "--mission" if options.mission_h is None else "--reliability"
            left_out.append(f"units without a failure that demonstrate a reliability: give {missing} as well")
        return None
    return success_run(
        options.reliability, options.confidence, mission_h=options.mission_h, test_h=options.test_h,
        shape=options.shape or 1.0,
    )  # fmt: skip


def _fitted(mine: Sequence[Life], confidence: float, left_out: list[str]) -> Weibull | None:
    try:
        return weibull(mine, confidence)
    except UsageError as error:
        left_out.append(str(error))
        return None


def _assumed(mine: Sequence[Life], options: EvidenceOptions) -> Assumed | None:
    if options.shape is None:
        return None
    if not options.shape > 0:
        raise UsageError(f"Weibull shape {options.shape!r}: expected a number larger than 0")
    scale_h = weibull_of_shape(mine, options.shape, options.confidence)
    return Assumed(
        shape=options.shape,
        confidence=options.confidence,
        scale_h=scale_h,
        statement=(
            f"with a Weibull shape of {options.shape:g}, 63 % have failed at {in_hours(scale_h)} h at the "
            f"earliest, at {options.confidence:.0%} confidence"
        ),
        does_not_cover="the shape: it is assumed, not supported by these hours",
    )


def _trend(runs: Sequence[RunDigest], served: Sequence[ServiceHours], left_out: list[str]) -> Growth | None:
    """Return the trend of failures over the unit-hours of all runs in order.

    A failure counts at the unit-hours that all units of its run had together at that time: units of one run
    begin together.
    """
    done_h = 0.0
    moments: list[float] = []
    for name in dict.fromkeys(one.facts.name for one in runs):
        together = [one for one in served if one.run == name]
        moments += [
            done_h + math.fsum(min(one.hours, other.hours) for other in together)
            for one in together
            if one.failed
        ]
        done_h += math.fsum(one.hours for one in together)
    if not moments:
        return None
    try:
        return growth(moments, done_h)
    except UsageError as error:
        left_out.append(f"trend over runs: {error}")
        return None


def _in_use(bounds: MtbfBounds, acceleration: Acceleration | None) -> InUse | None:
    if acceleration is None:
        return None
    return InUse(
        lower_h=bounds.lower_h * acceleration.factor,
        least_h=bounds.lower_h * acceleration.low,
        acceleration=acceleration,
        does_not_cover=acceleration.does_not_cover,
    )
