"""Severity of alerts: what leads a message, and what the hourly limit of messages never holds back.

One table for all. The order is that of how soon somebody must be in the room; common practice, no source
(ISA-18.2 leaves the priorities of alarms to each plant).
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from typing import Final

from rig.domain.model import ChannelKind, Event, EventKind, Layout


class Severity(enum.StrEnum):
    """Severity of an alert, the most severe first; the value is the word in outboxes and messages."""

    FAILED = "failed"
    """A unit failed, or its failure is suspected."""
    RETRACTED = "retracted"
    """A suspected failure was none."""
    LOGGER = "logger"
    """Nothing is recorded: the logger is dead or silent, or the disk takes no records."""
    TRIP = "trip"
    """A trip limit, and a unit that could not be switched off."""
    SUPPLY = "supply"
    """Mains lost, or another stimulus out of a limit: it concerns all units that it feeds."""
    ACTION = "action"
    """Somebody has to set something."""
    UNPOWERED = "unpowered"
    """A unit lost its power, and nothing says why."""
    LIMIT = "limit"
    EQUIPMENT = "equipment"
    """An instrument offline, a bus hung, a notifier that fails, disk space, damage, a clock step."""
    SWITCHING = "switching"
    WARNING = "warning"
    READINGS = "readings"
    """A channel without valid readings."""
    GAP = "gap"
    RUN = "run"
    """Phases, sessions, changed rig files, operating states."""
    REPORT = "report"
    """Entry of an instrument's own error queue."""
    NORMAL = "normal"
    """Returned to normal; tests of a notifier."""

    @property
    def rank(self) -> int:
        """Place in the order: 0 is the most severe."""
        return _RANKS[self]

    @property
    def passes(self) -> bool:
        """Whether it is sent at once, from a budget of its own, ahead of all that waits."""
        return self in PASSING


_RANKS: Final = {one: rank for rank, one in enumerate(Severity)}
PASSING: Final = frozenset(
    {Severity.FAILED, Severity.RETRACTED, Severity.LOGGER, Severity.TRIP, Severity.SUPPLY}
)
"""What is sent at once; the hourly limit of messages does not concern it."""

OF_CATEGORY: Final[Mapping[str, Severity]] = {
    "failed": Severity.FAILED,
    "action": Severity.ACTION,
    "limits": Severity.LIMIT,
    "instruments": Severity.EQUIPMENT,
    "logger": Severity.EQUIPMENT,
    "ways": Severity.EQUIPMENT,
    "switching": Severity.SWITCHING,
    "early": Severity.WARNING,
    "readings": Severity.READINGS,
    "gaps": Severity.GAP,
    "run": Severity.RUN,
    "states": Severity.RUN,
    "reports": Severity.REPORT,
}
"""Severity of an alert of a category, where its event says nothing more."""
_UNPOWERED: Final = {"mains": Severity.SUPPLY, "unknown": Severity.UNPOWERED}
"""Severity of a unit's loss of power, by its cause."""


def severity_of(event: Event, category: str, layout: Layout | None) -> Severity:
    """Return the severity of what an event reports under a category."""
    data, usual = event.data, OF_CATEGORY[category]
    match event.kind:
        case EventKind.LIMIT_OUT:
            if data.get("trip") is True:
                return Severity.TRIP
            channel = layout.channels.get(event.subject) if layout is not None else None
            fed = channel is not None and channel.kind is ChannelKind.STIMULUS
            return Severity.SUPPLY if fed else usual
        case EventKind.SWITCH if data.get("what") == "failed":
            # a source that did not reach its target is for somebody to set; a unit that stays on is worse
            return Severity.ACTION if data.get("purpose") == "source" else Severity.TRIP
        case EventKind.STATE if data.get("state") == "unpowered":
            return {"mains": Severity.SUPPLY, "unknown": Severity.UNPOWERED}.get(
                str(data.get("cause")), usual
            )
        case EventKind.PHASE if data.get("action") is True:
            return Severity.ACTION
        case EventKind.SESSION_BROKEN:
            return Severity.LOGGER
        case EventKind.STORE_FAULT if "cause" not in data:
            return Severity.LOGGER
        case EventKind.SESSION_STOP:
            return Severity.RUN
        case _:
            return usual
