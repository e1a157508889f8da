"""Digest of a run, and the sum of many digests by serial number, over runs and rigs.

A digest holds no arrays, so that hundreds of them can be sent and added up. The sum is a pure function of the
sorted digests, independent of where and in which order they were made.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from rig.domain.recorded_excursions import recorded
from rig.domain.recording import Recording
from rig.endurance.account_options import AccountOptions, account_options
from rig.endurance.deaths import Suspect, deaths, suspects, until_death
from rig.endurance.exposure import PhaseExposure, UnitExposure, exposures
from rig.endurance.held_readings import HeldReadings
from rig.endurance.judged_failures import JudgedFailures, judged
from rig.endurance.phases_in_force import Installation
from rig.endurance.run_identity import RunIdentity
from rig.endurance.verdict import Death
from rig.reliability.demonstration import ServiceHours
from rig.reliability.service_hours import Counting, served

HOUR_S = 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseHours:
    """Exposure of one unit to one phase, in h."""

    in_force_h: float
    within_h: float
    out_h: float
    unobserved_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BandSum:
    """Hours in the bands between ``edges`` (one more band than edges)."""

    edges: tuple[float, ...]
    hours: tuple[float, ...]
    unobserved_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class InstallationDigest:
    """One serial number in one place of one run.

    hours: those that count (see ``counting``), until its failure. None: not configured, or no channel.
    excursions: counted ones of its channels, as recorded.
    """

    unit: str
    serial: str
    start_ns: int
    end_ns: int
    installed_h: float
    observed_h: float
    unobserved_h: float
    hours: float
    counting: Counting
    energy_wh: float | None
    output_h: float | None
    drive_cycles: int | None
    trips: int | None
    excursions: int
    phases: Mapping[str, PhaseHours] = field(default_factory=dict)
    bands: Mapping[str, BandSum] = field(default_factory=dict)
    cycles: Mapping[str, float] = field(default_factory=dict)
    death: Death | None = None
    suspect: Suspect | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunDigest:
    """Digest of a run. notes: for the reader; dispositions, non_relevant: as in ``JudgedFailures``."""

    facts: RunIdentity
    start_ns: int
    end_ns: int
    sessions: int
    installations: tuple[InstallationDigest, ...]
    notes: tuple[str, ...] = ()
    dispositions: tuple[str, ...] = ()
    non_relevant: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """History of one serial number over all its runs, oldest first.

    hours: those that count; trips, energy_wh: None where no run has them. died: time and source.
    """

    serial: str
    installations: tuple[tuple[RunIdentity, InstallationDigest], ...]
    hours: float
    observed_h: float
    unobserved_h: float
    energy_wh: float | None
    output_h: float | None
    trips: int | None
    excursions: int
    phases: Mapping[str, PhaseHours]
    bands: Mapping[str, BandSum]
    died: Death | None


def digest(recording: Recording, facts: RunIdentity, counting: Counting | None = None) -> RunDigest:
    """Return the digest of a run; ``counting`` None: the strictest that its rig file allows.

    Raises UsageError if channels of the options were not recorded.
    """
    readings = HeldReadings(recording)
    options = account_options(recording.layout)
    died = judged(readings, deaths(readings))
    suspected = {one.serial: one for one in died.still_suspected(suspects(readings))}
    accounts = exposures(recording, options.phases, options.exposure)
    installations = tuple(
        _installation(
            readings, options, account, installation, died=died, suspected=suspected, counting=counting
        )
        for account, installation in zip(accounts, readings.installations(), strict=True)
    )
    return RunDigest(
        facts=facts,
        start_ns=readings.span_ns[0],
        end_ns=readings.span_ns[1],
        sessions=len(recording.sessions),
        installations=installations,
        notes=accounts[0].notes if accounts else (),
        dispositions=died.remarks,
        non_relevant=died.non_relevant,
    )


def _installation(
    readings: HeldReadings,
    options: AccountOptions,
    account: UnitExposure,
    installation: Installation,
    *,
    died: JudgedFailures,
    suspected: Mapping[str, Suspect],
    counting: Counting | None,
) -> InstallationDigest:
    death = next(
        (one for one in died.counted if one.serial == installation.serial and _during(one, installation)),
        None,
    )
    ends = died.ends_of(installation)
    worth = served(readings, until_death(installation, ends), options, counting)
    return InstallationDigest(
        unit=installation.unit,
        serial=installation.serial,
        start_ns=installation.start_ns,
        end_ns=installation.end_ns,
        installed_h=account.installed_s / HOUR_S,
        observed_h=account.observed_s / HOUR_S,
        unobserved_h=account.unobserved_s / HOUR_S,
        hours=worth.hours,
        counting=worth.counting,
        energy_wh=account.energy.watt_hours if account.energy else None,
        output_h=account.output.on_s / HOUR_S if account.output else None,
        drive_cycles=account.drive.count if account.drive else None,
        trips=len(account.trips) if options.exposure.trip else None,
        excursions=_excursions(readings, installation),
        phases={one.phase: _phase(one) for one in account.phases},
        bands={
            one.channel.removeprefix(f"{installation.unit}."): BandSum(
                edges=one.edges,
                hours=tuple(t / HOUR_S for t in one.time_s),
                unobserved_h=one.unobserved_s / HOUR_S,
            )
            for one in account.bands
        },
        cycles={
            name.removeprefix(f"{installation.unit}."): table.total for name, table in account.cycles.items()
        },
        death=death,
        suspect=suspected.get(installation.serial) if death is None else None,
    )


def _during(death: Death, installation: Installation) -> bool:
    return installation.start_ns <= death.t_ns <= installation.end_ns


def _phase(one: PhaseExposure) -> PhaseHours:
    return PhaseHours(
        in_force_h=one.in_force_s / HOUR_S,
        within_h=one.within_s / HOUR_S,
        out_h=one.out_s / HOUR_S,
        unobserved_h=one.unobserved_s / HOUR_S,
    )


def _excursions(readings: HeldReadings, installation: Installation) -> int:
    mine = set(readings.recording.layout.units[installation.unit].channels)
    return sum(
        one.began.subject in mine and installation.start_ns <= readings.start_of(one) <= installation.end_ns
        for one in recorded(readings.recording.events())
    )


def in_order(digests: Iterable[RunDigest]) -> list[RunDigest]:
    """Return digests by the time of their runs; a run that was found twice (in two places) counts once."""
    found: dict[str, RunDigest] = {}
    for one in sorted(digests, key=lambda d: (d.start_ns, d.facts.run, -d.end_ns, d.facts.where)):
        found.setdefault(one.facts.run, one)
    return list(found.values())


def histories(digests: Iterable[RunDigest]) -> list[History]:
    """Return each serial number's installations over runs and rigs, added up, by serial number."""
    installations: dict[str, list[tuple[RunIdentity, InstallationDigest]]] = {}
    for one in in_order(digests):
        for installation in one.installations:
            installations.setdefault(installation.serial, []).append((one.facts, installation))
    return [_history(serial, sorted(installations[serial], key=_when)) for serial in sorted(installations)]


