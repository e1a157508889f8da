"""Switching one unit off when it has left a trip limit: what the rig file says, and what happens when.

A convenience that saves evidence from burning, and no protection: it needs a running computer, a free
bus, an instrument that listens and a relay that opens. Hard-wired thermal cut-outs, fuses and
residual-current protection have to do without it. Off unless the rig file asks for it.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Protocol

from rig.core.model import Channel
from rig.core.node import Node, Place, entries, near
from rig.core.schema import Integer, Measure, Name, Quantity, Section, Seq, Text, build, key
from rig.core.units import Amount, UnitError

CAUTION = (
    "switching off by soakrig is a convenience and no protection: hard-wired cut-outs, fuses and "
    "residual-current protection must do without it"
)
CheckCommand = Callable[[str, str], None]
"""(instrument, command): raises ValueError if the instrument cannot be told so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfirmSection:
    """What a reading must show for the unit to count as off. Exactly one of ``below`` and ``above``."""

    channel: str = key(Text(), doc="channel that shows it, such as the unit's supply current")
    below: Amount | None = key(Measure(), default=None, doc="off when it reads less than this")
    above: Amount | None = key(Measure(), default=None, doc="off when it reads more than this")
    within_s: float = key(
        Quantity("s", positive=True, high=3600.0),
        name="within",
        default=10.0,
        doc="how long after the command it may take until that is seen",
    )

    def __post_init__(self) -> None:
        if (self.below is None) == (self.above is None):
            raise ValueError("write exactly one of below and above")


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchOffSection:
    """How a unit is switched off on a trip limit; a convenience, no protection."""

    instrument: str = key(Name(hyphens=True), doc="relay or source that is told to")
    commands: tuple[str, ...] = key(
        Seq(Text(), least=1),
        doc="what it is told, in the words of its driver; no protection: fuses and cut-outs must do without",
    )
    confirm: ConfirmSection = key(Section(ConfirmSection), doc="how to see that the unit is off")
    tries: int = key(Integer(1, 10), default=3, doc="how often to send the commands until it is seen")


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


def switch_offs(
    places: Mapping[str, Place], channels: Mapping[str, Channel | None], check: CheckCommand
) -> dict[str, SwitchOff]:
    """Return what the units' ``switch-off`` blocks say, by unit; faults are added to their places.

    channels: all of the rig file by name, None for one that is faulty itself.
    """
    found = {}
    for unit, place in places.items():
        one = _switch_off(unit, place, channels, check)
        if one is not None:
            found[unit] = one
    return found


def _switch_off(
    unit: str, place: Place, channels: Mapping[str, Channel | None], check: CheckCommand
) -> SwitchOff | None:
    before = len(place.faults)
    section = build(SwitchOffSection, place.node, place.faults, place.path)
    if section is None:
        return None
    check_commands(place, section.instrument, section.commands, check)
    name = section.confirm.channel
    if name not in channels:
        place.say("confirm.channel", f"there is no channel {name!r}", near(name, channels))
    channel = channels.get(name)
    if channel is None:
        return None
    side = "below" if section.confirm.below is not None else "above"
    written = section.confirm.below or section.confirm.above
    assert written is not None
    try:
        value = written.to(channel.unit_of_measure)
    except UnitError as error:
        place.say(f"confirm.{side}", error.found, error.allowed)
        return None
    if len(place.faults) > before:
        return None
    return SwitchOff(
        unit=unit,
        instrument=section.instrument,
        commands=section.commands,
        channel=channel.name,
        low=value if side == "above" else float("-inf"),
        high=value if side == "below" else float("inf"),
        within_s=section.confirm.within_s,
        tries=section.tries,
    )


