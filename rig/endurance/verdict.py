"""Verdict against the plan: pass, fail or inconclusive, each check with its evidence.

Fail: the unit failed a check. Inconclusive: the record does not show what the plan requires: hours missing or
unobserved, a value within its uncertainty of a limit, the room itself out of limits. Pass: everything
required is shown. One fail makes a fail; otherwise one inconclusive check makes it inconclusive.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime

from rig.domain.formatting import figure
from rig.domain.model import Layout, Limit, Side
from rig.domain.operating_state import Certainty
from rig.domain.units import difference_unit
from rig.endurance.conformity import LimitDecision, conformity, decide
from rig.endurance.derating import PartLoad
from rig.endurance.exposure import PhaseExposure, UnitExposure
from rig.endurance.margins import Limited, Worst

EXIT_CODES = {"pass": 0, "fail": 10, "inconclusive": 11}
"""For scripts; distinct from the exit codes of errors, which are below 10."""

ENDS = 2
"""Ends of a stretch of time; each is known to within the edge of its readings."""


class Decision(enum.StrEnum):
    """Outcome of a check, of a unit or of a run."""

    PASS = "pass"  # noqa: S105 - the word of the verdict, no secret
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"

    @property
    def exit_code(self) -> int:
        """Exit code of a command with this outcome."""
        return EXIT_CODES[self.value]


class Rule(enum.StrEnum):
    """Subject of a check."""

    DEATH = "death"
    LIMIT = "limit"
    READINGS = "readings"
    ROOM = "room"
    HOURS = "hours"
    CYCLES = "drive cycles"
    UNOBSERVED = "unobserved"
    TRIPS = "trips"
    RATING = "rating"
    CALIBRATION = "calibration"


@dataclass(frozen=True, slots=True, kw_only=True)
class Death:
    """Failure of a unit, from readback or from a note; text: the source. A possible one is not proved."""

    serial: str
    t_ns: int
    text: str
    certainty: Certainty = Certainty.CERTAIN


@dataclass(frozen=True, slots=True, kw_only=True)
class Criteria:
    """Criteria for a pass, beside the phases' hours and the channels' limits.

    least_share: of each phase's planned hours and cycles. unobserved_share: most of a unit's time that may be
    unobserved. trips: protection trips allowed. guard_k: guard band in
    standard uncertainties (0: none; 2: at most 2.3 % false acceptance). trade_rule: whether a part must
    meet the rule of the trade as well as its data sheet.
    """

    least_share: float = 0.99
    unobserved_share: float = 0.02
    trips: int = 0
    guard_k: float = 0.0
    trade_rule: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class ReasonEvidence:
    """Evidence of a check. probability: that the true value is inside, where it is known."""

    channel: str | None = None
    phase: str | None = None
    t_ns: int | None = None
    value: float | None = None
    bound: float | None = None
    unit_of_measure: str = ""
    uncertainty: float = 0.0
    probability: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictReason:
    """One check with its outcome and evidence."""

    outcome: Decision
    rule: Rule
    text: str
    evidence: ReasonEvidence


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitVerdict:
    """Verdict on one serial number, failed checks first."""

    unit: str
    serial: str
    outcome: Decision
    reasons: tuple[VerdictReason, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunVerdict:
    """Verdict on a run: the worst of its units; inconclusive without any unit."""

    outcome: Decision
    units: tuple[UnitVerdict, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """Everything that a verdict looks at, as the account made it. limited: how long limits were in force."""

    layout: Layout
    exposures: Sequence[UnitExposure]
    margins: Sequence[Worst]
    limited: Sequence[Limited] = ()
    parts: Sequence[PartLoad] = ()
    deaths: Sequence[Death] = ()


def verdict(record: Record, criteria: Criteria | None = None) -> RunVerdict:
    """Return the verdict on every serial number and on the run."""
    criteria = criteria or Criteria()
    room = [one for worst in record.margins if worst.unit is None for one in _room(worst)]
    units = tuple(_unit(record, exposure, criteria, room) for exposure in record.exposures)
    return RunVerdict(outcome=_overall([one.outcome for one in units]), units=units)


def _unit(
    record: Record, exposure: UnitExposure, criteria: Criteria, room: Sequence[VerdictReason]
) -> UnitVerdict:
    serial = exposure.serial
    mine = [w for w in record.margins if w.unit == exposure.unit and w.serial == serial]
    reasons = [
        *(_death(one) for one in record.deaths if one.serial == serial),
        *(_limit(worst, criteria.guard_k) for worst in mine),
        *_unread([w for w in record.limited if w.unit == exposure.unit and w.serial == serial], criteria),
        *(one for phase in exposure.phases for one in _phase(phase, criteria)),
        _unobserved(exposure, criteria),
        *_trips(exposure, criteria),
        *(_part(one, criteria) for one in record.parts if one.unit == exposure.unit and one.serial == serial),
        *_calibration(record.layout, exposure),
        *room,
    ]
    rank = {Decision.FAIL: 0, Decision.INCONCLUSIVE: 1, Decision.PASS: 2}
    ordered = tuple(sorted(reasons, key=lambda one: rank[one.outcome]))
    outcome = _overall([one.outcome for one in ordered])
    return UnitVerdict(unit=exposure.unit, serial=serial, outcome=outcome, reasons=ordered)


def _overall(outcomes: Sequence[Decision]) -> Decision:
    if Decision.FAIL in outcomes:
        return Decision.FAIL
    if Decision.INCONCLUSIVE in outcomes or not outcomes:
        return Decision.INCONCLUSIVE
    return Decision.PASS


def _death(death: Death) -> VerdictReason:
    possible = death.certainty is Certainty.POSSIBLE
    return VerdictReason(
        outcome=Decision.INCONCLUSIVE if possible else Decision.FAIL,
        rule=Rule.DEATH,
        text=f"may have failed: {death.text}" if possible else f"failed: {death.text}",
        evidence=ReasonEvidence(t_ns=death.t_ns),
    )


def _limit(worst: Worst, guard_k: float) -> VerdictReason:
    """Return the check of one channel and limit in one phase; only counted excursions fail it."""
    if worst.excursions:
        return _excursion(worst, guard_k)
    guard = guard_k * worst.uncertainty
    answer = decide(worst.value, Limit(side=worst.side, value=worst.limit), guard)
    place, bound, step = _place(worst), _bound(worst), difference_unit(worst.unit_of_measure)
    outcome = Decision.PASS
    if worst.margin < 0 and worst.lasting:
        text = f"{place}: beyond {bound} by an excursion that began before, and is counted there"
    elif worst.margin < 0:
        text = f"{place}: beyond {bound} for less than the on-delay; that does not count"
    elif guard_k > 0 and worst.uncertainty == 0:
        outcome = Decision.INCONCLUSIVE
        text = f"{place}: guard band required, but neither accuracy nor resolution is stated"
    elif answer is LimitDecision.CONDITIONAL_PASS:
        outcome = Decision.INCONCLUSIVE
        text = f"{place}: inside {bound}, but within the guard band of {guard:.3g} {step}"
    else:
        text = f"{place}: smallest margin {worst.margin:.4g} {step} to {bound}"
    evidence = _evidence(worst, worst.value, worst.t_ns)
    return VerdictReason(outcome=outcome, rule=Rule.LIMIT, text=text, evidence=evidence)


def _excursion(worst: Worst, guard_k: float) -> VerdictReason:
    limit = Limit(side=worst.side, value=worst.limit)
    guard = guard_k * worst.uncertainty
    count = len(worst.excursions)
    sign = 1 if worst.side is Side.HIGH else -1
    peak = max(worst.excursions, key=lambda one: sign * one.worst)
    place, bound, unit = _place(worst), _bound(worst), worst.unit_of_measure
    if decide(peak.worst, limit, guard) is LimitDecision.FAIL:
        outcome = Decision.FAIL
        times = "1 excursion" if count == 1 else f"{count} excursions"
        text = f"{place}: {times} beyond {bound}, worst {figure(peak.worst, near=worst.limit)} {unit}"
    else:
        outcome = Decision.INCONCLUSIVE
        step = difference_unit(unit)
        text = f"{place}: beyond {bound} by no more than the guard band of {guard:.3g} {step}"
    evidence = _evidence(worst, peak.worst, peak.worst_ns)
    return VerdictReason(outcome=outcome, rule=Rule.LIMIT, text=text, evidence=evidence)


def _place(worst: Worst) -> str:
    return f"{worst.channel} in phase {worst.phase}" if worst.phase else worst.channel


def _bound(worst: Worst) -> str:
    return f"its {worst.side} limit {worst.limit:g} {worst.unit_of_measure}"


def _evidence(worst: Worst, value: float, t_ns: int) -> ReasonEvidence:
    known = worst.uncertainty > 0
    bound = {"high": worst.limit} if worst.side is Side.HIGH else {"low": worst.limit}
    return ReasonEvidence(
        channel=worst.channel,
        phase=worst.phase or None,
        t_ns=t_ns,
        value=value,
        bound=worst.limit,
        unit_of_measure=worst.unit_of_measure,
        uncertainty=worst.uncertainty,
        probability=conformity(value, worst.uncertainty, **bound).inside if known else None,
    )


def _room(worst: Worst) -> list[VerdictReason]:
    """Return the checks of the room's own limits: not the unit's fault, but not the required stress."""
    if not worst.excursions:
        return []
    evidence = _evidence(worst, worst.value, worst.t_ns)
    text = (
        f"room out of limits: {worst.channel} {figure(worst.value, near=worst.limit)} "
        f"{worst.unit_of_measure}, {worst.side} limit {worst.limit:g} {worst.unit_of_measure}"
    )
    return [VerdictReason(outcome=Decision.INCONCLUSIVE, rule=Rule.ROOM, text=text, evidence=evidence)]


def _unread(mine: Sequence[Limited], criteria: Criteria) -> list[VerdictReason]:
    """Channels that were not read for too much of the time in which they had limits, phase by phase.

    What polling cannot resolve at the two ends is no sign that it was not read: a logger that is stopped as
    soon as a phase has ended has hardly looked at what follows.
    """
    found = []
    for one in mine:
        share = one.known_s / one.looked_s
        if 1 - share > criteria.unobserved_share and one.looked_s - one.known_s > ENDS * one.edge_s:
            place = f" in phase {one.phase}" if one.phase else ""
            text = (
                f"{one.channel}{place}: good readings for only {share:.1%} of the time with limits in force"
            )
            evidence = ReasonEvidence(channel=one.channel, phase=one.phase or None, value=share)
            found.append(
                VerdictReason(outcome=Decision.INCONCLUSIVE, rule=Rule.READINGS, text=text, evidence=evidence)
            )
    return found


def _phase(phase: PhaseExposure, criteria: Criteria) -> list[VerdictReason]:
    found = []
    if phase.planned_s is not None:
        found.append(
            _amount(Rule.HOURS, phase, phase.within_s / 3600, phase.planned_s / 3600, criteria.least_share)
        )
    if phase.planned_count is not None:
        done = float("nan") if phase.drive_cycles is None else float(phase.drive_cycles)
        found.append(_amount(Rule.CYCLES, phase, done, float(phase.planned_count), criteria.least_share))
    return found


def _amount(rule: Rule, phase: PhaseExposure, done: float, planned: float, share: float) -> VerdictReason:
    enough = done >= share * planned
    unit = "h" if rule is Rule.HOURS else "drive cycles"
    if math.isnan(done):
        text = f"phase {phase.phase}: {planned:g} {unit} planned, but no drive level is given to count them"
    else:
        text = f"phase {phase.phase}: {done:.4g} of {planned:.4g} {unit} within its targets"
    if rule is Rule.HOURS and not enough:
        text += f"; {phase.out_s / 3600:.3g} h out, {phase.unobserved_s / 3600:.3g} h unobserved"
    return VerdictReason(
        outcome=Decision.PASS if enough else Decision.INCONCLUSIVE,
        rule=rule,
        text=text,
        evidence=ReasonEvidence(
            phase=phase.phase,
            value=None if math.isnan(done) else done,
            bound=planned,
            unit_of_measure=unit,
        ),
    )


def _unobserved(exposure: UnitExposure, criteria: Criteria) -> VerdictReason:
    share = exposure.unobserved_s / exposure.installed_s if exposure.installed_s else 1.0
    enough = share <= criteria.unobserved_share
    return VerdictReason(
        outcome=Decision.PASS if enough else Decision.INCONCLUSIVE,
        rule=Rule.UNOBSERVED,
        text=f"{share:.2%} of its time unobserved, {criteria.unobserved_share:.2%} allowed",
        evidence=ReasonEvidence(value=exposure.unobserved_s / 3600, unit_of_measure="h"),
    )


def _trips(exposure: UnitExposure, criteria: Criteria) -> list[VerdictReason]:
    count = len(exposure.trips)
    if not count:
        return []
    first = exposure.trips[0]
    outcome = Decision.PASS if count <= criteria.trips else Decision.FAIL
    times = "1 protection trip" if count == 1 else f"{count} protection trips"
    text = f"{times}, {criteria.trips} allowed; the first lasted {first.lasted_s:.0f} s"
    return [
        VerdictReason(
            outcome=outcome,
            rule=Rule.TRIPS,
            text=text,
            evidence=ReasonEvidence(t_ns=first.start_ns, value=count, bound=criteria.trips),
        )
    ]


def _part(load: PartLoad, criteria: Criteria) -> VerdictReason:
    outcome = Decision.PASS
    text = f"{load.part}: at most {load.share:.0%} of its rating at its temperature"
    if not load.within_rating:
        outcome = Decision.FAIL
        text = (
            f"{load.part}: {load.power_w:.3g} W at {load.temp_c:.1f} degC, data sheet allows "
            f"{load.allowed_w:.3g} W at that temperature; above it for {load.over_s:.0f} s"
        )
    elif not load.rule_kept:
        outcome = Decision.FAIL if criteria.trade_rule else Decision.PASS
        text = f"{load.part}: peak {load.peak_w:.3g} W, rating below {load.factor:g} times that"
    return VerdictReason(
        outcome=outcome,
        rule=Rule.RATING,
        text=text,
        evidence=ReasonEvidence(
            t_ns=load.t_ns, value=load.power_w, bound=load.allowed_w, unit_of_measure="W"
        ),
    )


def _calibration(layout: Layout, exposure: UnitExposure) -> list[VerdictReason]:
    """Return the expired calibrations of the unit's limited channels."""
    last = _day(exposure.end_ns)
    channels = [layout.channels[name] for name in layout.units[exposure.unit].channels]
    return [
        VerdictReason(
            outcome=Decision.INCONCLUSIVE,
            rule=Rule.CALIBRATION,
            text=f"calibration of {one.name} expired on {one.calibration.due}",
            evidence=ReasonEvidence(channel=one.name, t_ns=exposure.end_ns),
        )
        for one in channels
        if one.limits and one.calibration.due is not None and one.calibration.due < last
    ]


def _day(t_ns: int) -> date:
    return datetime.fromtimestamp(t_ns // 1_000_000_000, tz=UTC).date()
