"""Exposure of each unit, from readback: hours in and out of each phase's targets, energy, cycles, trips.

Time not covered by a reading that is needed (see ``coverage``) is unobserved: counted separately and never as
exposure. Within a phase the three add up: within + out + unobserved = in force. A target that is
known to be out makes the time out, whatever the others did; "within" needs every target known and within.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from rig.domain.operating_state import OperatingState
from rig.domain.recording import Recording
from rig.domain.source_groups import foreign_sources
from rig.domain.units import unit_of_measure
from rig.endurance.bands import BandHours, Bands, band_hours
from rig.endurance.coverage import REACH, Held
from rig.endurance.cycles import CycleTable, rainflow
from rig.endurance.drive import (
    DriveCycles,
    Level,
    Trip,
    TripRule,
    completed_cycles,
    drive_cycles,
    level_time,
    trips,
)
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import InForce, Installation, Phase, named, time_of
from rig.endurance.stretches import NOWHERE, Stretches, stretch
from rig.endurance.unit_time import OFF, enduring, shows_states, time_in
from rig.errors import UsageError

GAP_RULE = (
    "each reading covers half the interval to its neighbours; where they are more than "
    f"{REACH:g} usual intervals apart, each covers half a usual interval and the rest is unobserved"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureOptions:
    """Exposure to compute, beside the phases. Channel names may hold ``{unit}``; None leaves a part out.

    power: channel whose integral is the energy; output: when the unit counts as giving output; drive:
    when it counts as driven; trip: what counts as a protection trip; bands: time at bands of channels;
    cycles: channels whose swings are counted, with the smallest swing that is listed.
    """

    power: str | None = None
    output: Level | None = None
    drive: Level | None = None
    trip: TripRule | None = None
    bands: tuple[Bands, ...] = ()
    cycles: Mapping[str, float] = field(default_factory=dict)

    @property
    def channels(self) -> tuple[str, ...]:
        """All channels that are named, as they are written."""
        levels = [self.output, self.drive]
        if self.trip:
            levels += [self.trip.output, self.trip.drive]
        names = [level.channel for level in levels if level]
        names += [self.power] if self.power else []
        return (*names, *(one.channel for one in self.bands), *self.cycles)


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetExposure:
    """One target of a phase while the phase was in force. lowest, highest: of the GOOD readings, or None."""

    channel: str
    value: float
    tolerance: float
    within_s: float
    out_s: float
    unobserved_s: float
    lowest: float | None
    highest: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseExposure:
    """Exposure of one unit to one phase.

    in_force_s: how long the record says it was in force, times: how often it began; within_s, out_s,
    unobserved_s: its three parts. transitions: changes between them; within_half_width_s: how far within_s
    may be off: each transition is misplaced by its edge at most, evenly and each for itself; two standard
    deviations of their sum, never more than all of them the same way. anywhere_s: time in which all its
    targets were met, whatever phase was in force. drive_cycles: while in force and within, where the phase
    has a drive or a drive level is given.
    """

    phase: str
    planned_s: float | None
    planned_count: int | None
    times: int
    in_force_s: float
    within_s: float
    out_s: float
    unobserved_s: float
    transitions: int
    within_half_width_s: float
    anywhere_s: float
    drive_cycles: int | None
    targets: tuple[TargetExposure, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Energy:
    """Integral of the power over the logged time. pm_joule: from the bound of error at its mean."""

    channel: str
    joule: float
    half_width_joule: float
    observed_s: float
    unobserved_s: float

    @property
    def watt_hours(self) -> float:
        """The energy in Wh."""
        return self.joule / 3600


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchedTime:
    """Time on, off and unobserved."""

    channel: str
    on_s: float
    off_s: float
    unobserved_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitExposure:
    """Exposure of one serial number in one place.

    observed_s: time in which every stimulus channel of the phases (all channels of the unit, where there
    are no phases) has a good reading; unobserved_s: the rest of the installation. notes: for the reader.
    """

    unit: str
    serial: str
    start_ns: int
    end_ns: int
    installed_s: float
    observed_s: float
    unobserved_s: float
    phases: tuple[PhaseExposure, ...]
    energy: Energy | None
    output: SwitchedTime | None
    drive: DriveCycles | None
    trips: tuple[Trip, ...]
    bands: tuple[BandHours, ...]
    cycles: Mapping[str, CycleTable]
    gap_rule: str = GAP_RULE
    notes: tuple[str, ...] = ()


def exposures(
    recording: Recording, phases: Sequence[Phase] = (), options: ExposureOptions | None = None
) -> list[UnitExposure]:
    """Return the exposure of every serial number in every place, in the order of places and time."""
    readings = HeldReadings(recording)
    options = options or ExposureOptions()
    places = readings.installations()
    readings.demand(
        named(channel, installation.unit)
        for installation in places
        for channel in (*_targets(phases), *options.channels)
    )
    forces = {unit: readings.forces(unit) for unit in recording.layout.units}
    plan = _ExposurePlan(phases=phases, forces=forces, options=options)
    notes = _notes(readings, plan)
    return [_account(readings, installation, plan, notes) for installation in places]


def phase_time(
    held: Callable[[str], Held], targets: Mapping[str, tuple[float, float]]
) -> tuple[Stretches, Stretches]:
    """Return the time in which all targets are met, and the time in which one of them is known to be out.

    targets: (low, high) by channel. No targets are never met.
    """
    met: Stretches | None = None
    missed = NOWHERE
    for channel, (low, high) in targets.items():
        one = held(channel)
        inside = one.between(low, high)
        met = inside if met is None else met.both(inside)
        missed = missed.either(one.known.without(inside))
    return (NOWHERE if met is None else met), missed


def endured(
    readings: HeldReadings, installation: Installation, phase: Phase, met: Stretches, missed: Stretches
) -> tuple[Stretches, Stretches]:
    """Return the time in which a unit endured the targets that were met, and the time in which it did not.

    A unit that is not driven although the phase asks for it, is off, failed or held back endures nothing.
    Where its output is not read, its state is not known, and the targets alone decide.
    """
    if not shows_states(readings, installation.unit):
        return met, missed
    able = enduring(phase, readings, installation.unit)
    other = frozenset(OperatingState) - able - {OperatingState.UNOBSERVED}
    return (
        met.both(time_in(readings, installation, able)),
        missed.either(time_in(readings, installation, other)),
    )


def _trips(readings: HeldReadings, options: ExposureOptions, installation: Installation) -> tuple[Trip, ...]:
    """Return the protection trips of an installation: a unit that is off or failed is not held back."""
    assert options.trip is not None
    time = stretch(installation.start_ns, installation.end_ns)
    if shows_states(readings, installation.unit):
        time = time.without(time_in(readings, installation, OFF))
    return trips(readings, options.trip.of(installation.unit), time)


@dataclass(frozen=True, slots=True, kw_only=True)
class _ExposurePlan:
    """What exposure is computed by. forces: by unit, the periods of its phases."""

    phases: Sequence[Phase]
    forces: Mapping[str, Sequence[InForce]]
    options: ExposureOptions


def _targets(phases: Sequence[Phase]) -> set[str]:
    return {channel for phase in phases for channel in phase.targets}


def _account(
    readings: HeldReadings, installation: Installation, plan: _ExposurePlan, notes: tuple[str, ...]
) -> UnitExposure:
    time = stretch(installation.start_ns, installation.end_ns)
    unit, options = installation.unit, plan.options
    logged = _observed(readings, unit, plan.phases, time)
    drive = options.drive.of(unit) if options.drive else None
    return UnitExposure(
        unit=unit,
        serial=installation.serial,
        start_ns=installation.start_ns,
        end_ns=installation.end_ns,
        installed_s=time.total_s,
        observed_s=logged.total_s,
        unobserved_s=time.total_s - logged.total_s,
        phases=tuple(
            _phase(readings, phase, installation, forces=plan.forces[unit], drive=drive)
            for phase in plan.phases
        ),
        energy=_energy(readings, named(options.power, unit), time) if options.power else None,
        output=_switched(readings, options.output.of(unit), time) if options.output else None,
        drive=drive_cycles(readings(drive.channel), drive, time) if drive else None,
        trips=_trips(readings, options, installation) if options.trip else (),
        bands=tuple(band_hours(readings(named(one.channel, unit)), one, time) for one in options.bands),
        cycles={
            named(channel, unit): _cycles(readings(named(channel, unit)), time, least)
            for channel, least in options.cycles.items()
        },
        notes=notes,
    )


def _phase(
    readings: HeldReadings,
    phase: Phase,
    installation: Installation,
    *,
    forces: Sequence[InForce],
    drive: Level | None,
) -> PhaseExposure:
    unit, time = installation.unit, stretch(installation.start_ns, installation.end_ns)
    targets = readings.targets(phase, unit)
    met, missed = phase_time(readings, {name: (one.low, one.high) for name, one in targets.items()})
    met, missed = endured(readings, installation, phase, met, missed)
    force = time_of(phase.name, forces).both(time)
    within, out = met.both(force), missed.both(force)
    edges = sum(
        within.edges_inside(int(a), int(b)) for a, b in zip(force.start_ns, force.end_ns, strict=True)
    )
    edge_s = max((readings(name).edge_s for name in targets), default=0.0)
    return PhaseExposure(
        phase=phase.name,
        planned_s=phase.duration_s,
        planned_count=phase.count,
        times=sum(one.phase == phase.name and _overlaps(one, time) for one in forces),
        in_force_s=force.total_s,
        within_s=within.total_s,
        out_s=out.total_s,
        unobserved_s=force.total_s - within.total_s - out.total_s,
        transitions=edges,
        within_half_width_s=edge_s * min(edges, 2 * math.sqrt(edges / 3)),
        anywhere_s=met.both(time).total_s,
        drive_cycles=_cycles_in(readings, phase, unit, drive, within),
        targets=tuple(
            _target(readings(name), force, one.value, one.tolerance) for name, one in targets.items()
        ),
    )


def _cycles_in(
    readings: HeldReadings, phase: Phase, unit: str, drive: Level | None, within: Stretches
) -> int | None:
    """Return the drive cycles of a phase: whole ones of its own drive, else of the level; None: no level.

    A drive that is read at one unit is read at the same channel of each, where there is one: no unit loses
    its cycles to another that failed.
    """
    duty = phase.drive
    if duty is not None:
        layout = readings.recording.layout
        channel = named(duty.channel, unit)
        facts = layout.channels.get(channel)
        like = f"{unit}.{channel.partition('.')[2]}"
        if facts is not None and facts.unit is not None and like in layout.channels:
            channel = like
        if channel in layout.channels and channel not in foreign_sources(layout, unit):
            level = Level(channel=channel, on_above=duty.on_above, off_below=duty.on_above)
            return completed_cycles(readings(channel), level, within)
    return drive_cycles(readings(drive.channel), drive, within).count if drive else None


def _overlaps(one: InForce, time: Stretches) -> bool:
    return bool(len(stretch(one.start_ns, one.end_ns).both(time)))


def _target(held: Held, force: Stretches, value: float, tolerance: float) -> TargetExposure:
    known = held.known.both(force)
    within = held.between(value - tolerance, value + tolerance).both(force)
    values = held.value[held.inside(force)]
    return TargetExposure(
        channel=held.channel,
        value=value,
        tolerance=tolerance,
        within_s=within.total_s,
        out_s=known.total_s - within.total_s,
        unobserved_s=force.total_s - known.total_s,
        lowest=float(values.min()) if len(values) else None,
        highest=float(values.max()) if len(values) else None,
    )


def _observed(readings: HeldReadings, unit: str, phases: Sequence[Phase], time: Stretches) -> Stretches:
    channels = {name for phase in phases for name in readings.targets(phase, unit)}
    if not channels:
        channels = set(readings.recording.layout.units[unit].channels)
    for channel in sorted(channels):
        time = time.both(readings(channel).known)
    return time


def _energy(readings: HeldReadings, channel: str, time: Stretches) -> Energy:
    held = readings(channel)
    facts = readings.facts(channel)
    factor = _watts(facts.unit_of_measure, channel)
    observed_s = held.known.both(time).total_s
    return Energy(
        channel=channel,
        joule=factor * held.integral(time),
        half_width_joule=factor * readings.half_width_over(readings.model(channel), time) * observed_s,
        observed_s=observed_s,
        unobserved_s=time.total_s - observed_s,
    )


def _watts(symbol: str, channel: str) -> float:
    """Return how many watts one of the channel's units is."""
    unit, watt = unit_of_measure(symbol), unit_of_measure("W")
    if unit.kind != watt.kind:
        raise UsageError(
            f"energy from channel {channel}: it is in {symbol!r}; expected a unit of power such as W; name "
            "the channel that reads the power"
        )
    return float(unit.factor / watt.factor)


