"""Switching one unit off on a trip limit: specification, states and transitions.

A convenience that saves evidence from burning, and no protection: it needs a running computer, a free
bus, an instrument that listens and a relay that opens. Hard-wired thermal cut-outs, fuses and
residual-current protection have to do without it. Off unless the rig file asks for it.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, replace
from typing import Any, Protocol

CAUTION = (
    "switching off by soakrig is a convenience and no protection: hard-wired cut-outs, fuses and "
    "residual-current protection must work without it"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchOff:
    """How one unit is switched off. ``low``/``high``: off while the channel reads strictly between them."""

    unit: str
    instrument: str
    commands: tuple[str, ...]
    channel: str
    low: float
    high: float
    within_s: float
    tries: int

    def is_off(self, value: float) -> bool:
        """Return whether a value of the confirming channel shows the unit off (NaN does not)."""
        return self.low < value < self.high


class SwitchState(enum.StrEnum):
    """How far the switching off of one unit has come."""

    READY = "ready"
    ORDERED = "ordered"
    """The commands wait for their bus, or are being sent."""
    SENT = "sent"
    """The commands are out; no reading has confirmed it yet."""
    OFF = "off"
    FAILED = "failed"


class SwitchSignal(enum.Enum):
    """Input of the state table."""

    TRIP = "trip"
    SENT = "sent"
    REFUSED = "refused"
    """The bus or the instrument did not take the commands."""
    SEEN_OFF = "seen off"
    SEEN_ON = "seen on"
    LATE = "late"
    """The time allowed has run out."""


class SwitchAction(enum.Enum):
    """Output of the state table."""

    SEND = "send"
    SAY_SENT = "say that the commands are out"
    SAY_REFUSED = "say that the commands were not taken"
    SAY_OFF = "say that it is confirmed"
    SAY_FAILED = "say that the unit could not be switched off"
    SAY_ON = "say that it is on again"


_AGAIN = (SwitchState.ORDERED, SwitchAction.SEND)
TABLE: dict[tuple[SwitchState, SwitchSignal], tuple[SwitchState, SwitchAction]] = {
    (SwitchState.READY, SwitchSignal.TRIP): _AGAIN,
    (SwitchState.ORDERED, SwitchSignal.SENT): (SwitchState.SENT, SwitchAction.SAY_SENT),
    (SwitchState.ORDERED, SwitchSignal.REFUSED): (SwitchState.ORDERED, SwitchAction.SAY_REFUSED),
    (SwitchState.ORDERED, SwitchSignal.LATE): _AGAIN,
    (SwitchState.SENT, SwitchSignal.SEEN_OFF): (SwitchState.OFF, SwitchAction.SAY_OFF),
    (SwitchState.SENT, SwitchSignal.LATE): _AGAIN,
    (SwitchState.OFF, SwitchSignal.SEEN_ON): (SwitchState.READY, SwitchAction.SAY_ON),
    (SwitchState.FAILED, SwitchSignal.TRIP): _AGAIN,
    (SwitchState.FAILED, SwitchSignal.SENT): (SwitchState.SENT, SwitchAction.SAY_SENT),
    (SwitchState.FAILED, SwitchSignal.SEEN_OFF): (SwitchState.OFF, SwitchAction.SAY_OFF),
}
"""Every transition; what is not in it changes nothing. When the tries are used up, trying again becomes
FAILED (see `step`). What was refused is tried again when its time is over, not at once: the bus may come
back. A failed one may still be seen off: by the late command, a fuse or a person."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch:
    """Where one unit stands. ``due_ns``: when the present step is late; ``attempt`` counts the tries."""

    state: SwitchState = SwitchState.READY
    attempt: int = 0
    due_ns: int = 0


IDLE = Switch()


class Patience(Protocol):
    """How long and how often something is tried."""

    @property
    def within_s(self) -> float:
        """How long one try may take until it is confirmed."""
        ...

    @property
    def tries(self) -> int:
        """How many tries there are."""
        ...


def step(
    switch: Switch, spec: Patience, signal: SwitchSignal, now_ns: int
) -> tuple[Switch, SwitchAction | None]:
    """Return where it stands after a signal at ``now_ns`` (boot clock), and what is to be done."""
    following = TABLE.get((switch.state, signal))
    if following is None:
        return switch, None
    state, action = following
    due_ns = now_ns + round(spec.within_s * 1e9)
    if action is not SwitchAction.SEND:
        due_ns = switch.due_ns if state is switch.state else due_ns
        return replace(switch, state=state, due_ns=due_ns), action
    attempt = 1 if signal is SwitchSignal.TRIP else switch.attempt + 1
    if attempt > spec.tries:
        return replace(switch, state=SwitchState.FAILED), SwitchAction.SAY_FAILED
    return Switch(state=state, attempt=attempt, due_ns=due_ns), action


def is_late(switch: Switch, now_ns: int) -> bool:
    """Return whether something should have happened by now."""
    return switch.state in {SwitchState.ORDERED, SwitchState.SENT} and now_ns > switch.due_ns


def as_data(spec: SwitchOff, switch: Switch) -> dict[str, Any]:
    """Return what an event about this switch says of it, as JSON values."""
    return {
        "unit": spec.unit,
        "instrument": spec.instrument,
        "commands": list(spec.commands),
        "confirm": spec.channel,
        "attempt": switch.attempt,
        "tries": spec.tries,
        "state": str(switch.state),
    }
