"""Switched time from readback: output hours, drive cycles, protection trips."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from rig.endurance.coverage import Held
from rig.endurance.phases_in_force import named
from rig.endurance.stretches import NOWHERE, Ints, Stretches, stretches


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """Thresholds of on and off: on above ``on_above``, until it falls below ``off_below`` (hysteresis).

    Raises ValueError unless off_below <= on_above.
    """

    channel: str
    on_above: float
    off_below: float

    def __post_init__(self) -> None:
        if self.off_below > self.on_above:
            raise ValueError(
                f"level of {self.channel}: off below {self.off_below:g} is above on above {self.on_above:g}"
            )

    def of(self, unit: str) -> Level:
        """Return the level as it stands for one unit."""
        return replace(self, channel=named(self.channel, unit))


@dataclass(frozen=True, slots=True, kw_only=True)
class TripRule:
    """Rule for a protection trip: output before, then none for ``least_s`` of driven time.

    ``least_s`` is raised to what the polling can resolve: twice the usual interval of each channel.
    """

    output: Level
    drive: Level
    least_s: float = 0.0

    def of(self, unit: str) -> TripRule:
        """Return the rule as it stands for one unit."""
        return replace(self, output=self.output.of(unit), drive=self.drive.of(unit))


@dataclass(frozen=True, slots=True, kw_only=True)
class Trip:
    """One stretch without output while driven.

    start_ns: output ended; end_ns: output returned, or the end of the time examined. came_back: whether
    output returned. over_gap: includes unobserved time, so it may be two, or shorter.
    """

    start_ns: int
    end_ns: int
    came_back: bool
    over_gap: bool

    @property
    def lasted_s(self) -> float:
        """Length in s."""
        return (self.end_ns - self.start_ns) / 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveCycles:
    """Number of changes from off to on. gaps: unobserved stretches that may hide further cycles."""

    channel: str
    count: int
    on_s: float
    gaps: int


def level_time(held: Held, level: Level) -> Stretches:
    """Return the time in which a channel counts as on.

    Between the two bounds the state is kept; after a gap the nearer bound decides.
    """
    good = np.flatnonzero(held.good)
    if not len(good):
        return NOWHERE
    value = held.value[good]
    decided = np.where(value > level.on_above, 1, np.where(value < level.off_below, -1, 0)).astype(np.int8)
    fresh = np.concatenate([[True], held.start_ns[good][1:] > held.end_ns[good][:-1]])
    middle = (level.on_above + level.off_below) / 2
    guess = np.where(value > middle, 1, -1).astype(np.int8)
    decided = np.where(fresh & (decided == 0), guess, decided)
    at = np.where(decided != 0, np.arange(len(decided)), 0)
    np.maximum.accumulate(at, out=at)
    on = decided[at] > 0
    return stretches(held.start_ns[good][on], held.end_ns[good][on])


def drive_cycles(held: Held, level: Level, time: Stretches) -> DriveCycles:
    """Return how often a channel went on within a set of time; a change inside a gap is not counted."""
    on = level_time(held, level)
    known = held.known
    begins = on.start_ns
    # the start of an on-stretch is a change only if the channel was known to be off just before
    seen = known.holds(begins - 1) & time.holds(begins)
    looked = known.both(time)
    return DriveCycles(
        channel=held.channel,
        count=int(np.count_nonzero(seen)),
        on_s=on.both(time).total_s,
        gaps=_gaps(looked, time),
    )


def completed_cycles(held: Held, level: Level, time: Stretches) -> int:
    """Return how often a channel went off after it was on, within a set of time; not counted inside a gap."""
    ends = level_time(held, level).end_ns
    return int(np.count_nonzero(time.holds(ends - 1) & held.known.holds(ends)))


def trips(readings: Callable[[str], Held], rule: TripRule, time: Stretches) -> tuple[Trip, ...]:
    """Return the protection trips within a set of time, oldest first.

    A pause of the drive is none: only driven time without output counts. Repeated bursts of drive
    without any output between them are one trip.
    """
    output, drive = readings(rule.output.channel), readings(rule.drive.channel)
    on = level_time(output, rule.output).both(time)
    if not len(on):
        return ()
    least_s = max(rule.least_s, 2 * (output.usual_s + drive.usual_s))
    known = output.known.both(time)
    driven = level_time(drive, rule.drive).both(known).without(on)
    starts: Ints = on.end_ns
    ends = np.concatenate([on.start_ns[1:], time.end_ns[-1:]])
    lost_s = driven.before_s(ends) - driven.before_s(starts)
    unobserved_s = (ends - starts) / 1e9 - (known.before_s(ends) - known.before_s(starts))
    return tuple(
        Trip(
            start_ns=int(starts[at]),
            end_ns=int(ends[at]),
            came_back=bool(at + 1 < len(starts)),
            over_gap=bool(unobserved_s[at] > 0),
        )
        for at in np.flatnonzero(lost_s >= least_s)
    )


def _gaps(known: Stretches, time: Stretches) -> int:
    return len(time.without(known))
