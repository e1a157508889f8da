"""Alerts from the operating states of units: what a change of state means to those who are not there.

A failure, suspected or noted, is an alarm until the unit is replaced or the suspicion retracted. Power that
goes away without an order or a note is sent too; that a unit was switched off after a trip is part of the
trip. Every other change belongs to the category ``states``, which nobody gets who did not ask for it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from rig.alerts.alarm import Alarm
from rig.alerts.facts import harmless
from rig.alerts.severity import Severity
from rig.domain.model import Event, EventKind, Layout

FAILED: Final = "failed"
FAILED_WORD: Final = "FAILED"
"""Last word of the headline of a failure that is certain; of one that is suspected its likelihood follows."""
UNPOWERED: Final = "unpowered"
RUNNING: Final = frozenset({"driven", "idle"})
"""States of a unit that goes on."""
_UNKNOWN: Final = "unobserved"
_WORKING: Final = RUNNING | {"muted"}
SUSPECTED_LEVEL, CERTAIN_LEVEL = 2, 3
"""Levels of the alarm of a failure that is suspected, and of one that a person noted."""


class KnownStates:
    """Newest operating state of each place, as far as this session of the logger has told it."""

    def __init__(self, states: Mapping[str, str] | None = None) -> None:
        self.states = dict(states or {})

    def take(self, event: Event) -> None:
        """Take in an event."""
        if event.begins_recording:
            self.states = {}  # what was so before the logger stopped may not be so any more
        elif event.kind is EventKind.UNIT:
            self.states.pop(event.subject, None)
        elif event.kind is EventKind.STATE:
            self.states[event.subject] = str(event.data.get("state", ""))

    def going_on(self, layout: Layout | None, besides: str = "") -> tuple[str, ...] | None:
        """Return the units that go on besides one; None where the state of another is not known."""
        units = [unit for unit in (layout.units if layout is not None else self.states) if unit != besides]
        states = [self.states.get(unit, _UNKNOWN) for unit in units]
        if not units or _UNKNOWN in states:
            return None
        return tuple(unit for unit, state in zip(units, states, strict=True) if state in RUNNING)


@dataclass(frozen=True, slots=True, kw_only=True)
class StateReport:
    """What is read of a recorded change of state, whatever is in its data."""

    unit: str
    state: str
    cause: str
    certain: bool
    likelihood: str
    retracts: bool
    evidence: tuple[str, ...]

    @staticmethod
    def of(event: Event) -> StateReport:
        """Return the change that an event tells of."""
        data: Mapping[str, Any] = event.data
        evidence = data.get("evidence", ())
        certainty = str(data.get("certainty", ""))
        return StateReport(
            unit=event.subject,
            state=str(data.get("state", "")),
            cause=str(data.get("cause", "")),
            certain=certainty == "certain",
            likelihood="possible" if certainty == "possible" else "likely",
            retracts=data.get("retracts") is True,
            evidence=tuple(map(str, evidence)) if isinstance(evidence, list | tuple) else (),
        )

    @property
    def ends_a_failure(self) -> bool:
        """Whether a failed unit has not failed after all, was taken out, or works."""
        return self.retracts or self.state == "absent" or self.state in _WORKING


def failed_key(unit: str) -> str:
    """Return the key of the alarm about the failure of a unit."""
    return f"{FAILED}:{unit}:"


def failure(event: Event, change: StateReport, began_ns: int, look: str) -> Alarm:
    """Return the alarm of a failure. began_ns: UTC since when at the earliest."""
    how = "" if change.certain else f" ({change.likelihood})"
    return Alarm(
        key=failed_key(change.unit), category="failed", group=change.unit, subject=change.unit,
        headline=harmless(f"{change.unit} {FAILED_WORD}{how}"), look=look, began_ns=began_ns,
        last_ns=event.t_ns, marks=(FAILED,), level=CERTAIN_LEVEL if change.certain else SUSPECTED_LEVEL,
        severity=Severity.FAILED,
    )  # fmt: skip


def failure_words(event: Event, change: StateReport) -> tuple[str, ...]:
    """Return the lines below the headline of a failure: the event's own text and its evidence."""
    words = [harmless(event.text)]
    if change.evidence:
        words.append(harmless(f"evidence: {'; '.join(change.evidence)}"))
    return tuple(words)


def retraction(event: Event, change: StateReport) -> str:
    """Return the headline of a suspected failure that was none."""
    if change.state in _WORKING:
        why = "; ".join(change.evidence) if change.state == "muted" else "output came back"
        return harmless(f"{change.unit} goes on: {why or event.text}")
    return harmless(f"{change.unit} did not fail: {event.text}")


def is_explained(change: StateReport, open_alarms: Iterable[Alarm]) -> bool:
    """Return whether the loss of a unit's power is explained by a trip of it, or by a supply alarm."""
    for alarm in open_alarms:
        if change.cause == "order" and alarm.group == change.unit and alarm.severity is Severity.TRIP:
            return True
        if change.cause == "mains" and alarm.severity is Severity.SUPPLY and alarm.side and alarm.marks:
            return True
    return False


def unit_place(layout: Layout | None, event: Event) -> str:
    """Return where to check a unit: its name, serial number and load."""
    unit = layout.units.get(event.subject) if layout is not None else None
    if unit is None:
        return harmless(f"unit {event.subject}")
    serial = str(event.data.get("serial") or unit.serial)
    return harmless(f"unit {unit.name} (serial {serial}, load {unit.load})")


def since_ns(event: Event) -> int:
    """Return UTC of the change at the earliest; of the event where it does not say."""
    earliest = event.data.get("earliest_ns")
    return earliest if isinstance(earliest, int) and not isinstance(earliest, bool) else event.t_ns
