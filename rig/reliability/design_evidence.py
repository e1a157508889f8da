"""What the hours of many units in many runs prove about a design, and what they do not."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rig.domain.formatting import counted, in_hours
from rig.endurance.deaths import Suspect
from rig.endurance.verdict import Death
from rig.errors import UsageError
from rig.reliability.acceleration import Acceleration
from rig.reliability.demonstration import (
    Life,
    MtbfBounds,
    NeededHours,
    ServiceHours,
    SuccessRun,
    lives,
    mtbf,
    needed_hours,
    success_run,
)
from rig.reliability.growth import Growth, growth
from rig.reliability.lifetimes import KaplanMeier, Weibull, kaplan_meier, weibull, weibull_of_shape
from rig.reliability.run_digest import History, RunDigest, histories, in_order, overlaps, services
from rig.reliability.service_hours import Counting


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceOptions:
    """What is to be proved, beside what the hours show by themselves.

    mtbf_h: to be proved by more hours, shared by ``units`` units (0: as many as there are).
    reliability, mission_h: share of units that must survive so long, planned without failures. shape: of
    the Weibull life, where it must be assumed. failed, survived, repaired: what a person says of serial
    numbers, see ``digest.services``.
    """

    confidence: float = 0.9
    mtbf_h: float | None = None
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
    """A unit that counts as failed, and how that is known."""

    serial: str
    hours: float
    how: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumed:
    """A lower bound of the Weibull scale for a shape that is assumed, not fitted."""

    shape: float
    confidence: float
    scale_h: float
    statement: str
    does_not_cover: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InUse:
    """The lower bound of the MTBF carried over to use: by the factor, and by the least it may be."""

    lower_h: float
    least_h: float
    acceleration: Acceleration
    does_not_cover: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DemonstratedReliability:
    """What all runs together prove. Parts that cannot be told are None, ``left_out`` says why.

    countings: which hours were counted, and of how many installations. suspects: units that left limits and did not
    come back, not counted as failures. idle: serial numbers without any hours. doubts: what cannot be as
    it is recorded.
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
    success: SuccessRun | None
    weibull: Weibull | None
    assumed: Assumed | None
    survival: KaplanMeier
    trend: Growth | None
    in_use: InUse | None
    left_out: tuple[str, ...]
    doubts: tuple[str, ...]


def prove(digests: Iterable[RunDigest], wanted: EvidenceOptions | None = None) -> DemonstratedReliability:
    """Return what the runs prove together.

    Raises UsageError without any hours, for serial numbers that are not there, for a unit that served on
    after it failed, and for numbers that make no sense.
    """
    asked = wanted or EvidenceOptions()
    runs = in_order(digests)
    told = histories(runs)
    _check_serials(told, asked)
    served = services(runs, asked.failed, asked.survived, asked.repaired)
    every = lives(served)
    mine = [one for one in every if one.hours > 0]
    if not mine:
        raise UsageError(
            f"{counted(len(runs), 'run')} without any hours that count: nothing can be proved from them"
        )
    failures = _failures(told, mine, asked)
    unit_h = math.fsum(one.hours for one in mine)
    bounds = mtbf(unit_h, len(failures), asked.confidence)
    left_out: list[str] = []
    return DemonstratedReliability(
        runs=len(runs),
        rigs=tuple(sorted({one.facts.rig for one in runs})),
        unit_h=unit_h,
        lives=tuple(mine),
        failures=tuple(failures),
        suspects=_suspects(told, asked),
        idle=tuple(one.serial for one in every if one.hours <= 0),
        countings=_countings(runs),
        bounds=bounds,
        needed=_needed(asked, unit_h, len(failures), len(mine), left_out),
        success=_success(asked, left_out),
        weibull=_fitted(mine, asked.confidence, left_out),
        assumed=_assumed(mine, asked),
        survival=kaplan_meier(mine, asked.confidence),
        trend=_trend(runs, served, left_out),
        in_use=_in_use(bounds, asked.acceleration),
        left_out=tuple(left_out),
        doubts=tuple(doubt for one in told for doubt in overlaps(one)),
    )


