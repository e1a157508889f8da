"""Readings of a recording on one time line, with a cache of the channels used last."""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Iterable

import numpy as np

from rig.domain.model import Channel, Event
from rig.domain.recorded_excursions import Recorded
from rig.domain.recording import Recording
from rig.domain.signals import poll_s
from rig.domain.source_groups import foreign_sources
from rig.domain.uncertainty import MeasurementModel
from rig.domain.unit_history import UnitHistory, histories
from rig.endurance.coverage import Held, hold, time_line
from rig.endurance.phases_in_force import (
    InForce,
    Installation,
    Phase,
    PhaseTarget,
    in_force,
    installations,
    moved_span,
)
from rig.endurance.stretches import Stretches
from rig.errors import UsageError

AT_HAND = 8
"""Channels kept in memory: four weeks at 1 Hz are about 80 MB each."""


class HeldReadings:
    """Held readings of a recording; call it with a channel's name.

    span_ns: first and last record on the time line; shifts: see ``coverage.time_line``.
    """

    def __init__(self, recording: Recording) -> None:
        self.recording = recording
        self.shifts = time_line(recording.sessions)
        self.span_ns = moved_span(recording.span, recording.sessions, self.shifts)
        self._held: OrderedDict[str, Held] = OrderedDict()
        self._models: dict[str, MeasurementModel] = {}
        self._states: dict[str, UnitHistory] | None = None

    def __call__(self, channel: str) -> Held:
        """Return the held readings of a channel. Raises UsageError if the recording has no such channel."""
        if channel not in self._held:
            self.demand([channel])
            self._held[channel] = hold(
                self.recording.series(channel), self.span_ns, self.shifts, poll_s=self.poll_s(channel)
            )
            if len(self._held) > AT_HAND:
                self._held.popitem(last=False)
        self._held.move_to_end(channel)
        return self._held[channel]

    def facts(self, channel: str) -> Channel:
        """Return a channel of the layout. Raises UsageError if there is none of that name."""
        self.demand([channel])
        return self.recording.layout.channels[channel]

    def model(self, channel: str) -> MeasurementModel:
        """Return the measurement model of a channel. Raises UsageError if there is none of that name."""
        if channel not in self._models:
            self._models[channel] = MeasurementModel(self.facts(channel), self.recording.layout.channels)
        return self._models[channel]

    def standard_at(self, channel: str, value: float, t_ns: int) -> float:
        """Return the standard uncertainty of a channel's value at a moment; 0: nothing is stated."""
        model = self.model(channel)
        values = {name: self._last(name, t_ns) for name in _asked(model) if name != channel}
        return _stated(model.standard({**values, channel: value}))

    def standard_over(self, model: MeasurementModel, time: Stretches) -> float:
        """Return the standard uncertainty at the inputs' means over a set of time; 0: nothing stated."""
        return _stated(model.standard({name: self._mean(name, time) for name in _asked(model)}))

    def half_width_over(self, model: MeasurementModel, time: Stretches) -> float:
        """Return the bound of error at the inputs' means over a set of time; 0: nothing stated."""
        return _stated(model.half_width({name: self._mean(name, time) for name in _asked(model)}))

    def _last(self, channel: str, t_ns: int) -> float:
        """Return the last good value up to a moment, or the first after it; NaN where there is none."""
        held = self(channel)
        good = np.flatnonzero(held.good)
        if not len(good):
            return math.nan
        return float(held.value[good[max(int(np.searchsorted(held.t_ns[good], t_ns, side="right")) - 1, 0)]])

    def _mean(self, channel: str, time: Stretches) -> float:
        held = self(channel)
        known_s = held.known.both(time).total_s
        return held.integral(time) / known_s if known_s > 0 else math.nan

    def poll_s(self, channel: str) -> float:
        """Return the poll interval of a channel in the rig file; 0 where it has none.

        A derived channel has the interval of its slowest input.
        """
        layout = self.recording.layout
        facts = layout.channels.get(channel)
        return 0.0 if facts is None else poll_s(layout, facts)

    def demand(self, channels: Iterable[str]) -> None:
        """Raise UsageError that lists all of ``channels`` that the recording does not have."""
        known = self.recording.layout.channels
        missing = sorted({name for name in channels if name not in known})
        if missing:
            raise UsageError(
                f"accounting for rig {self.recording.layout.rig}: the recording has no channel named "
                f"{', '.join(missing)}; it has: {', '.join(sorted(known))}"
            )

    def moment(self, event: Event) -> int:
        """Return the time of an event on the time line, UTC ns."""
        return event.t_ns + self.shifts.get(event.session, 0)

    def start_of(self, one: Recorded) -> int:
        """Return when a recorded excursion began on the time line, UTC ns."""
        return one.start_ns + self.shifts.get(one.began.session, 0)

    def installations(self) -> list[Installation]:
        """Return which serial number sat in which place."""
        return installations(self.recording.layout, self.recording.events(), self.span_ns, self.shifts)

    def states(self) -> dict[str, UnitHistory]:
        """Return what state each place was in, on the time line."""
        if self._states is None:
            self._states = histories(self.recording, self.shifts)
        return self._states

    def forces(self, unit: str | None = None) -> list[InForce]:
        """Return the periods in which phases were in force: for a unit, or (None) for any group of units."""
        return in_force(self.recording.events(), self.span_ns, self.shifts, unit)

    def targets(self, phase: Phase, unit: str) -> dict[str, PhaseTarget]:
        """Return the targets of a phase that concern a unit."""
        return phase.targets_of(unit, foreign_sources(self.recording.layout, unit))


def _asked(model: MeasurementModel) -> tuple[str, ...]:
    """Return the channels whose values a model needs."""
    return model.inputs if model.needs_values else ()


def _stated(uncertainty: float) -> float:
    """Return an uncertainty; 0 where it cannot be told because an input was never read."""
    return 0.0 if math.isnan(uncertainty) else uncertainty