def _switched(readings: HeldReadings, level: Level, time: Stretches) -> SwitchedTime:
    held = readings(level.channel)
    known = held.known.both(time)
    on = level_time(held, level).both(time)
    return SwitchedTime(
        channel=level.channel,
        on_s=on.total_s,
        off_s=known.total_s - on.total_s,
        unobserved_s=time.total_s - known.total_s,
    )


def _cycles(held: Held, time: Stretches, least: float) -> CycleTable:
    return rainflow(held.value[held.inside(time)], least)


def _notes(readings: HeldReadings, plan: _ExposurePlan) -> tuple[str, ...]:
    notes = []
    phases, forces = plan.phases, [force for forces in plan.forces.values() for force in forces]
    late = [number for number, shift in readings.shifts.items() if shift]
    if late:
        notes.append(
            f"wall clock set back before session {', '.join(map(str, late))}: it is counted as if it had "
            "begun at the end of the previous session"
        )
    boots = {one.boot_id for one in readings.recording.sessions}
    if len(boots) > 1:
        notes.append("unobserved time between two boots of the machine depends on the wall clock")
    unsure = [one.number for one in readings.recording.sessions if not one.synchronised]
    if unsure and len(boots) > 1:
        notes.append(f"wall clock not synchronised in session {', '.join(map(str, unsure))}")
    if phases and not forces:
        notes.append("no phase in the record: only the time with all targets met is known")
    unknown = sorted({one.phase for one in forces} - {phase.name for phase in phases})
    if phases and unknown:
        notes.append(f"phases in the record that the program does not have: {', '.join(unknown)}")
    return tuple(notes)
