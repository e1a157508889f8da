"""The signals that show a unit's state: which channels they are, and when each went on, off or unread.

A signal is on above ``on_above`` and off below ``off_below``; between the two it stays what it was. Seen for
the first time, or again after a time unread, the nearer of the two decides. After ``stale_ns`` without a good
reading nothing is known of it.

``step`` is the definition, reading by reading; ``signal_arrays`` is the one version for arrays.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

from rig.domain.accounting import LevelPlan
from rig.domain.formula import Formula, FormulaError
from rig.domain.model import Channel, Layout, Signals, Status, Unit
from rig.domain.program import named
from rig.domain.units import unit_of_measure

STALE_POLLS = 3.0
"""Polls without a good reading after which nothing is known of a signal (common practice, no source)."""
STALE_SLACK_S = 2.0
"""What comes on top for time-outs and busy buses (common practice, no source)."""

MAINS_LEAST_V = 80.0
"""Lowest voltage that a program sets on a mains: below the lowest public supply, 100 V less 20 % (IEC 60038
lists 100 V as the lowest)."""

_VOLT = unit_of_measure("V")


class SignalName(enum.StrEnum):
    """The signals of a unit."""

    MAINS = "mains"
    SUPPLY = "supply"
    OUTPUT = "output"
    DRIVE = "drive"


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalChange:
    """A signal went on (True), off (False) or unread (None).

    earliest_ns, latest_ns: the change lies between (from the last reading that showed otherwise to the first
    that shows this). at_ns: when it was seen; changes follow each other by this.
    """

    signal: SignalName
    on: bool | None
    earliest_ns: int
    latest_ns: int
    at_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalState:
    """What is known of a signal. early_ns, good_ns: begin and end of its last good reading; None: none."""

    on: bool | None = None
    good_ns: int | None = None
    early_ns: int = 0


def shown(level: LevelPlan, value: float, was: bool | None) -> bool:
    """Return whether a good reading shows a signal on."""
    if value > level.on_above:
        return True
    if value < level.off_below:
        return False
    return value > (level.on_above + level.off_below) / 2 if was is None else was


def step(
    state: SignalState, signal: SignalName, level: LevelPlan, reading: tuple[int, int, float, int]
) -> tuple[SignalState, SignalChange | None]:
    """Return what is known after a reading, and what changed.

    reading: begin and end of the interval it was taken in, ns, its value and its status. ``lapse`` must have
    been asked up to the end of the reading before.
    """
    early_ns, late_ns, value, status = reading
    if status != Status.GOOD or not math.isfinite(value):
        return state, None
    on = shown(level, value, state.on)
    now = SignalState(on=on, good_ns=late_ns, early_ns=early_ns)
    if on is state.on:
        return now, None
    since_ns = early_ns if state.good_ns is None else state.early_ns
    change = SignalChange(
        signal=signal, on=on, earliest_ns=min(since_ns, late_ns), latest_ns=late_ns, at_ns=late_ns
    )
    return now, change


def lapse(
    state: SignalState, signal: SignalName, stale_ns: int, now_ns: int
) -> tuple[SignalState, SignalChange | None]:
    """Return what is known at a moment without a new reading, and the change where it has become unread."""
    if state.on is None or state.good_ns is None or now_ns - state.good_ns <= stale_ns:
        return state, None
    return replace(state, on=None), unread(signal, state.good_ns, stale_ns)


def unread(signal: SignalName, good_ns: int, stale_ns: int) -> SignalChange:
    """Return the change of a signal that is not read any more; good_ns: end of its last good reading."""
    late_ns = good_ns + stale_ns
    return SignalChange(signal=signal, on=None, earliest_ns=good_ns, latest_ns=late_ns, at_ns=late_ns)


def signals_of(layout: Layout, unit: Unit) -> Signals:
    """Return the signals of a unit.

    Where the rig file names none, output and drive of its account stand in, and as the mains the one room
    channel in volts that its program sets (see ``source_of``).
    """
    if any(levels(unit.signals).values()) or layout.accounting is None:
        return unit.signals
    asked = layout.accounting
    return replace(
        unit.signals,
        mains=source_of(layout),
        output=_for_unit(asked.output, unit.name),
        drive=_for_unit(asked.drive, unit.name),
        failed_after_s=asked.dead_after_s,
    )


def source_of(layout: Layout) -> LevelPlan | None:
    """Return the mains of a rig file that names no signals: the only room channel that can be meant, or None.

    It is in volts, is a stimulus, and the least voltage that the program sets there (zero apart) is one of
    a mains. Half of that is on.
    """
    program = layout.program
    least: dict[str, float] = {}
    for phase in program.phases if program is not None else ():
        for name, target in phase.targets.items():
            channel = layout.channels.get(name)
            measure = unit_of_measure(channel.unit_of_measure) if channel is not None else None
            if channel is None or channel.unit is not None or measure is None or measure.kind != _VOLT.kind:
                continue
            if target.value * float(measure.factor) >= MAINS_LEAST_V:
                least[name] = min(target.value, least.get(name, target.value))
    if len(least) != 1:
        return None
    [(name, value)] = least.items()
    return LevelPlan(channel=name, on_above=value / 2, off_below=value * 0.4)


def levels(signals: Signals) -> dict[SignalName, LevelPlan | None]:
    """Return the levels by signal."""
    return {
        SignalName.MAINS: signals.mains,
        SignalName.SUPPLY: signals.supply,
        SignalName.OUTPUT: signals.output,
        SignalName.DRIVE: signals.drive,
    }


def wired(signals: Signals) -> dict[SignalName, LevelPlan]:
    """Return the levels of the signals that are read."""
    return {name: level for name, level in levels(signals).items() if level is not None}


def poll_s(layout: Layout, channel: Channel) -> float:
    """Return how often a channel, or the slowest input of a derived one, is read, s; 0 where not known."""
    if channel.source is not None:
        instrument = layout.instruments.get(channel.source.instrument)
        return instrument.poll_s if instrument is not None else 0.0
    known = [layout.channels[one] for one in _inputs(channel) if one in layout.channels]
    return max((poll_s(layout, one) for one in known), default=0.0)


def polls_s(layout: Layout, signals: Signals) -> dict[SignalName, float]:
    """Return the poll interval of each signal that is read, s; 0 where it is not known."""
    channels = {name: layout.channels.get(level.channel) for name, level in wired(signals).items()}
    return {name: poll_s(layout, one) if one is not None else 0.0 for name, one in channels.items()}


def stale_ns(poll_s: float) -> int:
    """Return after how long without a good reading nothing is known of a signal that is polled so often."""
    return round((STALE_POLLS * poll_s + STALE_SLACK_S) * 1e9)


def _for_unit(level: LevelPlan | None, unit: str) -> LevelPlan | None:
    return None if level is None else replace(level, channel=named(level.channel, unit))


def _inputs(channel: Channel) -> tuple[str, ...]:
    return _named_in(channel.formula or "0")


@lru_cache(maxsize=4096)
def _named_in(formula: str) -> tuple[str, ...]:
    """Return the channels that a formula names; none for one that makes no sense (a foreign recording).

    Kept, because every channel asks it of every other.
    """
    try:
        return Formula(formula).names
    except FormulaError:
        return ()


def followers(channels: Mapping[str, Channel], roots: set[str]) -> set[str]:
    """Return channels that are among ``roots``, are computed from one of them, or follow one."""
    found = {name for name in roots if name in channels}
    grown = True
    while grown:
        more = {
            name
            for name, one in channels.items()
            if name not in found and found & {*one.follows, *_inputs(one)}
        }
        grown = bool(more)
        found |= more
    return found
