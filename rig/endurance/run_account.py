"""Account of one run: exposure, margins, parts, heat, failures; and the verdict on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.domain.accounting import WindingPlan
from rig.domain.recording import Recording
from rig.domain.uncertainty import rectangular
from rig.endurance.account_options import AccountOptions, account_options
from rig.endurance.ageing import HoursOfUse, InUseAt, hours_of_use
from rig.endurance.deaths import Suspect, deaths, suspects
from rig.endurance.derating import PartLoad, part_load
from rig.endurance.exposure import UnitExposure, exposures
from rig.endurance.heat import Resistance, resistance, winding_c, winding_rise_k, winding_uncertainty_k
from rig.endurance.held_readings import HeldReadings
from rig.endurance.judged_failures import judged as by_disposition
from rig.endurance.margins import Limited, Worst, looked_at
from rig.endurance.phases_in_force import Installation, named
from rig.endurance.verdict import Death, Record, RunVerdict, verdict
from rig.errors import UsageError


@dataclass(frozen=True, slots=True, kw_only=True)
class Winding:
    """Highest temperature of a winding, from its resistance.

    ohm: the highest GOOD reading, at t_ns; temp_c: what it means, uncertainty_k: its standard uncertainty;
    rise_k: over the ambient of that moment, None where that is not known. The cold resistance counts as
    read by the same instrument; lead resistance that is not taken off is not in ``uncertainty_k``.
    """

    winding: str
    unit: str
    serial: str
    t_ns: int
    ohm: float
    temp_c: float
    uncertainty_k: float
    rise_k: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunAccount:
    """Everything that one run is accounted for.

    stated: whether its rig file says what to account for. dispositions: failures that are not counted or not
    verified, in words; non_relevant: serial numbers whose failure does not count. use: hours of use, where
    they were asked for.
    """

    rig: str
    span_ns: tuple[int, int]
    sessions: int
    exposures: tuple[UnitExposure, ...]
    margins: tuple[Worst, ...]
    limited: tuple[Limited, ...]
    parts: tuple[PartLoad, ...]
    resistances: tuple[Resistance, ...]
    windings: tuple[Winding, ...]
    deaths: tuple[Death, ...]
    suspects: tuple[Suspect, ...]
    stated: bool
    dispositions: tuple[str, ...] = ()
    non_relevant: tuple[str, ...] = ()
    use: tuple[HoursOfUse, ...] = ()


def account(recording: Recording, unit: str | None = None, use: InUseAt | None = None) -> RunAccount:
    """Return the account of a run; ``unit``: only of this place or serial number, and of the room.

    use: what the hours shall be held against. Raises UsageError if there is no such unit, or if channels
    that are asked for were not recorded.
    """
    readings = HeldReadings(recording)
    options = account_options(recording.layout)
    installations = chosen(readings, unit)
    serials = {installation.serial for installation in installations}
    places = {installation.unit for installation in installations}
    every = exposures(recording, options.phases, options.exposure)
    limits = looked_at(recording, options.phases)
    died = by_disposition(readings, deaths(readings))
    loads = [
        part_load(readings, part, installation) for installation in installations for part in options.parts
    ]
    heats = [
        resistance(readings, stage, installation)
        for installation in installations
        for stage in options.stages
    ]
    turns = [
        _winding(readings, options, name, plan, installation)
        for installation in installations
        for name, plan in options.windings
    ]
    worth = (
        [hours_of_use(readings, use, installation) for installation in installations]
        if use is not None
        else []
    )
    return RunAccount(
        rig=recording.layout.rig,
        span_ns=readings.span_ns,
        sessions=len(recording.sessions),
        exposures=tuple(one for one in every if one.serial in serials and one.unit in places),
        margins=tuple(
            one for one in limits.worst if one.unit is None or (one.unit in places and one.serial in serials)
        ),
        limited=tuple(one for one in limits.limited if one.serial in serials and one.unit in places),
        parts=tuple(one for one in loads if one is not None),
        resistances=tuple(one for one in heats if one is not None),
        windings=tuple(one for one in turns if one is not None),
        deaths=tuple(one for one in died.counted if one.serial in serials),
        suspects=tuple(one for one in died.still_suspected(suspects(readings)) if one.serial in serials),
        stated=options.stated,
        dispositions=died.remarks if unit is None else (),
        non_relevant=tuple(one for one in died.non_relevant if one in serials),
        use=tuple(one for one in worth if one is not None),
    )


def judged(recording: Recording, found: RunAccount) -> RunVerdict:
    """Return the verdict on an account, by the criteria of the run's own rig file."""
    record = Record(
        layout=recording.layout,
        exposures=found.exposures,
        margins=found.margins,
        limited=found.limited,
        parts=found.parts,
        deaths=found.deaths,
    )
    return verdict(record, account_options(recording.layout).criteria)


def chosen(readings: HeldReadings, unit: str | None) -> Sequence[Installation]:
    """Return the installations of a place or of a serial number, all of them for None. Raises UsageError."""
    installations = readings.installations()
    mine = [one for one in installations if unit is None or unit in {one.unit, one.serial}]
    if not mine and unit is not None:
        known = ", ".join(f"{one.unit} ({one.serial})" for one in installations) or "none"
        raise UsageError(f"no unit or serial number {unit!r} in this recording; there are: {known}")
    return mine


def _winding(
    readings: HeldReadings, options: AccountOptions, name: str, plan: WindingPlan, installation: Installation
) -> Winding | None:
    channel = named(plan.resistance, installation.unit)
    held = readings(channel)
    inside = held.good & (held.t_ns >= installation.start_ns) & (held.t_ns <= installation.end_ns)
    if not inside.any():
        return None
    at = int(np.flatnonzero(inside)[np.argmax(held.value[inside])])
    ohm, t_ns = float(held.value[at]), held.t_ns[at : at + 1]
    stated = readings.standard_at(channel, ohm, int(t_ns[0]))
    ambient = float("nan")
    if options.ambient is not None:
        ambient = float(readings(named(options.ambient, installation.unit)).at(t_ns)[0])
    return Winding(
        winding=name,
        unit=installation.unit,
        serial=installation.serial,
        t_ns=int(t_ns[0]),
        ohm=ohm,
        temp_c=winding_c(plan.cold_ohm, plan.cold_c, ohm, plan.zero_c),
        uncertainty_k=winding_uncertainty_k(
            plan.cold_ohm,
            plan.cold_c,
            ohm,
            share_cold=stated / plan.cold_ohm,
            share_hot=stated / ohm,
            uncertainty_cold_k=rectangular(plan.cold_half_c),
            zero_c=plan.zero_c,
        ),
        rise_k=None
        if np.isnan(ambient)
        else winding_rise_k(plan.cold_ohm, plan.cold_c, ohm, ambient, plan.zero_c),
    )
