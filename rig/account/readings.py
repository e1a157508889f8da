"""The readings of a recording on one time line, each channel read once."""

from __future__ import annotations

from collections.abc import Iterable

from rig.account import Recording
from rig.account.coverage import Held, hold, time_line
from rig.account.program import InForce, Stay, in_force, moved_span, stays
from rig.core.model import Channel
from rig.errors import UsageError


class Readings:
    """A recording's channels as held readings; call it with a channel's name.

    span_ns: first and last record on the time line; shifts: see ``coverage.time_line``.
    """

    def __init__(self, recording: Recording) -> None:
        self.recording = recording
        self.shifts = time_line(recording.sessions)
        self.span_ns = moved_span(recording.span, recording.sessions, self.shifts)
        self._held: dict[str, Held] = {}

    def __call__(self, channel: str) -> Held:
        """Return the held readings of a channel. Raises UsageError if the recording has no such channel."""
        if channel not in self._held:
            self.demand([channel])
            self._held[channel] = hold(self.recording.series(channel), self.span_ns, self.shifts)
        return self._held[channel]

    def facts(self, channel: str) -> Channel:
        """Return what the layout says of a channel. Raises UsageError if there is none of that name."""
        self.demand([channel])
        return self.recording.layout.channels[channel]

    def demand(self, channels: Iterable[str]) -> None:
        """Raise UsageError that lists all of ``channels`` that the recording does not have."""
        known = self.recording.layout.channels
        missing = sorted({name for name in channels if name not in known})
        if missing:
            raise UsageError(
                f"accounting for rig {self.recording.layout.rig}: the recording has no channel named "
                f"{', '.join(missing)}; it has: {', '.join(sorted(known))}"
            )

    def stays(self) -> list[Stay]:
        """Return which serial number sat in which place."""
        return stays(self.recording.layout, self.recording.events(), self.span_ns, self.shifts)

    def forces(self) -> list[InForce]:
        """Return which phase was in force when."""
        return in_force(self.recording.events(), self.span_ns, self.shifts)
