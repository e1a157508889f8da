"""Incidents of a run: what may have been a failure, from the recorded events alone.

The tool opens one when it switches a unit off on a trip limit, when it suspects a failure, and when two or
more units have one within ``COMMON_S`` (a common cause to be looked for); a person opens one with a note that
a unit has failed, or by hand. A person closes it with a disposition; a later one corrects it, and all are
kept. A suspicion that the tool takes back is closed by that, and stays listed.

Numbers follow the order in which the events were recorded, so events that come later never change them. What
is told of one unit is one incident until the unit is driven again or its serial number changes.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from rig.domain.incident_entries import OPENED, AttachedFile, Disposition, attached, disposition
from rig.domain.model import Event, EventKind, Layout
from rig.domain.operating_state import OperatingState
from rig.domain.positions import happened_ns, is_change

COMMON_S = 120.0
"""Time within which incidents of several units are linked; common practice, no source."""
INCIDENT_EVENTS = frozenset(
    {EventKind.STATE, EventKind.SWITCH, EventKind.NOTE, EventKind.INCIDENT, EventKind.UNIT}
)
"""Kinds of events that incidents follow from; the others say nothing to ``incidents``."""


class IncidentKind(enum.StrEnum):
    """What opened an incident; the value is the word on screens and in JSON."""

    TRIP = "trip"
    SUSPECTED = "suspected failure"
    NOTED = "noted failure"
    COMMON = "common cause"
    BY_HAND = "opened by hand"


@dataclass(frozen=True, slots=True, kw_only=True)
class IncidentReport:
    """What was recorded about an incident: by the tool (``by`` empty) or by a person. t_ns: UTC."""

    t_ns: int
    text: str
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Incident:
    """One incident.

    number: from 1, in the run. place, serial: '' for a common cause, which has ``members`` (numbers) instead.
    opened_ns: stamp of the event that opened it; with ``place`` it names the incident for ever.
    earliest_ns, latest_ns: the moment lies between. timed: that moment was stated, by the tool or a person.
    told_ns: time of the last that the tool, or a note of a failure, told of it.
    reports: what was recorded, the first one opened it. dispositions: oldest first, the newest counts.
    retracted: why the suspicion was taken back, '' if it was not. suspected: the tool suspects a failure, and
    has not taken it back; noted: a person says that the unit failed.
    common: number of the common cause that it belongs to; shared: disposition of that one.
    settled: a common cause whose members are all closed. driven_again_ns: when the unit was driven again.
    short_answer: headline of the post-mortem, '' until there is one.
    """

    number: int
    kind: IncidentKind
    place: str
    serial: str
    opened_ns: int
    earliest_ns: int
    latest_ns: int
    timed: bool
    told_ns: int
    reports: tuple[IncidentReport, ...]
    dispositions: tuple[Disposition, ...] = ()
    files: tuple[AttachedFile, ...] = ()
    retracted: str = ""
    suspected: bool = False
    noted: bool = False
    common: int | None = None
    members: tuple[int, ...] = ()
    shared: Disposition | None = None
    settled: bool = False
    driven_again_ns: int | None = None
    short_answer: str = ""

    @property
    def disposition(self) -> Disposition | None:
        """The disposition that counts: its own newest one, else that of its common cause."""
        return self.dispositions[-1] if self.dispositions else self.shared

    @property
    def is_open(self) -> bool:
        """Whether a person still has to close it."""
        return self.disposition is None and not self.retracted and not self.settled

    @property
    def status(self) -> str:
        """Open, closed with its disposition, or retracted, in words."""
        if self.disposition is not None:
            return (
                self.disposition.words if self.dispositions else f"{self.disposition.words} (#{self.common})"
            )
        if self.retracted:
            return "retracted"
        return "closed with its units" if self.settled else "open"


def incidents(events: Iterable[Event], layout: Layout) -> tuple[Incident, ...]:
    """Return the incidents of a run by number; events: in recorded order, all of ``INCIDENT_EVENTS``."""
    fold = _Fold({name: unit.serial for name, unit in layout.units.items()})
    for event in events:
        fold.take(event)
    return fold.result()


def open_count(found: Sequence[Incident]) -> int:
    """Return how many incidents are open."""
    return sum(one.is_open for one in found)


def together(common: Incident, found: Sequence[Incident], places: Collection[str]) -> str:
    """Return in words how many of the rig's units a common cause links, and within what time."""
    mine = {one.place for one in found if one.number in common.members}
    within_s = max(1, math.ceil((common.latest_ns - common.earliest_ns) / 1e9))
    return f"{len(mine)} of {len(places)} units within {within_s} s"