def _when(pair: tuple[RunIdentity, InstallationDigest]) -> tuple[int, str, str]:
    return pair[1].start_ns, pair[0].run, pair[1].unit


def _history(serial: str, pairs: Sequence[tuple[RunIdentity, InstallationDigest]]) -> History:
    mine = [installation for _, installation in pairs]
    trips = [one.trips for one in mine if one.trips is not None]
    return History(
        serial=serial,
        installations=tuple(pairs),
        hours=math.fsum(one.hours for one in mine),
        observed_h=math.fsum(one.observed_h for one in mine),
        unobserved_h=math.fsum(one.unobserved_h for one in mine),
        energy_wh=_sum(one.energy_wh for one in mine),
        output_h=_sum(one.output_h for one in mine),
        trips=sum(trips) if trips else None,
        excursions=sum(one.excursions for one in mine),
        phases=_phases(mine),
        bands=_bands(mine),
        died=next((one.death for one in mine if one.death is not None), None),
    )


def _sum(values: Iterable[float | None]) -> float | None:
    known = [one for one in values if one is not None]
    return math.fsum(known) if known else None


def _phases(installations: Sequence[InstallationDigest]) -> dict[str, PhaseHours]:
    names = dict.fromkeys(name for one in installations for name in one.phases)
    parts = {name: [one.phases[name] for one in installations if name in one.phases] for name in names}
    return {
        name: PhaseHours(
            in_force_h=math.fsum(one.in_force_h for one in mine),
            within_h=math.fsum(one.within_h for one in mine),
            out_h=math.fsum(one.out_h for one in mine),
            unobserved_h=math.fsum(one.unobserved_h for one in mine),
        )
        for name, mine in parts.items()
    }


def _bands(installations: Sequence[InstallationDigest]) -> dict[str, BandSum]:
    """Return the hours of bands with the same edges added up; other edges are another entry."""
    parts: dict[tuple[str, tuple[float, ...]], list[BandSum]] = {}
    for one in installations:
        for name, band in one.bands.items():
            parts.setdefault((name, band.edges), []).append(band)
    several = {name for name, _ in parts if sum(other == name for other, _ in parts) > 1}
    found = {}
    for (name, edges), mine in parts.items():
        label = f"{name} at {', '.join(f'{edge:g}' for edge in edges)}" if name in several else name
        hours = tuple(math.fsum(column) for column in zip(*(one.hours for one in mine), strict=True))
        found[label] = BandSum(
            edges=edges, hours=hours, unobserved_h=math.fsum(one.unobserved_h for one in mine)
        )
    return found


def overlaps(history: History) -> list[str]:
    """Return in words where a serial number was recorded in two places at the same time."""
    found = []
    latest: tuple[RunIdentity, InstallationDigest] | None = None
    for facts, installation in history.installations:
        if latest is not None and installation.start_ns < latest[1].end_ns:
            found.append(
                f"serial number {history.serial} recorded in {latest[0].name} ({latest[1].unit}) and in "
                f"{facts.name} ({installation.unit}) at the same time: one record is wrong, hours count twice"
            )
        if latest is None or installation.end_ns > latest[1].end_ns:
            latest = (facts, installation)
    return found


def services(
    digests: Iterable[RunDigest],
    failed: Sequence[str] = (),
    survived: Sequence[str] = (),
    repaired: Sequence[str] = (),
) -> list[ServiceHours]:
    """Return the hours of each installation for the demonstration.

    failed, survived: serial numbers stated as failed (at the end of their last installation) or not, whatever
    the record says. repaired: after each failure they live another life (``0017/2``).
    """
    found: list[ServiceHours] = []
    for history in histories(digests):
        last, name, life = len(history.installations) - 1, history.serial, 1
        for at, (facts, installation) in enumerate(history.installations):
            died = installation.death is not None and history.serial not in survived
            died = died or (history.serial in failed and at == last)
            found.append(ServiceHours(serial=name, run=facts.name, hours=installation.hours, failed=died))
            if died and history.serial in repaired:
                life += 1
                name = f"{history.serial}/{life}"
    return found
