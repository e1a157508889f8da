"""Failures by the dispositions of their incidents: what counts, what does not, and what is still open.

A relevant failure counts; a non-relevant one and a rejected suspicion do not (IEC 61124). A failure that
nobody has judged counts as relevant until its incident is closed. A trip alone, and an incident opened by
hand, count only when a person has closed them as a relevant failure: a limit that switched a unit off, so
that it gives no output, shows no failure of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from rig.domain.cautions import FAILED_UNIT
from rig.domain.incident_entries import Relevance
from rig.domain.incidents import COMMON_S, Incident, IncidentKind, incidents
from rig.domain.operating_state import Certainty
from rig.endurance.deaths import Suspect
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Installation
from rig.endurance.verdict import Death

SAME_NS = round(COMMON_S * 1e9)
"""How long after the last that was told of an incident a failure still belongs to it: a unit that was
switched off loses its output a little later."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedFailures:
    """Failures of a recording after the dispositions.

    counted: at most one for each serial number, earliest first. ended: not counted, but the unit was taken
    out without being driven again, so its hours end there. remarks: what was left out or is open, in words.
    non_relevant: serial numbers that had a failure that does not count, and none that does.
    judged_until: serial number -> time up to which its closed incidents speak for it (UTC ns).
    """

    counted: tuple[Death, ...]
    ended: tuple[Death, ...] = ()
    remarks: tuple[str, ...] = ()
    non_relevant: tuple[str, ...] = ()
    judged_until: Mapping[str, int] = field(default_factory=dict)

    def still_suspected(self, found: Iterable[Suspect]) -> list[Suspect]:
        """Return those units still out of limits of which no person has said what it was."""
        return [one for one in found if one.t_ns > self.judged_until.get(one.serial, one.t_ns - 1)]

    def ends_of(self, installation: Installation) -> tuple[Death, ...]:
        """Return what ends the hours of an installation: failures, and what was not counted within it."""
        mine = [one for one in self.ended if installation.start_ns <= one.t_ns <= installation.end_ns]
        return (*self.counted, *mine)


def judged(readings: HeldReadings, found: Sequence[Death]) -> JudgedFailures:
    """Return the failures ``found`` in a recording (see ``deaths``) by the dispositions of its incidents."""
    recording = readings.recording
    opened = incidents(recording.events(), recording.layout)
    return judged_failures(found, opened, readings.installations(), readings.span_ns[1])


def judged_failures(
    found: Sequence[Death], opened: Sequence[Incident], installations: Sequence[Installation], end_ns: int
) -> JudgedFailures:
    """Return the failures ``found`` by the dispositions of the incidents ``opened``; end_ns: last record."""
    of_each = [(death, _incident_of(death, opened), True) for death in found]
    known = {incident.number for _, incident, _ in of_each if incident is not None}
    of_each += [
        (_failure(one, end_ns), one, False) for one in opened if one.serial and one.number not in known
    ]
    pairs = [(death, incident, _counts(incident, seen=seen)) for death, incident, seen in of_each]
    counted = [_counted(death, incident) for death, incident, counts in pairs if counts]
    first = {one.serial: one for one in sorted(counted, key=lambda one: (-one.t_ns, one.text))}
    remarks = [
        _remark(death, incident, counts=counts) for death, incident, counts in pairs if incident is not None
    ]
    return JudgedFailures(
        counted=tuple(sorted(first.values(), key=lambda one: (one.t_ns, one.serial))),
        ended=tuple(
            death
            for death, incident, _ in pairs
            if incident is not None and _ends_hours(incident) and _taken_out(death, installations, end_ns)
        ),
        remarks=tuple(text for text in remarks if text),
        non_relevant=tuple(
            sorted(
                {death.serial for death, incident, _ in pairs if _is_non_relevant(incident)} - first.keys()
            )
        ),
        judged_until={one.serial: one.told_ns + SAME_NS for one in opened if one.disposition is not None},
    )


def _failure(incident: Incident, end_ns: int) -> Death:
    """Return an incident as the failure that it may be; one entered after the record is about its end."""
    words = incident.reports[0].text.replace(FAILED_UNIT, "").strip()
    return Death(
        serial=incident.serial,
        t_ns=min(incident.earliest_ns, end_ns),
        text=f"{incident.kind}: {words}",
        # what the readings do not show now is at most possible, whatever the logger said of it then
        certainty=Certainty.CERTAIN if incident.noted else Certainty.POSSIBLE,
    )


def _counts(incident: Incident | None, *, seen: bool) -> bool:
    """Return whether a failure counts by its incident; ``seen``: it is on record beside the incident."""
    if incident is None:
        return True
    if incident.disposition is not None:
        return incident.disposition.relevance is Relevance.RELEVANT
    if incident.noted or incident.suspected:
        return True
    return seen and incident.kind is not IncidentKind.TRIP


def _is_non_relevant(incident: Incident | None) -> bool:
    said = incident.disposition if incident is not None else None
    return said is not None and said.relevance is Relevance.NON_RELEVANT


def _counted(death: Death, incident: Incident | None) -> Death:
    if incident is None or incident.disposition is None:
        return death
    text = f"{death.text} (incident {incident.number}: {incident.disposition.words})"
    return replace(death, text=text, certainty=Certainty.CERTAIN)  # a person has said so


def _remark(death: Death, incident: Incident, *, counts: bool) -> str:
    """Return what a reader of the numbers must know of an incident, '' for nothing."""
    said, which = incident.disposition, f"incident {incident.number} ({incident.kind})"
    if said is None and not incident.is_open:
        return ""
    if said is None and counts:
        return f"{death.serial} counts as a relevant failure while {which} is open"
    if said is None:
        return f"{death.serial} does not count as failed while {which} is open; close it"
    if said.relevance is Relevance.RELEVANT:
        return ""
    why = f": {said.text}" if said.text else ""
    return f"{death.serial} is not counted as failed: {which} closed as {said.words}{why}"


def _ends_hours(incident: Incident) -> bool:
    """Return whether a unit that was taken out after an incident gave no hours from then on."""
    said = incident.disposition
    rejected = said is not None and said.relevance is not Relevance.RELEVANT
    return rejected and incident.driven_again_ns is None and incident.kind is not IncidentKind.BY_HAND


def _incident_of(death: Death, opened: Sequence[Incident]) -> Incident | None:
    """Return the first incident of the serial number of which was told up to that failure, or after it."""
    mine = sorted((one for one in opened if one.serial == death.serial), key=lambda one: one.told_ns)
    return next((one for one in mine if not _void(one) and death.t_ns <= one.told_ns + SAME_NS), None)


def _void(incident: Incident) -> bool:
    """Return whether an incident says nothing about a failure: taken back by the tool, and not judged."""
    return bool(incident.retracted) and incident.disposition is None


def _taken_out(death: Death, installations: Sequence[Installation], end_ns: int) -> bool:
    """Return whether the unit was taken out of its place after a failure."""
    return any(
        one.serial == death.serial and one.start_ns <= death.t_ns <= one.end_ns < end_ns
        for one in installations
    )
