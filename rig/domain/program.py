"""The test program as plain values: phases with targets, durations and limits, in the order they are run.

Frozen with the layout, so that nobody parses a rig file to explain a run. Names of channels may hold
``{unit}``, which stands for each unit in turn. Values are in the channel's own unit of measure.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from rig.domain.formatting import setting
from rig.domain.jsonmap import made, plain
from rig.domain.model import Limit, Side


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseTarget:
    """What a stimulus shall be: value +- tolerance, in the channel's unit of measure."""

    value: float
    tolerance: float

    @property
    def low(self) -> float:
        """Lowest value within tolerance."""
        return self.value - self.tolerance

    @property
    def high(self) -> float:
        """Highest value within tolerance."""
        return self.value + self.tolerance


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """How the drive goes on and off: ``on_s`` on, ``off_s`` off; on is above ``on_above``."""

    channel: str
    on_above: float
    on_s: float
    off_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Steady:
    """When a channel counts as steady: its readings of the last ``over_s`` differ by ``within`` at most."""

    channel: str
    within: float
    over_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseCondition:
    """A bound that a channel must have passed: strictly between ``low`` and ``high`` (infinite: no bound)."""

    channel: str
    low: float = float("-inf")
    high: float = float("inf")


@dataclass(frozen=True, slots=True, kw_only=True)
class StimulusSource:
    """How soakrig itself sets a stimulus: ``command`` with {value} filled in, to ``instrument``.

    The number sent is value x ``scale``, never outside of ``lowest`` to ``highest`` (in the channel's unit
    of measure). within_s: how long until the readback must show it; tries: how often it is sent.
    """

    instrument: str
    command: str
    lowest: float
    highest: float
    scale: float = 1.0
    within_s: float = 60.0
    tries: int = 3

    def words(self, value: float) -> str:
        """Return the command that sets ``value``. Raises ValueError if it may never be set."""
        if not self.lowest <= value <= self.highest:
            raise ValueError(
                f"{setting(value)} is outside of lowest {setting(self.lowest)} to highest "
                f"{setting(self.highest)}; "
                "it is never set"
            )
        return self.command.format(value=value * self.scale)


@dataclass(frozen=True, slots=True, kw_only=True)
class Phase:
    """A stretch of the test program.

    duration_s: time within tolerance that the plan asks of each unit; count: drive cycles it asks for;
    until: it ends when all of these hold; without any of the three it ends by hand.
    targets: by stimulus channel; limits: by channel, in place of the channel's own while it is in force.
    settle_s: how long the targets must be met to count as reached, or missed to count as left.
    warm_up_s, steady: what must pass after that before time counts. ramp_s: how slowly to go to the targets.
    once: only in the first pass. load: what the units drive, in words. time_out_s: how long its targets may
    stay unmet until that is told again; None: as ``wait_s`` says.
    """

    name: str
    duration_s: float | None = None
    count: int | None = None
    targets: Mapping[str, PhaseTarget] = field(default_factory=dict)
    limits: Mapping[str, tuple[Limit, ...]] = field(default_factory=dict)
    until: tuple[PhaseCondition, ...] = ()
    settle_s: float = 10.0
    warm_up_s: float = 0.0
    steady: tuple[Steady, ...] = ()
    ramp_s: float = 0.0
    drive: Duty | None = None
    once: bool = False
    load: str = ""
    description: str = ""
    time_out_s: float | None = None

    def targets_of(self, unit: str, foreign: Container[str] = ()) -> dict[str, PhaseTarget]:
        """Return the targets that concern one unit. foreign: channels of sources of other units only."""
        return {
            named(channel, unit): target for channel, target in self.targets.items() if channel not in foreign
        }

    def limits_of(self, channel: str, unit: str | None, own: tuple[Limit, ...]) -> tuple[Limit, ...]:
        """Return the limits of a channel in this phase: the phase's, else its ``own``."""
        for name, limits in self.limits.items():
            if named(name, unit or "") == channel:
                return limits
        return own


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgramStep:
    """One phase at its place in the whole course; ``number``: which time it is, from 1."""

    phase: Phase
    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Program:
    """The whole test program. order: names of phases of one pass; passes: how often it is run.

    sources: by stimulus channel, where soakrig sets it itself.
    """

    phases: tuple[Phase, ...]
    order: tuple[str, ...]
    passes: int = 1
    sources: Mapping[str, StimulusSource] = field(default_factory=dict)

    def phase(self, name: str) -> Phase | None:
        """Return a phase by its name, None if there is none."""
        return next((one for one in self.phases if one.name == name), None)

    @property
    def steps(self) -> tuple[ProgramStep, ...]:
        """The whole course, phase by phase."""
        steps: list[ProgramStep] = []
        times: dict[str, int] = {}
        for number in range(self.passes):
            for name in self.order:
                phase = self.phase(name)
                if phase is None or (phase.once and number):
                    continue
                times[name] = times.get(name, 0) + 1
                steps.append(ProgramStep(phase=phase, number=times[name]))
        return tuple(steps)

    def planned(self) -> tuple[Phase, ...]:
        """Return each phase with what all its times together ask for."""
        times: dict[str, int] = {}
        for step in self.steps:
            times[step.phase.name] = step.number
        return tuple(
            replace(
                phase,
                duration_s=None if phase.duration_s is None else phase.duration_s * times[phase.name],
                count=None if phase.count is None else phase.count * times[phase.name],
            )
            for phase in self.phases
            if phase.name in times
        )


