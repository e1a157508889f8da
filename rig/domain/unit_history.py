"""What state every unit of a recording was in: its signals and events, through ``state_machine``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rig.domain import signal_arrays
from rig.domain.model import Event, EventKind, Series, Session, Signals, Unit
from rig.domain.operating_state import (
    SETTLE_POLLS,
    SETTLE_SLACK_S,
    Input,
    Installed,
    Noted,
    Restarted,
    StateChange,
    SwitchedOff,
    UnitCondition,
    UnitRules,
)
from rig.domain.recording import Recording
from rig.domain.signals import polls_s, signals_of, stale_ns, wired
from rig.domain.state_machine import advance, follow
from rig.domain.state_spans import StateSpan, spans


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitHistory:
    """The states of one place over a recording: as they were stated, and as stretches of time."""

    unit: str
    changes: tuple[StateChange, ...]
    spans: tuple[StateSpan, ...]


def rules_of(signals: Signals, slowest_s: float) -> UnitRules:
    """Return the constants of a unit's state machine; slowest_s: poll interval of its slowest signal."""
    return UnitRules(
        wired={name: level.channel for name, level in wired(signals).items()},
        settle_ns=round((SETTLE_POLLS * slowest_s + SETTLE_SLACK_S) * 1e9),
        failed_after_ns=round(signals.failed_after_s * 1e9),
        idle_after_ns=round(signals.idle_after_s * 1e9),
        muted_after_ns=round(signals.muted_after_s * 1e9),
    )


def occurrence(event: Event, unit: str, shift_ns: int = 0) -> Input | None:
    """Return what a recorded event means for the state of a unit; None: nothing."""
    at_ns, data = event.t_ns + shift_ns, event.data
    if event.subject != unit:
        return None
    about_ns = data.get("at_ns")
    about_ns = about_ns if isinstance(about_ns, int) else 0
    if event.kind is EventKind.UNIT and "serial" in data:
        return Installed(at_ns=at_ns, about_ns=about_ns, serial=str(data["serial"] or ""))
    if event.kind is EventKind.NOTE:
        return Noted(at_ns=at_ns, about_ns=about_ns, text=event.text, died=data.get("died") is True)
    if event.kind is EventKind.SWITCH and data.get("purpose") == "switch-off":
        off = {"ordered": True, "sent": True, "confirmed": True, "on": False, "failed": False}
        what = off.get(str(data.get("what")))
        return None if what is None else SwitchedOff(at_ns=at_ns, off=what)
    return None


def histories(recording: Recording, shifts: Mapping[int, int] | None = None) -> dict[str, UnitHistory]:
    """Return the states of every place of a recording; shifts: ns by session, where sessions overlap."""
    moved = shifts or {}
    events = recording.events()
    return {name: _history(recording, unit, events, moved) for name, unit in recording.layout.units.items()}


def first_serial(unit: Unit, events: Sequence[Event]) -> str:
    """Return who was in a place at the begin: as its first recorded change says, else the rig file."""
    for event in events:
        if event.kind is EventKind.UNIT and event.subject == unit.name and "serial" in event.data:
            return str(event.data.get("before", unit.serial) or "")
    return unit.serial


def _history(
    recording: Recording, unit: Unit, events: Sequence[Event], shifts: Mapping[int, int]
) -> UnitHistory:
    layout = recording.layout
    serial = first_serial(unit, events)
    signals = signals_of(layout, unit)
    bounds = _bounds(recording, shifts)
    happened: list[Input] = [
        Restarted(at_ns=start, about_ns=before) for (_, before), (start, _) in pairwise(bounds)
    ]
    for event in events:
        one = occurrence(event, unit.name, shifts.get(event.session, 0))
        if isinstance(one, Installed) and one.about_ns:  # told afterwards: it counts from its own time
            one = replace(one, at_ns=one.about_ns, about_ns=0)
        if one is not None:
            happened.append(one)
    slowest_s = 0.0
    for signal, planned_s in polls_s(layout, signals).items():
        level = wired(signals)[signal]
        if level.channel not in layout.channels:
            continue
        series = recording.series(level.channel)
        every_s = planned_s or _usual_s(series)
        slowest_s = max(slowest_s, every_s)
        for place, part in _by_session(series, recording.sessions, shifts):
            happened += signal_arrays.changes(part, signal, level, stale_ns(every_s), bounds[place][1])
    rules = rules_of(signals, slowest_s)
    condition = UnitCondition(serial=serial)
    changes: list[StateChange] = []
    for one in sorted(happened, key=lambda it: it.at_ns):
        condition, more = follow(condition, rules, one)
        changes += more
    condition, more = advance(condition, rules, bounds[-1][1])
    changes += more
    whole = (bounds[0][0], bounds[-1][1])
    return UnitHistory(unit=unit.name, changes=tuple(changes), spans=tuple(spans(changes, whole, serial)))


def _usual_s(series: Series) -> float:
    """Return the usual interval between readings, s, for a recording that does not say how it was polled."""
    return float(np.median(np.diff(series.t_ns))) / 1e9 if len(series) > 1 else 0.0


def _bounds(recording: Recording, shifts: Mapping[int, int]) -> list[tuple[int, int]]:
    """Return begin and end of each session that recorded channels; at least one pair."""
    lived = [one for one in recording.sessions if not one.brief]
    if not lived:
        return [recording.span]
    found = [
        (one.start_ns + shifts.get(one.number, 0), one.end_ns + shifts.get(one.number, 0)) for one in lived
    ]
    last = max(recording.span[1], found[-1][1])
    return [*found[:-1], (found[-1][0], last)]


def _by_session(
    series: Series, sessions: Sequence[Session], shifts: Mapping[int, int]
) -> list[tuple[int, Series]]:
    """Return the readings of each session that recorded channels, on the time line, with its place."""
    lived = [one.number for one in sessions if not one.brief]
    if not lived:
        return [(0, series)]
    found = []
    for place, number in enumerate(lived):
        mine = np.flatnonzero(series.session == number)
        if len(mine):
            found.append((place, _part(series, mine, shifts.get(number, 0))))
    return found


def _part(series: Series, rows: NDArray[np.intp], shift_ns: int) -> Series:
    return Series(
        channel=series.channel,
        t_ns=series.t_ns[rows] + shift_ns,
        h_ns=series.h_ns[rows],
        value=series.value[rows],
        status=series.status[rows],
        session=series.session[rows],
    )
