"""Phases of the test program along a time axis."""

from __future__ import annotations

from collections.abc import Collection

from rig.domain.recording import Recording
from rig.endurance.phases_in_force import in_force
from rig.render.charts.panels import NamedSpan


def phase_spans(recording: Recording, channels: Collection[str]) -> tuple[NamedSpan, ...]:
    """Return the phases that were in force for all the units to which these channels belong.

    Where a rig has several groups of units, those of one do not hold for the others, nor for the room.
    """
    known = recording.layout.channels
    units = {known[name].unit for name in channels if name in known and known[name].unit is not None}
    return tuple(
        NamedSpan(start_ns=one.start_ns, end_ns=one.end_ns, name=one.phase)
        for one in in_force(recording.events(), recording.span)
        if not one.group or (units and units <= set(one.group))
    )