class _Fold:
    """The incidents of the events taken so far. ``serials``: of the rig file, by place."""

    def __init__(self, serials: Mapping[str, str]) -> None:
        self._found: list[Incident] = []
        self._episodes: dict[str, int] = {}
        """Place -> index of the incident that what is told of it belongs to."""
        self._seats: dict[str, list[tuple[int, str]]] = {
            place: [(-(2**63), serial)] for place, serial in serials.items()
        }
        self._swapped: set[str] = set()

    def take(self, event: Event) -> None:
        """Take in an event."""
        if is_change(event):
            self._swap(event)
        elif event.kind is EventKind.STATE:
            self._state(event)
        elif event.kind is EventKind.SWITCH:
            self._switch(event)
        elif event.kind is EventKind.NOTE and event.data.get("died") is True:
            self._died(event)
        elif event.kind is EventKind.INCIDENT:
            self._entered(event)

    def result(self) -> tuple[Incident, ...]:
        """Return the incidents; members of a common cause have its disposition, if none of their own."""
        found = [self._with_those_left(one) for one in self._found]
        left = {number for one in found for number in one.members}
        for at, one in enumerate(found):
            if one.common is not None and one.number not in left:
                found[at] = replace(one, common=None)
        for one in list(found):
            if one.members and one.dispositions:
                for number in one.members:
                    found[number - 1] = replace(found[number - 1], shared=one.dispositions[-1])
        for at, one in enumerate(found):
            if one.members and not any(found[number - 1].is_open for number in one.members):
                found[at] = replace(one, settled=True)
        return tuple(found)

    def _with_those_left(self, one: Incident) -> Incident:
        """Return a common cause without the suspicions that were taken back, unless a person judged it."""
        if not one.members or one.dispositions:
            return one
        mine = [self._found[number - 1] for number in one.members]
        left = [member for member in mine if member.dispositions or not member.retracted]
        if len({member.place for member in left}) < 2:
            return replace(one, retracted="of its incidents those of one unit are left", members=())
        return replace(
            one,
            members=tuple(member.number for member in left),
            earliest_ns=min(member.earliest_ns for member in left),
            latest_ns=max(member.latest_ns for member in left),
        )

    # ---- what the tool records

    def _state(self, event: Event) -> None:
        place, state = event.subject, event.data.get("state")
        lasting = self._episodes.get(place)
        if event.data.get("retracts") is True:
            self._retract(place, event)
        if state == OperatingState.DRIVEN and lasting is not None:
            self._found[lasting] = replace(self._found[lasting], driven_again_ns=event.t_ns)
        if state == OperatingState.FAILED:
            certain = event.data.get("certainty") == "certain"
            kind = IncidentKind.NOTED if certain else IncidentKind.SUSPECTED
            ends = [_integer(event.data.get(key), event.t_ns) for key in ("earliest_ns", "latest_ns")]
            self._told(kind, event, place, (min(ends), max(ends)))
            at = self._episodes[place]
            one = self._found[at]
            self._found[at] = replace(one, suspected=True, noted=one.noted or certain)
        elif state == OperatingState.DRIVEN:
            self._episodes.pop(place, None)

    def _switch(self, event: Event) -> None:
        what = event.data.get("what")
        if event.data.get("purpose") != "switch-off":
            return
        if what == "ordered" and event.data.get("attempt", 1) == 1:
            self._told(IncidentKind.TRIP, event, event.subject, (event.t_ns, event.t_ns))
        elif what == "on":  # recordings without operating states know no better that it is driven again
            self._driven(event.subject, event.t_ns)

    def _told(self, kind: IncidentKind, event: Event, place: str, moment: tuple[int, int]) -> None:
        """Add what is told of a unit to the incident of its episode, or open one."""
        at = self._episodes.get(place)
        if at is None:
            serial = str(event.data.get("serial") or self._serial(place, moment[0]))
            self._episodes[place] = self._open(kind, event, place, serial, moment)
        else:
            self._report(at, event)
            self._found[at] = replace(self._found[at], told_ns=max(self._found[at].told_ns, moment[1]))

    def _retract(self, place: str, event: Event) -> None:
        at = self._episodes.pop(place, None)
        if at is None or self._found[at].noted:
            return
        self._found[at] = replace(self._found[at], suspected=False)
        if self._found[at].kind is IncidentKind.SUSPECTED:
            self._found[at] = replace(self._found[at], retracted=event.text or "output came back")

    def _driven(self, place: str, t_ns: int) -> None:
        at = self._episodes.pop(place, None)
        if at is not None:
            self._found[at] = replace(self._found[at], driven_again_ns=t_ns)

    # ---- what a person records

    def _swap(self, event: Event) -> None:
        place, told_ns = event.subject, happened_ns(event)
        seats = self._seats.setdefault(place, [(-(2**63), "")])
        if place not in self._swapped and "before" in event.data:
            seats[0] = (seats[0][0], str(event.data["before"] or ""))
        self._swapped.add(place)
        seats.append((event.t_ns if told_ns is None else told_ns, str(event.data["serial"] or "")))
        seats.sort(key=lambda seat: seat[0])
        if told_ns is not None:  # what was opened since then was about another serial number
            self._found = [
                replace(one, serial=self._serial(place, one.earliest_ns))
                if one.place == place and one.earliest_ns > told_ns
                else one
                for one in self._found
            ]
        at = self._episodes.get(place)
        if at is not None and self._found[at].serial != event.data["serial"]:
            del self._episodes[place]

    def _died(self, event: Event) -> None:
        told_ns = happened_ns(event)
        t_ns = event.t_ns if told_ns is None else told_ns
        serial, unit = event.data.get("serial"), event.data.get("unit", event.subject)
        place = unit if unit in self._seats else self._place_of(str(serial or ""))
        serial = str(serial or self._serial(place, t_ns))
        at = self._latest(serial, t_ns)
        if at is None:
            at = self._open(
                IncidentKind.NOTED, event, place, serial, (t_ns, t_ns), noted=True, timed=told_ns is not None
            )
            self._episodes[place] = at
        else:
            self._report(at, event, noted=True)
            self._found[at] = replace(self._found[at], told_ns=max(self._found[at].told_ns, t_ns))

    def _latest(self, serial: str, t_ns: int) -> int | None:
        """Return where the last incident of a serial number is, if it is open and was not driven since."""
        mine = [at for at, one in enumerate(self._found) if serial and one.serial == serial]
        if not mine or self._is_closed(self._found[mine[-1]]):
            return None
        again_ns = self._found[mine[-1]].driven_again_ns
        return mine[-1] if again_ns is None or t_ns <= again_ns else None

    def _is_closed(self, one: Incident) -> bool:
        common = self._found[one.common - 1] if one.common is not None else None
        return not one.is_open or (common is not None and bool(common.dispositions))

    def _entered(self, event: Event) -> None:
        at, said = self._meant(event), disposition(event.data, event.text, event.t_ns)
        if at is None:
            place, told_ns = str(event.data.get("unit") or ""), happened_ns(event)
            t_ns = event.t_ns if told_ns is None else told_ns
            serial = self._serial(place, t_ns)
            at = self._open(IncidentKind.BY_HAND, event, place, serial, (t_ns, t_ns), timed=False)
        elif event.text and said is None:
            self._report(at, event)
        if files := attached(event.data):
            names = ", ".join(file.name for file in files)
            self._report(at, replace(event, text=f"attached: {names}"))
        one = self._found[at]
        dispositions = one.dispositions if said is None else (*one.dispositions, said)
        files = tuple(dict.fromkeys((*one.files, *files)))  # the same file may come again
        self._found[at] = replace(one, dispositions=dispositions, files=files)

    def _meant(self, event: Event) -> int | None:
        """Return where the incident is that an entry is about; None: it opens one, or that one is lost."""
        if event.data.get("what") == OPENED:
            return None
        key = (str(event.data.get("unit") or ""), event.data.get("opened_ns"))
        return next((at for at, one in enumerate(self._found) if (one.place, one.opened_ns) == key), None)

    # ---- opening and linking

    def _open(
        self, kind: IncidentKind, event: Event, place: str, serial: str, moment: tuple[int, int],
        *, noted: bool = False, timed: bool = True,
    ) -> int:  # fmt: skip
        at = len(self._found)
        opened = Incident(
            number=at + 1, kind=kind, place=place, serial=serial, opened_ns=event.t_ns,
            earliest_ns=moment[0], latest_ns=moment[1], timed=timed, told_ns=moment[1],
            reports=(_report(event),), noted=noted,
        )  # fmt: skip
        self._found.append(opened)
        if timed:
            self._link(at)
        return at

    def _report(self, at: int, event: Event, *, noted: bool = False) -> None:
        one = self._found[at]
        self._found[at] = replace(one, reports=(*one.reports, _report(event)), noted=one.noted or noted)

    def _link(self, at: int) -> None:
        """Link an incident to those of other units that certainly were within ``COMMON_S`` of it."""
        new = self._found[at]
        for other in reversed(self._found[:at]):
            if not other.timed or other.place == new.place or other.retracted:
                continue
            if other.kind is not IncidentKind.COMMON and other.common is not None:
                continue  # its common cause speaks for it
            first, last = min(new.earliest_ns, other.earliest_ns), max(new.latest_ns, other.latest_ns)
            if last - first > COMMON_S * 1e9:
                continue
            if other.kind is IncidentKind.COMMON:
                grown = replace(
                    other, earliest_ns=first, latest_ns=last, members=(*other.members, new.number)
                )
                self._found[other.number - 1] = grown
                self._found[at] = replace(new, common=other.number)
                return
            self._begin_common(new, other, (first, last))
            return

    def _begin_common(self, new: Incident, other: Incident, moment: tuple[int, int]) -> None:
        number = len(self._found) + 1
        text = "incidents of several units within a short time: look for a common cause"
        self._found.append(
            Incident(
                number=number, kind=IncidentKind.COMMON, place="", serial="", opened_ns=new.opened_ns,
                earliest_ns=moment[0], latest_ns=moment[1], timed=True, told_ns=moment[1],
                members=(other.number, new.number),
                reports=(IncidentReport(t_ns=new.opened_ns, text=text),),
            )
        )  # fmt: skip
        for one in (new, other):
            self._found[one.number - 1] = replace(one, common=number)

    # ---- who sat where

    def _serial(self, place: str, t_ns: int) -> str:
        # what happened at the moment of a swap happened to the one that was taken out
        seats = [serial for at_ns, serial in self._seats.get(place, ()) if at_ns < t_ns]
        return seats[-1] if seats else ""

    def _place_of(self, serial: str) -> str:
        return next((place for place, seats in self._seats.items() if serial and seats[-1][1] == serial), "")


def _report(event: Event) -> IncidentReport:
    at_ns = happened_ns(event)
    return IncidentReport(
        t_ns=event.t_ns if at_ns is None else at_ns, text=event.text, by=str(event.data.get("by") or "")
    )


def _integer(value: object, otherwise: int) -> int:
    return value if isinstance(value, int) and not isinstance(value, bool) else otherwise