def check_commands(place: Place, instrument: str, commands: tuple[str, ...], check: CheckCommand) -> None:
    """Say which of the commands at ``place`` its instrument does not take."""
    listed = entries(place.node).get("commands")
    for at, command in enumerate(commands):
        try:
            check(instrument, command)
        except KeyError as error:
            place.say("instrument", f"there is no instrument {instrument!r}", near(instrument, error.args[0]))
            return
        except ValueError as error:
            node = listed.value[at] if listed and isinstance(listed.value, list) else place.node
            where = Place(
                Node(node.value, node.line, node.file), f"{place.path}.commands[{at}]", place.faults
            )
            where.say("", str(error), f"write what {instrument} can be told")


# ---- what happens when


class State(enum.StrEnum):
    """How far the switching off of one unit has come."""

    READY = "ready"
    ORDERED = "ordered"
    """The commands wait for their bus, or are being sent."""
    SENT = "sent"
    """The commands are out; no reading has confirmed it yet."""
    OFF = "off"
    FAILED = "failed"


class Signal(enum.Enum):
    """What can happen to it."""

    TRIP = "trip"
    SENT = "sent"
    REFUSED = "refused"
    """The bus or the instrument did not take the commands."""
    SEEN_OFF = "seen off"
    SEEN_ON = "seen on"
    LATE = "late"
    """The time allowed has run out."""


class Deed(enum.Enum):
    """What is to be done about it."""

    SEND = "send"
    SAY_SENT = "say that the commands are out"
    SAY_REFUSED = "say that the commands were not taken"
    SAY_OFF = "say that it is confirmed"
    SAY_FAILED = "say that the unit could not be switched off"
    SAY_ON = "say that it is on again"


_AGAIN = (State.ORDERED, Deed.SEND)
TABLE: dict[tuple[State, Signal], tuple[State, Deed]] = {
    (State.READY, Signal.TRIP): _AGAIN,
    (State.ORDERED, Signal.SENT): (State.SENT, Deed.SAY_SENT),
    (State.ORDERED, Signal.REFUSED): (State.ORDERED, Deed.SAY_REFUSED),
    (State.ORDERED, Signal.LATE): _AGAIN,
    (State.SENT, Signal.SEEN_OFF): (State.OFF, Deed.SAY_OFF),
    (State.SENT, Signal.LATE): _AGAIN,
    (State.OFF, Signal.SEEN_ON): (State.READY, Deed.SAY_ON),
    (State.FAILED, Signal.TRIP): _AGAIN,
    (State.FAILED, Signal.SENT): (State.SENT, Deed.SAY_SENT),
    (State.FAILED, Signal.SEEN_OFF): (State.OFF, Deed.SAY_OFF),
}
"""Every transition; what is not in it changes nothing. When the tries are used up, trying again becomes
FAILED (see `step`). What was refused is tried again when its time is over, not at once: the bus may come
back. A failed one may still be seen off: by the late command, a fuse or a person."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch:
    """Where one unit stands. ``due_ns``: when the present step is late; ``attempt`` counts the tries."""

    state: State = State.READY
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


def step(switch: Switch, spec: Patience, signal: Signal, now_ns: int) -> tuple[Switch, Deed | None]:
    """Return where it stands after a signal at ``now_ns`` (boot clock), and what is to be done."""
    following = TABLE.get((switch.state, signal))
    if following is None:
        return switch, None
    state, deed = following
    due_ns = now_ns + round(spec.within_s * 1e9)
    if deed is not Deed.SEND:
        due_ns = switch.due_ns if state is switch.state else due_ns
        return replace(switch, state=state, due_ns=due_ns), deed
    attempt = 1 if signal is Signal.TRIP else switch.attempt + 1
    if attempt > spec.tries:
        return replace(switch, state=State.FAILED), Deed.SAY_FAILED
    return Switch(state=state, attempt=attempt, due_ns=due_ns), deed


def is_late(switch: Switch, now_ns: int) -> bool:
    """Return whether something should have happened by now."""
    return switch.state in {State.ORDERED, State.SENT} and now_ns > switch.due_ns


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
