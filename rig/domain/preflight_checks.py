"""Proving the rig before the weeks begin: what was seen, held against what should be seen. Pure.

A check that cannot be judged says so and why; it never counts as good.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from rig.domain.formatting import counted, quantity, setting, size, with_tolerance
from rig.domain.model import Channel, Layout, Status
from rig.domain.program import PhaseTarget, each, named
from rig.domain.units import difference_unit, unit_of_measure

FEWEST = 3
"""Readings from which a mean and a scatter are worth anything."""


class CheckVerdict(enum.StrEnum):
    """What became of a check."""

    GOOD = "good"
    BAD = "bad"
    UNJUDGED = "not judged"


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """One check of one thing. ``data``: JSON values."""

    check: str
    subject: str
    verdict: CheckVerdict
    text: str
    data: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerSwitch:
    """How a unit is switched on and off by command during a pre-flight."""

    instrument: str
    on: tuple[str, ...]
    off: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadCheck:
    """Load resistance = volts / amps; ``ohm``: what is right, by unit (others are not judged)."""

    volts: str
    amps: str
    ohm: Mapping[str, PhaseTarget]


@dataclass(frozen=True, slots=True, kw_only=True)
class PreflightPlan:
    """What the rig file says of a pre-flight. Differences in the steps of each channel's own unit.

    ambient: channel of the room's air, '' for none; near: how far a cold sensor may be off it.
    sensors: the unit's own temperatures, with ``{unit}`` ('' names none: all of a unit in degC).
    watch_s: how long readings are gathered for a mean and scatter. noise: largest standard deviation, by
    channel. rise, within_s: how much a sensor must warm within which time when its unit is driven.
    """

    ambient: str = ""
    near: float = 3.0
    sensors: tuple[str, ...] = ()
    watch_s: float = 20.0
    noise: Mapping[str, float] = field(default_factory=dict)
    rise: float = 2.0
    within_s: float = 300.0
    load: LoadCheck | None = None
    switches: Mapping[str, PowerSwitch] = field(default_factory=dict)

    def sensors_of(self, layout: Layout, unit: str) -> list[str]:
        """Return the temperature sensors of a unit."""
        own = layout.units[unit].channels
        if self.sensors:
            return [name for one in self.sensors for name in each(one, [unit]) if name in own]
        return [
            name
            for name in own
            if layout.channels[name].unit_of_measure == "degC" and layout.channels[name].source is not None
        ]


@dataclass(slots=True)
class Gathered:
    """Good readings of one channel: how many, their mean and scatter; how many were bad."""

    count: int = 0
    bad: int = 0
    mean: float = 0.0
    _newest: tuple[float, ...] = ()
    _squares: float = 0.0

    def take(self, value: float, status: int) -> None:
        """Take one reading."""
        if status != Status.GOOD:
            self.bad += 1
            return
        self.count += 1
        self.mean += (value - self.mean) / self.count
        if len(self._newest) == 2:
            self._squares += (value - 2.0 * self._newest[1] + self._newest[0]) ** 2
        self._newest = (*self._newest[-1:], value)

    @property
    def scatter(self) -> float:
        """Standard deviation from second differences; NaN of fewer than three readings.

        A steady drift (a unit that warms up) does not count. The difference of two successive differences
        of independent readings has six times the variance of one (1 + 4 + 1): J. von Neumann et al., The
        mean square successive difference, Annals of Mathematical Statistics 12(2), 1941, taken once more.
        """
        return math.sqrt(self._squares / (6 * (self.count - 2))) if self.count > 2 else math.nan


Seen = Mapping[str, Gathered]


def online(layout: Layout, seen: Seen) -> list[CheckResult]:
    """Return, per instrument, whether every channel of it gave good readings."""
    found = []
    for name in layout.instruments:
        own = [one.name for one in layout.channels.values() if one.source and one.source.instrument == name]
        silent = [one for one in own if not seen.get(one, Gathered()).count]
        good = f"{len(own) - len(silent)} of {counted(len(own), 'channel')} with good readings"
        text = f"{name}: {good}" + (f"; none from {', '.join(silent)}" if silent else "")
        found.append(_finding("online", name, not silent, text, {"silent": silent}))
    return found


def near_ambient(plan: PreflightPlan, layout: Layout, seen: Seen) -> list[CheckResult]:
    """Return whether every sensor of every unit, off and cold, reads what the room's air reads."""
    check = "near ambient"
    if not plan.ambient:
        return [_unjudged(check, "run", "the rig file has no preflight.ambient channel")]
    air = seen.get(plan.ambient, Gathered())
    if air.count < FEWEST:
        return [_unjudged(check, plan.ambient, f"too few readings of {plan.ambient}")]
    found = []
    for unit in layout.units:
        for name in plan.sensors_of(layout, unit):
            one = seen.get(name, Gathered())
            if one.count < FEWEST:
                found.append(_unjudged(check, name, f"too few readings of {name}"))
                continue
            off = one.mean - air.mean
            channel = layout.channels[name]
            text = (
                f"{name} {_reading(channel, one.mean)}, {plan.ambient} "
                f"{_reading(layout.channels[plan.ambient], air.mean)}: difference "
                f"{_difference(channel, off)}, at most ± {setting(plan.near, _step_unit(channel))} allowed"
            )
            data = {"mean": one.mean, "ambient": air.mean, "off": off, "allowed": plan.near}
            found.append(_finding(check, name, abs(off) <= plan.near, text, data))
    return found