def _check_serials(told: Sequence[History], asked: EvidenceOptions) -> None:
    known = {one.serial for one in told}
    for serial in (*asked.failed, *asked.survived, *asked.repaired):
        if serial not in known:
            raise UsageError(
                f"serial number {serial!r} is in none of these runs; there are: {', '.join(sorted(known))}"
            )


def _failures(told: Sequence[History], mine: Sequence[Life], asked: EvidenceOptions) -> list[Failure]:
    """Return the lives that failed; the n-th life of a repaired unit ended with its n-th death."""
    deaths: dict[str, list[Death]] = {
        one.serial: [
            installation.death for _, installation in one.installations if installation.death is not None
        ]
        for one in told
    }
    found = []
    for life in mine:
        if not life.failed:
            continue
        serial, _, number = life.serial.rpartition("/")
        serial, number = (serial, number) if serial in asked.repaired else (life.serial, "1")
        mine_died = deaths.get(serial, [])[int(number) - 1 :]
        how = mine_died[0].text if mine_died else "said by who asks"
        found.append(Failure(serial=life.serial, hours=life.hours, how=how))
    return found


def _suspects(told: Sequence[History], asked: EvidenceOptions) -> tuple[Suspect, ...]:
    said = {*asked.failed, *asked.survived}
    return tuple(
        installation.suspect
        for one in told
        for _, installation in one.installations[-1:]
        if installation.suspect is not None and one.serial not in said
    )


def _countings(runs: Sequence[RunDigest]) -> tuple[tuple[Counting, int], ...]:
    ways = [installation.counting for one in runs for installation in one.installations]
    return tuple((way, ways.count(way)) for way in Counting if way in ways)


def _needed(
    asked: EvidenceOptions, unit_h: float, failures: int, units: int, left_out: list[str]
) -> NeededHours | None:
    if asked.mtbf_h is None:
        left_out.append("how many more hours would prove a wanted MTBF: say which (--mtbf)")
        return None
    return needed_hours(asked.mtbf_h, asked.confidence, failures, done_h=unit_h, units=asked.units or units)


def _success(asked: EvidenceOptions, left_out: list[str]) -> SuccessRun | None:
    if asked.reliability is None or asked.mission_h is None:
        if asked.reliability is not None or asked.mission_h is not None:
            missing = "--mission" if asked.mission_h is None else "--reliability"
            left_out.append(f"how many units without a failure prove a reliability: say {missing} too")
        return None
    return success_run(
        asked.reliability, asked.confidence, mission_h=asked.mission_h, test_h=asked.test_h,
        shape=asked.shape or 1.0,
    )  # fmt: skip


def _fitted(mine: Sequence[Life], confidence: float, left_out: list[str]) -> Weibull | None:
    try:
        return weibull(mine, confidence)
    except UsageError as error:
        left_out.append(str(error))
        return None


def _assumed(mine: Sequence[Life], asked: EvidenceOptions) -> Assumed | None:
    if asked.shape is None:
        return None
    if not asked.shape > 0:
        raise UsageError(f"Weibull shape {asked.shape!r}: expected a number larger than 0")
    scale_h = weibull_of_shape(mine, asked.shape, asked.confidence)
    return Assumed(
        shape=asked.shape,
        confidence=asked.confidence,
        scale_h=scale_h,
        statement=(
            f"if lives follow a Weibull distribution of shape {asked.shape:g}, with {asked.confidence:.0%} "
            f"confidence 63 % have failed by {in_hours(scale_h)} h at the earliest"
        ),
        does_not_cover="that the shape is so: it is assumed, and nothing in these hours speaks for it",
    )


def _trend(runs: Sequence[RunDigest], served: Sequence[ServiceHours], left_out: list[str]) -> Growth | None:
    """Return whether failures became rarer from run to run, over the unit-hours of all runs in order.

    A failure counts when all units of its run together had served what each of them had by then: units of
    one run begin together.
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
        left_out.append(f"whether failures became rarer: {error}")
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
