"""Operating states of a unit under test, what can happen to it, and what is known of it: plain values.

``state_machine`` follows a unit through them.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from rig.domain.signals import SignalChange, SignalName

SETTLE_POLLS = 2.5
"""Polls of the slowest signal for which a state must have lasted: signals of one change are read by
different polls, up to one apart, and one more may be lost (common practice, no source)."""
SETTLE_SLACK_S = 0.5
NOTE_WINDOW_NS = 120 * 1_000_000_000
"""How far a note on a unit may be from its loss of supply to explain it (common practice, no source)."""


class OperatingState(enum.StrEnum):
    """State of a unit under test."""

    ABSENT = "absent"
    """Nobody is installed."""
    UNPOWERED = "unpowered"
    """No mains at it, or switched off."""
    IDLE = "idle"
    """Powered, no drive wanted."""
    DRIVEN = "driven"
    """Output present."""
    MUTED = "muted"
    """Powered and driven, output held back."""
    FAILED = "failed"
    """Suspected by readback, or noted by a person."""
    UNOBSERVED = "unobserved"
    """Not read: nothing is claimed."""


class Cause(enum.StrEnum):
    """Why a unit is unpowered, or who says that it failed."""

    NONE = ""
    ORDER = "order"
    """Switched off by soakrig."""
    NOTE = "note"
    """Switched off by hand, or noted as failed."""
    MAINS = "mains"
    UNKNOWN = "unknown"


class Certainty(enum.StrEnum):
    """How sure a state is, in words: nothing here is a calibrated probability."""

    CERTAIN = "certain"
    LIKELY = "likely"
    POSSIBLE = "possible"


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitRules:
    """Constants of one unit's state machine. wired: signals that are read, with their channels."""

    wired: Mapping[SignalName, str]
    settle_ns: int
    failed_after_ns: int
    idle_after_ns: int
    muted_after_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrence:
    """Something recorded about a unit. about_ns: the time it is about, where that is not ``at_ns``."""

    at_ns: int
    about_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Installed(Occurrence):
    """A serial number was put in ('' for nobody)."""

    serial: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchedOff(Occurrence):
    """soakrig ordered the unit off (True), or it is on again or could not be switched off (False)."""

    off: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted(Occurrence):
    """A person's note on the unit; died: it says that the unit failed."""

    text: str
    died: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Restarted(Occurrence):
    """A session of the logger begins: nothing is known of any signal."""


Input = SignalChange | Installed | SwitchedOff | Noted | Restarted


@dataclass(frozen=True, slots=True, kw_only=True)
class StateChange:
    """A change of state. earliest_ns, latest_ns: it lies between; at_ns: when it was stated.

    retracts: the suspected failure before it was none.
    """

    serial: str
    state: OperatingState
    before: OperatingState
    cause: Cause
    certainty: Certainty
    earliest_ns: int
    latest_ns: int
    at_ns: int
    evidence: tuple[str, ...] = ()
    retracts: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitCondition:
    """What is known of a unit at a moment.

    seen: the last change of each signal. candidate: state and cause that it shows now, where that is not the
    stated one; begun: from when to when that began, and when it was seen. known: the last state that was
    observed. lost: since when driven time without output, or an unexplained loss of supply, counts; gone:
    from when to when that was lost, remembered while nobody could see it come back. off: from when to when
    output and supply went off (until when: 0 while they are not read), likewise. missed_ns: when a loss
    first showed that the mains does not explain; explained: the note that does. missing: what a suspicion
    rests on. gave_output: whether this serial number ever did here. judged_ns: when something happened last.
    """

    serial: str
    state: OperatingState = OperatingState.UNOBSERVED
    cause: Cause = Cause.NONE
    since: tuple[int, int] = (0, 0)
    seen: Mapping[SignalName, SignalChange] = field(default_factory=dict)
    candidate: tuple[OperatingState, Cause] | None = None
    begun: tuple[int, int, int] = (0, 0, 0)
    known: OperatingState = OperatingState.UNOBSERVED
    missing: SignalName | None = None
    lost: tuple[int, int, int] | None = None
    gone: tuple[int, int] | None = None
    off: Mapping[SignalName, tuple[int, int]] = field(default_factory=dict)
    missed_ns: int = 0
    ordered: bool = False
    note: Noted | None = None
    explained: Noted | None = None
    died: Noted | None = None
    gave_output: bool = False
    judged_ns: int = 0

    def on(self, signal: SignalName) -> bool | None:
        """Return whether a signal is on; None: not read."""
        change = self.seen.get(signal)
        return None if change is None else change.on


POWERED = frozenset({OperatingState.IDLE, OperatingState.DRIVEN, OperatingState.MUTED})
"""States in which the unit is known to be powered."""


def as_data(change: StateChange, offset_ns: int = 0) -> dict[str, Any]:
    """Return what a recorded event carries of a change; offset_ns: from its clock to UTC."""
    return {
        "serial": change.serial,
        "state": str(change.state),
        "before": str(change.before),
        "cause": str(change.cause),
        "certainty": str(change.certainty),
        "earliest_ns": change.earliest_ns + offset_ns,
        "latest_ns": change.latest_ns + offset_ns,
        "evidence": list(change.evidence),
        "retracts": change.retracts,
    }
