"""Readings of a recording on one time line, with a cache of the channels used last."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable

from rig.domain.formula import Formula
from rig.domain.model import Channel, Event
from rig.domain.recording import Recording
from rig.endurance.coverage import Held, hold, time_line
from rig.endurance.phases_in_force import InForce, Installation, in_force, installations, moved_span
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

    def poll_s(self, channel: str) -> float:
        """Return the poll interval of a channel in the rig file; 0 where it has none.

        A derived channel has the interval of its slowest input.
        """
        layout = self.recording.layout
        facts = layout.channels.get(channel)
        if facts is None:
            return 0.0
        if facts.source is not None:
            instrument = layout.instruments.get(facts.source.instrument)
            return instrument.poll_s if instrument else 0.0
        return max((self.poll_s(name) for name in Formula(facts.formula or "0").names), default=0.0)

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

    def installations(self) -> list[Installation]:
        """Return the installations: serial number, place, period."""
        return installations(self.recording.layout, self.recording.events(), self.span_ns, self.shifts)

    def forces(self) -> list[InForce]:
        """Return the periods in which phases were in force."""
        return in_force(self.recording.events(), self.span_ns, self.shifts)