WAIT_BY_HAND_S = 1800.0
"""How long targets that a person sets may stay unmet until it is told again, where the rig file does not say:
time to walk to a variac and settle it, and a small loss in a phase of hours (common practice, no source)."""


def by_hand(phase: Phase, program: Program, foreign: Container[str] = ()) -> list[str]:
    """Return the targets of a phase, as they are written, that a person has to set."""
    return [one for one in phase.targets if one not in program.sources and one not in foreign]


def wait_s(phase: Phase, program: Program, foreign: Container[str] = ()) -> float | None:
    """Return how long the targets of a phase may stay unmet until that is told; None: it never is.

    Bursts are made by hand as well: a source holds a level.
    """
    if phase.time_out_s is not None:
        return phase.time_out_s
    return WAIT_BY_HAND_S if by_hand(phase, program, foreign) or phase.drive is not None else None


def named(channel: str, unit: str) -> str:
    """Return a channel's name with ``{unit}`` filled in."""
    return channel.replace("{unit}", unit)


def each(channel: str, units: Iterable[str]) -> list[str]:
    """Return the channels that a name stands for: itself, or one for each unit."""
    return [named(channel, unit) for unit in units] if "{unit}" in channel else [channel]


# ---- limits of several phases at once


def looser(sets: Sequence[tuple[Limit, ...]]) -> tuple[Limit, ...]:
    """Return limits that are out only where all of these are: for the way from one phase to the next."""
    return tuple(
        one
        for side in Side
        if (one := _farthest(side, sets, outward=True)) is not None
        and all(any(limit.side is side for limit in limits) for limits in sets)
    )


def strictest(sets: Sequence[tuple[Limit, ...]]) -> tuple[Limit, ...]:
    """Return limits that are out where any of these is: for an unknown phase in force."""
    return tuple(one for side in Side if (one := _farthest(side, sets, outward=False)) is not None)


def _farthest(side: Side, sets: Sequence[tuple[Limit, ...]], *, outward: bool) -> Limit | None:
    found = [one for limits in sets for one in limits if one.side is side]
    if not found:
        return None
    up = outward == (side is Side.HIGH)
    chosen = max(found, key=lambda one: one.value) if up else min(found, key=lambda one: one.value)
    pick = max if outward else min
    delay_s = pick(one.on_delay_s for one in found)
    trip = all(one.trip for one in found) if outward else any(one.trip for one in found)
    return replace(chosen, on_delay_s=delay_s, trip=trip)


# ---- as JSON values

NO_BOUND = {"low": float("-inf"), "high": float("inf")}
"""By field of a condition: the value that stands for no bound, null in a file."""


def to_json(program: Program) -> dict[str, Any]:
    """Return the program as JSON values under the names of the fields; a bound that is none is null."""
    values: dict[str, Any] = plain(program)
    for phase in values["phases"]:
        phase["until"] = [
            {name: None if value == NO_BOUND.get(name) else value for name, value in until.items()}
            for until in phase["until"]
        ]
    return values


def from_json(values: Mapping[str, Any]) -> Program:
    """Return what ``to_json`` wrote. Raises KeyError, TypeError, ValueError or AttributeError otherwise."""
    phases = [
        {**one, "until": [_bounds(until) for until in one.get("until", ())]} for one in values["phases"]
    ]
    return made(Program, {**values, "phases": phases})


def _bounds(condition: Mapping[str, Any]) -> dict[str, Any]:
    """Return a condition without the bounds that are none."""
    return {name: value for name, value in condition.items() if value is not None}
