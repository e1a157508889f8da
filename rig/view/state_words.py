"""Operating states of the units as recorded, and the one word that stands for each on the screen."""

from __future__ import annotations

import enum
from collections.abc import Iterable
from dataclasses import dataclass

from rig.domain.model import Event, EventKind
from rig.domain.operating_state import Cause, Certainty, OperatingState
from rig.view.latched_episodes import Episodes


class StateWord(enum.Enum):
    """State of a unit in one word, in the order of severity; the value is the word on the screen."""

    FAILED = "FAILED"
    """Noted by a person."""
    SUSPECTED = "FAILED?"
    """Suspected by readback, not confirmed."""
    TRIPPED = "TRIPPED"
    """Switched off by soakrig."""
    OFF_UNEXPLAINED = "OFF?"
    """Without supply, and nothing on record explains it."""
    MUTED = "MUTED"
    NO_MAINS = "NO MAINS"
    OFF = "OFF"
    """Switched off by hand, as noted."""
    NOT_READ = "not read"
    IDLE = "idle"
    DRIVEN = "driven"
    ABSENT = "absent"

    @property
    def rank(self) -> int:
        """0 is the worst."""
        return _RANK[self]

    @property
    def is_down(self) -> bool:
        """Whether the unit gives no output and its limits sleep."""
        return self in _DOWN

    @property
    def is_loss(self) -> bool:
        """Whether the unit failed, was tripped, or is off without an explanation."""
        return self.rank <= StateWord.OFF_UNEXPLAINED.rank

    @property
    def is_trouble(self) -> bool:
        """Whether a person should know of a change to it."""
        return self.rank <= StateWord.NO_MAINS.rank


_RANK = {word: rank for rank, word in enumerate(StateWord)}
_DOWN = frozenset(
    {StateWord.FAILED, StateWord.SUSPECTED, StateWord.TRIPPED, StateWord.OFF_UNEXPLAINED, StateWord.NO_MAINS,
     StateWord.OFF, StateWord.ABSENT}
)  # fmt: skip
_UNPOWERED = {Cause.ORDER: StateWord.TRIPPED, Cause.NOTE: StateWord.OFF, Cause.MAINS: StateWord.NO_MAINS}
_WORDS = {
    OperatingState.ABSENT: StateWord.ABSENT,
    OperatingState.IDLE: StateWord.IDLE,
    OperatingState.DRIVEN: StateWord.DRIVEN,
    OperatingState.MUTED: StateWord.MUTED,
    OperatingState.UNOBSERVED: StateWord.NOT_READ,
}
SHUT_DOWN = frozenset(
    {OperatingState.UNPOWERED, OperatingState.MUTED, OperatingState.FAILED, OperatingState.ABSENT}
)
"""States in which a unit gives no output though somebody wanted it to, or could have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitState:
    """Operating state of a unit. earliest_ns, latest_ns: UTC ns; the change to it lies between."""

    serial: str
    state: OperatingState
    cause: Cause
    certainty: Certainty
    earliest_ns: int
    latest_ns: int

    @property
    def since_ns(self) -> int:
        """UTC ns of the first reading, order or note that showed the state."""
        return self.latest_ns

    @property
    def word(self) -> StateWord:
        """The state in one word."""
        if self.state is OperatingState.FAILED:
            confirmed = self.certainty is Certainty.CERTAIN
            return StateWord.FAILED if confirmed else StateWord.SUSPECTED
        if self.state is OperatingState.UNPOWERED:
            return _UNPOWERED.get(self.cause, StateWord.OFF_UNEXPLAINED)
        return _WORDS[self.state]


def state_of(event: Event) -> UnitState | None:
    """Return the state that an event puts a unit in; None: none, or one that this version does not know."""
    data = event.data
    if event.kind is EventKind.UNIT and "serial" in data:
        serial, about_ns = str(data["serial"] or ""), _ns(data.get("at_ns"), event.t_ns)
        return UnitState(
            serial=serial,
            state=OperatingState.UNOBSERVED if serial else OperatingState.ABSENT,
            cause=Cause.NONE,
            certainty=Certainty.CERTAIN,
            earliest_ns=about_ns,
            latest_ns=about_ns,
        )
    if event.kind is not EventKind.STATE:
        return None
    try:
        return UnitState(
            serial=str(data.get("serial", "")),
            state=OperatingState(str(data.get("state"))),
            cause=Cause(str(data.get("cause", ""))),
            certainty=Certainty(str(data.get("certainty", Certainty.POSSIBLE))),
            earliest_ns=_ns(data.get("earliest_ns"), event.t_ns),
            latest_ns=_ns(data.get("latest_ns"), event.t_ns),
        )
    except ValueError:
        return None


def _ns(value: object, otherwise: int) -> int:
    return value if isinstance(value, int) and not isinstance(value, bool) else otherwise


class LiveUnitStates:
    """States of the units so far, and when each left ``driven``."""

    def __init__(self, units: Iterable[str]) -> None:
        self.now: dict[str, UnitState] = {}
        self.shut_down: dict[str, tuple[int, int]] = {}
        """By unit, since when it has not been driven: between these UTC ns."""
        self._units = frozenset(units)

    def event(self, event: Event, excursions: Episodes) -> None:
        """Take in an event, and let go of the first-out where a unit is driven again or was swapped."""
        state = state_of(event) if event.subject in self._units else None
        if state is None:
            return
        unit, before = event.subject, self.now.get(event.subject)
        self.now[unit] = state
        swapped = before is not None and before.serial != state.serial
        if swapped or event.kind is EventKind.UNIT:
            self.shut_down.pop(unit, None)
            excursions.swapped(unit)
        elif state.state is OperatingState.DRIVEN and self.shut_down.pop(unit, None) is not None:
            excursions.release(unit)
        if state.state in SHUT_DOWN and state.serial:
            span = (state.earliest_ns, state.latest_ns)
            self.shut_down[unit] = min(span, self.shut_down.get(unit, span), key=lambda one: one[1])
