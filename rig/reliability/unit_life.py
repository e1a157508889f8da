"""Life of one serial number over runs and rigs: where it sat, what it did, how it failed, what was noted.

``trace`` says what one run holds on it, ``unit_life`` adds up what many runs hold. Newest first throughout.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from rig.domain.model import Event, EventKind
from rig.domain.operating_state import Cause, Certainty, OperatingState, StateChange
from rig.domain.positions import PositionChange
from rig.domain.recording import Recording
from rig.domain.unit_history import UnitHistory
from rig.domain.unit_history import histories as state_histories
from rig.endurance.deaths import noted_ns
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Installation
from rig.endurance.run_identity import RunIdentity
from rig.reliability.run_digest import (
    HOUR_S,
    History,
    InstallationDigest,
    RunDigest,
    digest,
    histories,
    in_order,
    overlaps,
)

NEAR = 5
"""How many serial numbers are offered in place of one that is nowhere (common practice, no source)."""
NEAR_SHARE = 0.5
"""How much of it they must have in common, as ``difflib`` measures it (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StateHours:
    """Time in one operating state: hours, number of stretches, the longest one in h."""

    hours: float
    stretches: int
    longest_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedRevision:
    """Design revision that a rig file states of a serial number, from a moment on (UTC ns)."""

    run: str
    since_ns: int
    keys: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class FailureSign:
    """What points to a failure, or says that there is one.

    source: ``suspected`` (by its operating state), ``noted`` (by a person) or ``still out`` (channels out of
    limits at the end of the record).
    earliest_ns, latest_ns: the moment lies between, UTC. retracted: it turned out to be none.
    """

    run: str
    unit: str
    source: str
    certainty: Certainty
    earliest_ns: int
    latest_ns: int
    text: str
    retracted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LifeEvent:
    """A swap or a note, UTC ns. kind: ``swap`` or ``note``."""

    run: str
    unit: str
    kind: str
    t_ns: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Stay:
    """One installation of a serial number: its run, its digest, its load, its hours by operating state.

    last_state: in which it was at the end.
    """

    facts: RunIdentity
    installation: InstallationDigest
    load: str
    states: Mapping[str, StateHours]
    last_state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialTrace:
    """What one run holds on a serial number.

    serials: all of the run. digest: of its installations, None where it has none.
    """

    serials: tuple[str, ...]
    digest: RunDigest | None = None
    stays: tuple[Stay, ...] = ()
    revisions: tuple[StatedRevision, ...] = ()
    failures: tuple[FailureSign, ...] = ()
    events: tuple[LifeEvent, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitLife:
    """Life of one serial number, newest first.

    history: its account added up, oldest installation first. revisions: only where it changed. unstated: runs
    whose rig files state none. together: in words, where it was recorded in two places at once.
    """

    serial: str
    history: History
    stays: tuple[Stay, ...]
    revisions: tuple[StatedRevision, ...]
    unstated: tuple[str, ...]
    states: Mapping[str, StateHours]
    failures: tuple[FailureSign, ...]
    events: tuple[LifeEvent, ...]
    together: tuple[str, ...] = field(default=())


def trace(recording: Recording, facts: RunIdentity, serial: str) -> SerialTrace:
    """Return what a run holds on a serial number. Raises UsageError if its account cannot be made."""
    readings = HeldReadings(recording)
    seats = readings.installations()
    serials = tuple(dict.fromkeys(one.serial for one in seats))
    if serial not in serials:
        return SerialTrace(serials=serials)
    whole = digest(recording, facts)
    mine = replace(whole, installations=tuple(one for one in whole.installations if one.serial == serial))
    states = state_histories(recording, readings.shifts)
    units = recording.layout.units
    stays = tuple(
        Stay(
            facts=facts,
            installation=one,
            load=units[one.unit].load,
            states=_state_hours(states[one.unit], one),
            last_state=_last_state(states[one.unit], one),
        )
        for one in mine.installations
    )
    own = [one for one in seats if one.serial == serial]
    return SerialTrace(
        serials=serials,
        digest=mine,
        stays=stays,
        revisions=_stated(recording, readings, facts, own),
        failures=_failures(facts, mine, states),
        events=tuple(_events(readings, facts, own)),
    )


def unit_life(serial: str, traces: Sequence[SerialTrace]) -> UnitLife | None:
    """Return the life of a serial number from what runs hold on it; None: it is in none of them.

    A run that was found twice counts once.
    """
    found = {id(one.digest): one for one in traces if one.digest is not None}
    kept = in_order(one.digest for one in found.values() if one.digest is not None)
    if not kept:
        return None
    mine = [found[id(one)] for one in kept]
    [history] = histories(kept)
    stays = [stay for one in mine for stay in one.stays]
    return UnitLife(
        serial=serial,
        history=history,
        stays=tuple(sorted(stays, key=lambda one: -one.installation.start_ns)),
        revisions=_changed(revision for one in mine for revision in one.revisions),
        unstated=tuple(one.stays[0].facts.name for one in mine if not one.revisions),
        states=_summed([stay.states for stay in stays]),
        failures=tuple(sorted((sign for one in mine for sign in one.failures), key=lambda s: -s.latest_ns)),
        events=tuple(sorted((event for one in mine for event in one.events), key=lambda e: -e.t_ns)),
        together=tuple(overlaps(history)),
    )


def near(serial: str, traces: Iterable[SerialTrace]) -> str:
    """Return in words which serial numbers runs hold that look like one that is in none of them."""
    known = dict.fromkeys(one for run in traces for one in run.serials)
    if alike := difflib.get_close_matches(serial, known, n=NEAR, cutoff=NEAR_SHARE):
        return f"near ones: {', '.join(alike)}"
    more = ", ..." if len(known) > NEAR else ""
    return f"none is near it; there are: {', '.join(sorted(known)[:NEAR]) or 'none'}{more}"


def _state_hours(history: UnitHistory, installation: InstallationDigest) -> dict[str, StateHours]:
    lengths: dict[OperatingState, list[float]] = {}
    for span in history.spans:
        length_ns = min(span.end_ns, installation.end_ns) - max(span.start_ns, installation.start_ns)
        if span.serial == installation.serial and length_ns > 0:
            lengths.setdefault(span.state, []).append(length_ns / 1e9 / HOUR_S)
    return {
        state.value: StateHours(
            hours=sum(lengths[state]), stretches=len(lengths[state]), longest_h=max(lengths[state])
        )
        for state in OperatingState
        if state in lengths
    }


def _last_state(history: UnitHistory, installation: InstallationDigest) -> str:
    mine = [
        span
        for span in history.spans
        if span.serial == installation.serial and span.start_ns < installation.end_ns
    ]
    return mine[-1].state.value if mine else OperatingState.UNOBSERVED.value


def _stated(
    recording: Recording, readings: HeldReadings, facts: RunIdentity, own: Sequence[Installation]
) -> tuple[StatedRevision, ...]:
    """Return the revisions that the rig files of a run state, oldest first.

    A rig file speaks of the serial number that it gives for the place; of one that was put in later it says
    nothing.
    """
    places = {one.unit for one in own}
    found: list[StatedRevision] = []
    lived = [one for one in recording.sessions if not one.brief]
    known = [
        (one.start_ns + readings.shifts.get(one.number, 0), recording.layouts.get(one.number))
        for one in lived
    ]
    for start_ns, layout in known or [(own[0].start_ns, None)]:
        units = (layout or recording.layout).units
        for unit in units.values():
            if unit.name in places and unit.serial == own[0].serial and unit.revision:
                since_ns = max(start_ns, min(one.start_ns for one in own if one.unit == unit.name))
                found.append(StatedRevision(run=facts.name, since_ns=since_ns, keys=dict(unit.revision)))
    return tuple(found)


def _changed(stated: Iterable[StatedRevision]) -> tuple[StatedRevision, ...]:
    """Return the revisions that differ from the one before, newest first."""
    found: list[StatedRevision] = []
    for one in sorted(stated, key=lambda it: it.since_ns):
        if not found or found[-1].keys != one.keys:
            found.append(one)
    return tuple(reversed(found))


def _summed(parts: Sequence[Mapping[str, StateHours]]) -> dict[str, StateHours]:
    found: dict[str, StateHours] = {}
    for state in OperatingState:
        mine = [one[state.value] for one in parts if state.value in one]
        if mine:
            found[state.value] = StateHours(
                hours=sum(one.hours for one in mine),
                stretches=sum(one.stretches for one in mine),
                longest_h=max(one.longest_h for one in mine),
            )
    return found


def _failures(
    facts: RunIdentity, mine: RunDigest, states: Mapping[str, UnitHistory]
) -> tuple[FailureSign, ...]:
    """Return what points to a failure in a run: what the states say; else the account, where it says more."""
    found: list[FailureSign] = []
    for one in mine.installations:
        signs = _suspicions(facts, one, states[one.unit].changes)
        standing = any(not sign.retracted for sign in signs)
        found += signs
        if one.death is not None and not standing:
            noted = one.death.certainty is Certainty.CERTAIN
            found.append(
                FailureSign(
                    run=facts.name, unit=one.unit, source="noted" if noted else "suspected",
                    certainty=one.death.certainty,
                    earliest_ns=one.death.t_ns, latest_ns=one.death.t_ns, text=one.death.text,
                )
            )  # fmt: skip
        suspect = one.suspect
        if suspect is not None and not standing and one.start_ns <= suspect.t_ns <= one.end_ns:
            found.append(
                FailureSign(
                    run=facts.name, unit=one.unit, source="still out", certainty=Certainty.POSSIBLE,
                    earliest_ns=suspect.t_ns, latest_ns=suspect.t_ns,
                    text=f"out of limits to the end of the record: {', '.join(suspect.channels)}",
                )
            )  # fmt: skip
    return tuple(found)


def _suspicions(
    facts: RunIdentity, installation: InstallationDigest, changes: Sequence[StateChange]
) -> list[FailureSign]:
    found: list[FailureSign] = []
    for one in changes:
        if one.serial != installation.serial or not _inside(one.latest_ns, installation):
            continue
        if one.retracts and found:
            found[-1] = replace(found[-1], retracted=True)
        if one.state is OperatingState.FAILED:
            found.append(
                FailureSign(
                    run=facts.name,
                    unit=installation.unit,
                    source="noted" if one.cause is Cause.NOTE else "suspected",
                    certainty=one.certainty,
                    earliest_ns=one.earliest_ns,
                    latest_ns=one.latest_ns,
                    text="; ".join(one.evidence),
                )
            )
    return found


def _inside(t_ns: int, installation: InstallationDigest) -> bool:
    return installation.start_ns <= t_ns <= installation.end_ns


def _events(readings: HeldReadings, facts: RunIdentity, own: Sequence[Installation]) -> Iterable[LifeEvent]:
    """Yield the swaps of a serial number, and the notes on its place while it sat there."""
    serial = own[0].serial
    for event in readings.recording.events():
        if event.kind is EventKind.UNIT and "serial" in event.data:
            change = _change(event)
            if serial in {change.serial, change.before}:
                t_ns = readings.moment(event)
                yield LifeEvent(run=facts.name, unit=change.unit, kind="swap", t_ns=t_ns, text=change.text)
        elif event.kind is EventKind.NOTE:
            for one in own:
                about_ns = noted_ns(readings, event, one)
                if about_ns is not None:
                    yield LifeEvent(
                        run=facts.name, unit=one.unit, kind="note", t_ns=about_ns, text=event.text
                    )
                    break


def _change(event: Event) -> PositionChange:
    return PositionChange(
        unit=event.subject,
        before=str(event.data.get("before") or ""),
        serial=str(event.data["serial"] or ""),
        why=str(event.data.get("why") or "no reason stated"),
    )
