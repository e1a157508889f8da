"""Service hours of a serial number: the hours that count for a demonstration."""

from __future__ import annotations

import enum
from dataclasses import dataclass

from rig.endurance.account_options import AccountOptions
from rig.endurance.drive import level_time
from rig.endurance.exposure import endured, phase_time
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Installation, time_of
from rig.endurance.stretches import NOWHERE, Stretches, stretch
from rig.errors import UsageError


class Counting(enum.StrEnum):
    """Way of counting hours."""

    TARGETS = "targets"
    """Hours with a phase in force and all its targets met."""
    OUTPUT = "output"
    """Hours with output."""
    OBSERVED = "observed"
    """Hours with a good reading on every channel of the unit."""

    @property
    def words(self) -> str:
        """The way of counting in words."""
        return {
            Counting.TARGETS: "hours with a phase in force and its targets met",
            Counting.OUTPUT: "hours with output",
            Counting.OBSERVED: "hours with good readings on every channel of the unit",
        }[self]


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """Counted hours of one installation, and the way of counting."""

    hours: float
    counting: Counting


def usual(options: AccountOptions) -> Counting:
    """Return the strictest way of counting that the rig file allows."""
    if any(phase.targets for phase in options.phases):
        return Counting.TARGETS
    return Counting.OUTPUT if options.exposure.output else Counting.OBSERVED


def served(
    readings: HeldReadings,
    installation: Installation,
    options: AccountOptions,
    counting: Counting | None = None,
) -> Served:
    """Return the hours of an installation that count; ``counting`` None: the usual way for this rig file.

    Raises UsageError if the rig file does not allow that way of counting.
    """
    way = counting or usual(options)
    if installation.end_ns <= installation.start_ns:
        return Served(hours=0.0, counting=way)
    time = stretch(installation.start_ns, installation.end_ns)
    counted = {
        Counting.TARGETS: _within_targets, Counting.OUTPUT: _giving_output, Counting.OBSERVED: _observed,
    }[way](readings, installation, options, time)  # fmt: skip
    return Served(hours=counted.total_s / 3600, counting=way)


def _within_targets(
    readings: HeldReadings, installation: Installation, options: AccountOptions, time: Stretches
) -> Stretches:
    if not any(phase.targets for phase in options.phases):
        raise UsageError(
            f"hours within targets of rig {readings.recording.layout.rig}: no program with targets in its "
            "rig file; count output or observed hours"
        )
    forces = readings.forces(installation.unit)
    within = NOWHERE
    for phase in options.phases:
        targets = readings.targets(phase, installation.unit)
        bounds = {name: (one.low, one.high) for name, one in targets.items()}
        met, missed = phase_time(readings, bounds)
        met, _ = endured(readings, installation, phase, met, missed)
        within = within.either(met.both(time_of(phase.name, forces)).both(time))
    return within


def _giving_output(
    readings: HeldReadings, installation: Installation, options: AccountOptions, time: Stretches
) -> Stretches:
    if options.exposure.output is None:
        raise UsageError(
            f"output hours of rig {readings.recording.layout.rig}: no output level in its rig file; "
            "write account: output:, or count observed hours"
        )
    level = options.exposure.output.of(installation.unit)
    return level_time(readings(level.channel), level).both(time)


def _observed(
    readings: HeldReadings, installation: Installation, options: AccountOptions, time: Stretches
) -> Stretches:
    for channel in readings.recording.layout.units[installation.unit].channels:
        time = time.both(readings(channel).known)
    return time