def noise(plan: PreflightPlan, layout: Layout, seen: Seen, state: str) -> list[CheckResult]:
    """Return the scatter of every channel with power ``state`` (off or on), judged where a limit is given."""
    allowed = {name: most for one, most in plan.noise.items() for name in each(one, layout.units)}
    check = f"noise with power {state}"
    found, free = [], {}
    for name, channel in layout.channels.items():
        one = seen.get(name, Gathered())
        if one.count < FEWEST:
            found.append(_unjudged(check, name, f"too few readings of {name}"))
            continue
        data = {"scatter": one.scatter, "mean": one.mean, "readings": one.count, "bad": one.bad}
        if name not in allowed:
            free[name] = data
            continue
        data["allowed"] = allowed[name]
        step = _step_unit(channel)
        text = (
            f"{name} {_reading(channel, one.mean)}, standard deviation "
            f"{quantity(one.scatter, step, 0.0, 3)}, "
            f"at most {setting(allowed[name], step)} allowed"
        )
        found.append(_finding(check, name, one.scatter <= allowed[name], text, data))
    if free:
        text = f"{counted(len(free), 'channel')} without a noise bound; standard deviations are recorded"
        found.append(_unjudged(check, "run", text, {"channels": free}))
    return found


def warmed(
    plan: PreflightPlan, layout: Layout, unit: str, rises: Mapping[str, float | None]
) -> list[CheckResult]:
    """Return whether driving ``unit`` alone warmed its own sensors, the right way, and nobody else's.

    rises: by sensor of any unit, how much it rose (None: not known).
    """
    check = "sensor assignment"
    own = plan.sensors_of(layout, unit)
    if not own:
        return [_unjudged(check, unit, f"{unit} has no temperature sensor")]
    strangers = {
        name: rise
        for name, rise in rises.items()
        if name not in own and rise is not None and rise >= plan.rise
    }
    found = []
    for name in own:
        rise = rises.get(name)
        if rise is None:
            found.append(_unjudged(check, name, f"too few readings of {name} while {unit} was driven"))
            continue
        channel = layout.channels[name]
        text = (
            f"{name} {_difference(channel, rise)} with {unit} alone driven, "
            f"at least {setting(plan.rise, _step_unit(channel))} wanted"
        )
        if rise <= -plan.rise:
            text += "; it falls with heat: check for reversed thermocouple wires"
        elif rise < plan.rise:
            warm = ", ".join(strangers)
            text += (
                f"; {warm} warmed instead: sensors swapped?"
                if warm
                else "; sensor loose, or unit not driven?"
            )
        found.append(_finding(check, name, rise >= plan.rise, text, {"rise": rise, "unit": unit}))
    if all(one.verdict is CheckVerdict.GOOD for one in found):
        for name, rise in strangers.items():
            change = _difference(layout.channels[name], rise)
            text = f"{name} of another unit {change} with {unit} alone driven"
            found.append(_finding(check, name, False, text, {"rise": rise, "unit": unit}))
    return found


def load(plan: PreflightPlan, layout: Layout, seen: Seen) -> list[CheckResult]:
    """Return the load resistance of every unit from voltage and current, against what is written."""
    check = "load resistance"
    if plan.load is None:
        return [_unjudged(check, "run", "the rig file has no preflight.load")]
    found = []
    for unit in layout.units:
        volts, amps = (named(one, unit) for one in (plan.load.volts, plan.load.amps))
        v, a = seen.get(volts, Gathered()), seen.get(amps, Gathered())
        if v.count < FEWEST or a.count < FEWEST:
            found.append(_unjudged(check, unit, f"too few readings of {volts} or {amps}"))
            continue
        volt, ampere = (_si(layout.channels[name], one.mean) for name, one in ((volts, v), (amps, a)))
        if abs(ampere) < 1e-6:
            found.append(_unjudged(check, unit, f"no current at {amps}: resistance not measurable"))
            continue
        ohm, right = volt / ampere, plan.load.ohm.get(unit)
        text = f"{unit}: {quantity(volt, 'V')} / {quantity(ampere, 'A')} = {quantity(ohm, 'ohm')}"
        data: dict[str, Any] = {"ohm": ohm, "volt": volt, "ampere": ampere}
        if right is None:
            found.append(_unjudged(check, unit, f"{text}; the rig file gives no nominal value", data))
            continue
        data |= {"right": right.value, "tolerance": right.tolerance}
        text = f"{text}, nominal {with_tolerance(right.value, right.tolerance, 'ohm')}"
        found.append(_finding(check, unit, right.low <= ohm <= right.high, text, data))
    return found


