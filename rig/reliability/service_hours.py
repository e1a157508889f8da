"""How long a serial number has served: the hours that count when it is asked what they prove."""

from __future__ import annotations

import enum
from dataclasses import dataclass

from rig.endurance.account_options import AccountOptions
from rig.endurance.drive import level_time
from rig.endurance.exposure import phase_time
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Installation, time_of
from rig.endurance.stretches import NOWHERE, Stretches, stretch
from rig.errors import UsageError


class Counting(enum.StrEnum):
    """Which hours count."""

    TARGETS = "targets"
    """A phase was in force and all its targets were met."""
    OUTPUT = "output"
    """The unit gave output."""
    LOGGED = "logged"
    """Every channel of the unit had a good reading."""

    @property
    def words(self) -> str:
        """Say it for people."""
        return {
            Counting.TARGETS: "hours in which a phase was in force and its targets were met",
            Counting.OUTPUT: "hours in which the unit gave output",
            Counting.LOGGED: "hours in which every channel of the unit had a good reading",
        }[self]


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """What one installation is worth: hours, and which hours were counted."""

    hours: float
    counting: Counting


def usual(asked: AccountOptions) -> Counting:
    """Return the strictest way of counting that the rig file has words for."""
    if any(phase.targets for phase in asked.phases):
        return Counting.TARGETS
    return Counting.OUTPUT if asked.wanted.output else Counting.LOGGED


def served(
    readings: HeldReadings,
    installation: Installation,
    asked: AccountOptions,
    counting: Counting | None = None,
) -> Served:
    """Return the hours of a installation that count; ``counting`` None: the usual way for this rig file.

    Raises UsageError if the rig file has no words for the way of counting that is asked for.
    """
    way = counting or usual(asked)
    if installation.end_ns <= installation.start_ns:
        return Served(hours=0.0, counting=way)
    time = stretch(installation.start_ns, installation.end_ns)
    counted = {
        Counting.TARGETS: _within_targets, Counting.OUTPUT: _giving_output, Counting.LOGGED: _observed,
    }[way](readings, installation, asked, time)  # fmt: skip
    return Served(hours=counted.total_s / 3600, counting=way)


def _within_targets(
    readings: HeldReadings, installation: Installation, asked: AccountOptions, time: Stretches
) -> Stretches:
    if not any(phase.targets for phase in asked.phases):
        raise UsageError(
            f"hours within targets of rig {readings.recording.layout.rig}: its rig file has no program with "
            "targets; count output or logged hours"
        )
    forces = readings.forces()
    whole = NOWHERE
    for phase in asked.phases:
        bounds = {name: (one.low, one.high) for name, one in phase.targets_of(installation.unit).items()}
        met, _ = phase_time(readings, bounds)
        whole = whole.either(met.both(time_of(phase.name, forces)).both(time))
    return whole


def _giving_output(
    readings: HeldReadings, installation: Installation, asked: AccountOptions, time: Stretches
) -> Stretches:
    if asked.wanted.output is None:
        raise UsageError(
            f"output hours of rig {readings.recording.layout.rig}: its rig file does not say when a unit "
            "gives output; write account: output:, or count logged hours"
        )
    level = asked.wanted.output.of(installation.unit)
    return level_time(readings(level.channel), level).both(time)


def _observed(
    readings: HeldReadings, installation: Installation, asked: AccountOptions, time: Stretches
) -> Stretches:
    for channel in readings.recording.layout.units[installation.unit].channels:
        time = time.both(readings(channel).known)
    return time
