"""Which operating states of units cannot be known, and for want of which signal; from the rig file alone."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rig.domain.formatting import duration, setting
from rig.domain.model import Layout, Signals, Unit
from rig.domain.operating_state import OperatingState, UnitCondition, UnitRules
from rig.domain.signals import SignalChange, SignalName, levels, signals_of, wired
from rig.domain.state_machine import appearance

_SHOWN = (OperatingState.UNPOWERED, OperatingState.IDLE, OperatingState.DRIVEN, OperatingState.MUTED)
"""States that signals alone can show."""
_RUN_LEAST = 3
"""So many names in a row are written as the first and the last of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MissingSignal:
    """A signal that is not read. hides: states that cannot be known without it; text: what that leads to."""

    signal: SignalName
    hides: tuple[OperatingState, ...]
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnseenStates:
    """What cannot be known of like units. stands_in: what is taken for signals where the rig file has none.

    In ``stands_in``, {unit} is the name of each unit. Nothing is missing where ``missing`` is empty.
    """

    units: tuple[str, ...]
    stands_in: str
    missing: tuple[MissingSignal, ...]

    @property
    def is_blind(self) -> bool:
        """Whether no signal is read at all."""
        return len(self.missing) == len(SignalName)

    @property
    def names(self) -> str:
        """The units in few words: ``A1 to A6, B1``."""
        return in_runs(self.units)


def unseen_states(layout: Layout) -> list[UnseenStates]:
    """Return what cannot be known of each unit's state, like units together, in the order of the units."""
    found: dict[tuple[str, tuple[MissingSignal, ...]], list[str]] = {}
    for unit in layout.units.values():
        key = (_stands_in(layout, unit), missing(frozenset(wired(signals_of(layout, unit)))))
        found.setdefault(key, []).append(unit.name)
    return [
        UnseenStates(units=tuple(units), stands_in=stands_in, missing=lacks)
        for (stands_in, lacks), units in found.items()
    ]


def missing(read: frozenset[SignalName]) -> tuple[MissingSignal, ...]:
    """Return the signals that are not read, each with what cannot be known without it."""
    absent = [one for one in SignalName if one not in read]
    hidden = [one for one in _SHOWN if one not in _reachable(read)]
    return tuple(
        MissingSignal(
            signal=signal,
            hides=tuple(state for state in hidden if _helps(signal, state, read, absent)),
            text=_leads_to(signal, read),
        )
        for signal in absent
    )


def _helps(
    signal: SignalName, state: OperatingState, read: frozenset[SignalName], absent: Sequence[SignalName]
) -> bool:
    """Return whether reading a signal, alone or with others that are not read either, shows a state."""
    others = [one for one in absent if one is not signal]
    return any(
        state in _reachable(read | {*more, signal}) and state not in _reachable(read | {*more})
        for count in range(len(others) + 1)
        for more in itertools.combinations(others, count)
    )


def _reachable(read: frozenset[SignalName]) -> set[OperatingState]:
    """Return the states that readings of these signals can show."""
    rules = UnitRules(wired={one: one.value for one in read}, settle_ns=0, failed_after_ns=0, idle_after_ns=0)
    found = set()
    for values in itertools.product((True, False), repeat=len(read)):
        seen = {
            signal: SignalChange(signal=signal, on=on, earliest_ns=0, latest_ns=0, at_ns=0)
            for signal, on in zip(sorted(read), values, strict=True)
        }
        found.add(appearance(UnitCondition(serial="any", seen=seen), rules)[0])
    return found


def _leads_to(signal: SignalName, read: frozenset[SignalName]) -> str:
    both = {SignalName.OUTPUT, SignalName.DRIVE} <= read
    match signal:
        case SignalName.OUTPUT:
            return "no failure is suspected"
        case SignalName.DRIVE:
            return "a failure that leaves the unit powered is not suspected"
        case SignalName.SUPPLY if both:
            return "a unit that was switched off by hand without a note looks like one that failed"
        case SignalName.SUPPLY:
            return "a unit that was switched off is not told from one that is on"
        case SignalName.MAINS if SignalName.SUPPLY in read:
            return (
                "a mains loss looks like a unit that was switched off, and a supply that is lost is not "
                "suspected as a failure"
            )
        case SignalName.MAINS if both:
            return "a mains loss looks like a unit that failed"
        case _:
            return "a mains loss is not seen"


def _stands_in(layout: Layout, unit: Unit) -> str:
    """Return in words what stands in for signals that a rig file does not name; '' where it names some."""
    if wired(unit.signals):
        return ""
    if layout.accounting is None:
        return "no signals: in the rig file, and no account: to stand in"
    used = signals_of(layout, unit)
    parts = [
        f"account.{name} ({re.sub(rf'^{re.escape(unit.name)}[.]', '{unit}.', level.channel)})"
        for name, level in levels(used).items()
        if level is not None and name is not SignalName.MAINS
    ]
    if not parts and used.mains is None:
        return "no signals: in the rig file, and neither account.output nor account.drive to stand in"
    after = f"; a failure is suspected after {duration(used.failed_after_s)} (account.dead-after)"
    words = f"no signals: in the rig file; what stands in: {', '.join([*parts, _mains(layout, used)])}"
    return words + (after if used.output is not None else "")


def _mains(layout: Layout, used: Signals) -> str:
    """Return in words what is taken for the mains of a rig file that names no signals."""
    if used.mains is None:
        return "nothing for the mains, because no one channel is known to be it from the program"
    channel = layout.channels[used.mains.channel]
    level = setting(used.mains.on_above, channel.unit_of_measure)
    return f"for the mains {channel.name}, which the program sets (on above {level})"


def in_runs(names: Sequence[str]) -> str:
    """Return names in few words: those that count up one by one as ``A1 to A6``."""
    return ", ".join(_runs(names))


def _runs(names: Sequence[str]) -> Iterable[str]:
    """Yield names, those that count up one by one as ``A1 to A6``."""
    at = 0
    while at < len(names):
        end = at
        while end + 1 < len(names) and _follows(names[end], names[end + 1]):
            end += 1
        if end - at + 1 >= _RUN_LEAST:
            yield f"{names[at]} to {names[end]}"
        else:
            yield from names[at : end + 1]
        at = end + 1


def _follows(one: str, other: str) -> bool:
    first, second = (re.fullmatch(r"(.*?)(\d+)", name) for name in (one, other))
    if first is None or second is None or first[1] != second[1]:
        return False
    return int(second[2]) == int(first[2]) + 1