def calibration(layout: Layout, today: date, planned_s: float) -> list[CheckResult]:
    """Return whether every calibration lasts to the end of the planned run."""
    check = "calibration"
    measured = [one for one in layout.channels.values() if one.source is not None]
    end = date.fromordinal(min(today.toordinal() + math.ceil(planned_s / 86_400), date.max.toordinal()))
    found = []
    undated = [one.name for one in measured if one.calibration.due is None]
    for one in measured:
        due = one.calibration.due
        if due is not None:
            good = due >= end
            when = "valid" if good else ("expired" if due < today else "expires before the run ends")
            text = f"{one.name}: calibration due {due}, {when} (planned end {end})"
            found.append(_finding(check, one.name, good, text, {"due": due.isoformat()}))
    if undated:
        text = f"{counted(len(undated), 'channel')} without a calibration date: {', '.join(undated[:8])}"
        text += ", ..." if len(undated) > 8 else ""
        found.append(_unjudged(check, "run", text, {"channels": undated}))
    return found


def disk(free: int, needed: int, fault: str) -> list[CheckResult]:
    """Return whether the disk holds the planned run (bytes)."""
    if fault:
        return [_finding("disk", "run", False, fault, {})]
    text = f"{size(free)} free, {size(needed)} needed for the planned time"
    return [_finding("disk", "run", free >= needed, text, {"free_bytes": free, "needed_bytes": needed})]


def clock(synchronised: bool, *, boots: int = 1) -> list[CheckResult]:
    """Return whether the wall clock is known to be right: it labels the record, and orders boots."""
    words = "synchronised" if synchronised else "NOT synchronised"
    text = f"wall clock {words} (dates depend on it, the order of events within a boot does not)"
    return [_finding("clock", "run", synchronised, text, {"boots": boots})]


def summary(found: Sequence[CheckResult]) -> CheckResult:
    """Return the outcome of all checks together."""
    counts = {verdict: sum(one.verdict is verdict for one in found) for verdict in CheckVerdict}
    text = "pre-flight: " + ", ".join(f"{count} {verdict}" for verdict, count in counts.items())
    bad = [f"{one.check} {one.subject}" for one in found if one.verdict is CheckVerdict.BAD]
    if bad:
        text += f"; bad: {', '.join(bad[:10])}{', ...' if len(bad) > 10 else ''}"
    data = {str(verdict): count for verdict, count in counts.items()}
    return CheckResult(
        check="summary",
        subject="run",
        verdict=CheckVerdict.BAD if bad else CheckVerdict.GOOD,
        text=text,
        data=data,
    )


def _finding(check: str, subject: str, good: bool, text: str, data: Mapping[str, Any]) -> CheckResult:
    verdict = CheckVerdict.GOOD if good else CheckVerdict.BAD
    return CheckResult(check=check, subject=subject, verdict=verdict, text=text, data=data)


def _unjudged(check: str, subject: str, why: str, data: Mapping[str, Any] | None = None) -> CheckResult:
    return CheckResult(check=check, subject=subject, verdict=CheckVerdict.UNJUDGED, text=why, data=data or {})


def unjudged(check: str, subject: str, why: str) -> CheckResult:
    """Return a check that could not be judged, and why."""
    return _unjudged(check, subject, why)


def _reading(channel: Channel, value: float) -> str:
    return quantity(value, channel.unit_of_measure, channel.resolution)


def _step_unit(channel: Channel) -> str:
    return difference_unit(channel.unit_of_measure)


def _difference(channel: Channel, value: float) -> str:
    """Return a difference of two readings with its sign: ``+7.4 K``."""
    sign = "+" if value > 0 else ""
    return f"{sign}{quantity(value, _step_unit(channel), channel.resolution)}"


def _si(channel: Channel, value: float) -> float:
    return value * float(unit_of_measure(channel.unit_of_measure).factor)
