"""When a unit's output and supply went off, since when they are missed, and which note explains it.

What is known survives times in which nothing is read: a unit that gave output before and gives none after
lost it in between.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from rig.domain.operating_state import NOTE_WINDOW_NS, Cause, OperatingState, UnitCondition, UnitRules
from rig.domain.signals import SignalChange, SignalName


def after_signal(unit: UnitCondition, change: SignalChange) -> UnitCondition:
    """Return a unit after a change of a signal; when output and supply went off survives not being read."""
    signal = change.signal
    off = dict(unit.off)
    if signal in {SignalName.OUTPUT, SignalName.SUPPLY}:
        if change.on is True:
            off.pop(signal, None)
        elif change.on is False:
            earliest_ns, latest_ns = off.get(signal, (change.earliest_ns, 0))
            off[signal] = (earliest_ns, latest_ns or change.latest_ns)
        elif unit.on(signal) is True:
            off[signal] = (change.earliest_ns, 0)
    gave = unit.gave_output or (signal is SignalName.OUTPUT and change.on is True)
    return replace(unit, seen={**unit.seen, signal: change}, off=off, gave_output=gave)


def off_since_unread(unit: UnitCondition, about_ns: int) -> Mapping[SignalName, tuple[int, int]]:
    """Return when output and supply went off, of which each that was on may from now on."""
    on = {one for one in (SignalName.OUTPUT, SignalName.SUPPLY) if unit.on(one) is True}
    if unit.state is OperatingState.DRIVEN:
        on |= {SignalName.OUTPUT, SignalName.SUPPLY}
    return {**dict.fromkeys(on, (about_ns, 0)), **unit.off}


def key_signal(rules: UnitRules) -> SignalName:
    """Return the signal that shows best whether the unit is switched on."""
    return SignalName.SUPPLY if SignalName.SUPPLY in rules.wired else SignalName.OUTPUT


def known_state(unit: UnitCondition) -> OperatingState:
    """Return the last state that was observed."""
    return unit.known if unit.state is OperatingState.UNOBSERVED else unit.state


def explained(unit: UnitCondition, rules: UnitRules, latest_ns: int) -> UnitCondition:
    """Return a unit with the note that explains its loss of supply, or of output where no supply is read.

    A loss that the mains explained at first begs for an explanation when the mains is back, an output off in
    a pause when the drive is.
    """
    key = key_signal(rules)
    if unit.on(key) is True:
        return replace(unit, missed_ns=0, explained=None)
    if key not in unit.off or unit.on(key) is None:
        return unit
    driven = key is SignalName.SUPPLY or unit.on(SignalName.DRIVE) is True
    fed = unit.on(SignalName.MAINS) is True or SignalName.MAINS not in rules.wired
    wanted = driven and fed
    if unit.state is not OperatingState.FAILED and wanted != bool(unit.missed_ns) and not unit.gone:
        unit = replace(unit, missed_ns=latest_ns if wanted else 0)
    if unit.note is None or unit.explained is not None:
        return unit
    about_ns = unit.note.about_ns or unit.note.at_ns
    earliest_ns, off_ns = unit.off[key]
    near = earliest_ns - NOTE_WINDOW_NS <= about_ns <= max(off_ns, unit.missed_ns) + NOTE_WINDOW_NS
    return replace(unit, explained=unit.note) if near else unit


def reconsidered(
    unit: UnitCondition, shows: tuple[OperatingState, Cause], span: tuple[int, int, int]
) -> UnitCondition:
    """Return a unit that is not missing what is there or has a reason to be off."""
    if shows[0] is OperatingState.DRIVEN:
        return replace(unit, lost=None, gone=None)
    if shows[1] in {Cause.MAINS, Cause.ORDER, Cause.NOTE}:
        unit = replace(unit, lost=None)
        supply_ns = unit.off.get(SignalName.SUPPLY, (0, 0))[0]
        mains = unit.seen.get(SignalName.MAINS)
        mains_ns = mains.earliest_ns if mains is not None and shows[1] is Cause.MAINS else 0
        if unit.state is OperatingState.FAILED or (unit.gone and max(supply_ns, mains_ns) > unit.gone[1]):
            return unit  # it was missing before the supply or the mains went off
        off: dict[SignalName, tuple[int, int]] = {
            one: when for one, when in unit.off.items() if one is not SignalName.OUTPUT
        }
        return replace(unit, gone=None, off=off)
    if SignalName.OUTPUT not in unit.off and unit.gave_output:  # the reason to be off has ended
        return replace(unit, off={**unit.off, SignalName.OUTPUT: span[:2]})
    return unit


def lost_between(
    unit: UnitCondition, shows: tuple[OperatingState, Cause], span: tuple[int, int, int]
) -> tuple[int, int]:
    """Return from when to when what is missing was lost: perhaps while there was no drive, or no reading."""
    earliest_ns, latest_ns = span[:2]
    if SignalName.OUTPUT in unit.off:
        earliest_ns = min(earliest_ns, unit.off[SignalName.OUTPUT][0])
    if shows[0] is OperatingState.UNPOWERED and SignalName.SUPPLY in unit.off:
        went_ns, off_ns = unit.off[SignalName.SUPPLY]
        if went_ns > earliest_ns:
            return went_ns, min(off_ns or latest_ns, latest_ns)
    return earliest_ns, latest_ns
