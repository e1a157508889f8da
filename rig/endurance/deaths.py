"""Failed units: by a person's note, or suspected from their operating state.

Nothing else counts as a failure. A unit still out of limits at the end is only suspected: whether that is a
failure is for a person to decide, after inspection.

Events: a ``note`` whose ``data["died"]`` is true concerns ``data["unit"]`` (a place of the rig) or
``data["serial"]``; ``data["at_ns"]``: the time, if it is not that of the note.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rig.domain.model import Event, EventKind, Status
from rig.domain.operating_state import Cause, Certainty, OperatingState, StateChange
from rig.domain.positions import happened_ns, is_change
from rig.domain.recorded_excursions import names_what_it_goes_on_with
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Installation
from rig.endurance.verdict import Death


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """Unit still out of limits at the end of its record.

    channels: those that were out, earliest first; t_ns: when the first of them went out.
    """

    serial: str
    channels: tuple[str, ...]
    t_ns: int


def deaths(readings: HeldReadings) -> list[Death]:
    """Return the failures of a recording, at most one for each serial number, earliest first.

    One that is both suspected and noted is certain, and dated by the earlier of the two.
    """
    found: dict[str, Death] = {}
    events = readings.recording.events()
    for installation in readings.installations():
        noted = _noted(readings, events, installation)
        for death in [*noted, *_from_states(readings, installation)]:
            before = found.get(installation.serial)
            if before is None or death.t_ns < before.t_ns:
                found[installation.serial] = death
        if noted:
            found[installation.serial] = replace(found[installation.serial], certainty=Certainty.CERTAIN)
    return sorted(found.values(), key=lambda one: (one.t_ns, one.serial))


def suspects(readings: HeldReadings) -> list[Suspect]:
    """Return the serial numbers with channels that were out of a limit at the end of their installation."""
    found = []
    events, layout = readings.recording.events(), readings.recording.layout
    for installation in readings.installations():
        mine = set(layout.units[installation.unit].channels)
        out: dict[tuple[str, str], int] = {}
        for event in events:
            t_ns = readings.moment(event)
            if (
                event.begins_recording
                and t_ns <= installation.end_ns
                and not names_what_it_goes_on_with(event)
            ):
                # a session says again what is still out, if it can read it
                out = {
                    key: since_ns for key, since_ns in out.items() if not _read_since(readings, key[0], event)
                }
            if event.subject not in mine or not installation.start_ns <= t_ns <= installation.end_ns:
                continue
            side = str(event.data.get("side", ""))
            if event.kind is EventKind.LIMIT_OUT:
                out.setdefault((event.subject, side), t_ns)
            elif event.kind is EventKind.LIMIT_IN:
                out.pop((event.subject, side), None)
        if out:
            ordered = sorted(out, key=lambda key: out[key])
            channels = tuple(dict.fromkeys(channel for channel, _ in ordered))
            found.append(Suspect(serial=installation.serial, channels=channels, t_ns=min(out.values())))
    return found


def _read_since(readings: HeldReadings, channel: str, began: Event) -> bool:
    """Return whether a channel gave a good reading in a session that began then, or in a later one."""
    series = readings.recording.series(channel)
    later = (series.session > began.session) | (
        (series.session == began.session) & (series.t_ns >= began.t_ns)
    )
    return bool((later & (series.status == Status.GOOD)).any())


def until_death(installation: Installation, found: Sequence[Death]) -> Installation:
    """Return an installation, ended by the failure of its serial number if it failed in it."""
    for one in found:
        if one.serial == installation.serial and one.t_ns < installation.end_ns:
            return replace(installation, end_ns=max(one.t_ns, installation.start_ns))
    return installation


def _noted(readings: HeldReadings, events: Sequence[Event], installation: Installation) -> list[Death]:
    noted = []
    for event in events:
        if event.kind is not EventKind.NOTE or event.data.get("died") is not True:
            continue
        at_ns = noted_ns(readings, event, installation)
        if at_ns is not None:
            text = f"noted by a person: {event.text}"
            noted.append(Death(serial=installation.serial, t_ns=at_ns, text=text))
    return noted


def noted_ns(readings: HeldReadings, event: Event, installation: Installation) -> int | None:
    """Return the time that a note is about, UTC ns on the time line; None: not about this installation.

    A note that names a place is about whoever sat there then. One about the time after the record is about
    its end, unless another serial number was put there in between.
    """
    told_ns, serial = happened_ns(event), event.data.get("serial")
    about_ns = readings.moment(event) if told_ns is None else told_ns
    first_ns, last_ns = readings.span_ns
    at_ns = min(max(about_ns, first_ns), last_ns)
    # a unit that died at the moment of a swap is the one that was taken out
    since_ns = installation.start_ns if installation.start_ns == first_ns else installation.start_ns + 1
    if not since_ns <= at_ns <= installation.end_ns:
        return None
    if serial:
        return at_ns if serial == installation.serial else None
    place = installation.unit
    if (event.data.get("unit") or event.subject) != place or _swapped(readings, place, last_ns, about_ns):
        return None
    return at_ns


def _swapped(readings: HeldReadings, place: str, from_ns: int, before_ns: int) -> bool:
    """Return whether another serial number came into a place from one time on, before another, UTC ns."""
    swaps = [one for one in readings.recording.events() if is_change(one) and one.subject == place]
    times = [readings.moment(one) if (told := happened_ns(one)) is None else told for one in swaps]
    return any(from_ns <= one < before_ns for one in times)


def _from_states(readings: HeldReadings, installation: Installation) -> list[Death]:
    """Return the suspected failure of an installation that was not taken back."""
    suspected: list[StateChange] = []
    for change in readings.states()[installation.unit].changes:
        if change.serial != installation.serial or change.latest_ns > installation.end_ns:
            continue
        if change.state is OperatingState.FAILED and change.cause is not Cause.NOTE:
            suspected = [change]
        elif change.retracts:
            suspected = []
    return [
        Death(
            serial=installation.serial,
            t_ns=max((one.earliest_ns + one.latest_ns) // 2, installation.start_ns),
            text="; ".join(one.evidence),
            certainty=one.certainty,
        )
        for one in suspected
    ]
