"""Time that the unit in a place spent in each operating state, during one installation."""

from __future__ import annotations

from collections.abc import Container

import numpy as np

from rig.domain.operating_state import OperatingState
from rig.domain.program import Phase
from rig.domain.signals import SignalName, levels, signals_of
from rig.domain.state_spans import StateSpan
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Installation
from rig.endurance.stretches import Stretches, stretches

OFF = frozenset({OperatingState.UNPOWERED, OperatingState.FAILED, OperatingState.ABSENT})
"""States in which a unit that gives no output is not held back by its protection."""


def spans_of(readings: HeldReadings, installation: Installation) -> list[StateSpan]:
    """Return the stretches in each state that lie in an installation."""
    history = readings.states()[installation.unit]
    return [
        one
        for one in history.spans
        if one.start_ns < installation.end_ns and one.end_ns > installation.start_ns
    ]


def time_in(
    readings: HeldReadings, installation: Installation, states: Container[OperatingState]
) -> Stretches:
    """Return the time of an installation that its unit spent in some states."""
    mine = [one for one in spans_of(readings, installation) if one.state in states]
    start = np.array([max(one.start_ns, installation.start_ns) for one in mine], np.int64)
    end = np.array([min(one.end_ns, installation.end_ns) for one in mine], np.int64)
    return stretches(start, end)


def shows_states(readings: HeldReadings, unit: str) -> bool:
    """Return whether enough is read of a unit to tell a driven one from one that gives nothing."""
    layout = readings.recording.layout
    return levels(signals_of(layout, layout.units[unit]))[SignalName.OUTPUT] is not None


def enduring(phase: Phase, readings: HeldReadings, unit: str) -> frozenset[OperatingState]:
    """Return the states in which a unit endures a phase.

    Where the phase asks for drive, only a driven unit does; where it asks for none, or says nothing of the
    drive, an idle one does as well.
    """
    layout = readings.recording.layout
    drive = signals_of(layout, layout.units[unit]).drive
    target = None if drive is None else readings.targets(phase, unit).get(drive.channel)
    if drive is not None and target is not None and target.value > drive.on_above:
        return frozenset({OperatingState.DRIVEN})
    return frozenset({OperatingState.DRIVEN, OperatingState.IDLE})
