"""Kinds of alarms: which event opens, closes or repeats one, and the words of its end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from rig.alerts.alarm import Alarm
from rig.domain.formatting import duration
from rig.domain.model import Event, EventKind

_SECOND: Final = 1_000_000_000
SILENT: Final = "logger:silent"


@dataclass(frozen=True, slots=True)
class Opens:
    """What an event opens: the word of its alarm, category, mark and level."""

    word: str
    category: str
    mark: str
    level: int = 2


OPENS: Final = {
    EventKind.EARLY_OUT: Opens("limit", "early", "early", 1),
    EventKind.LIMIT_OUT: Opens("limit", "limits", "limit"),
    EventKind.NO_VALID: Opens("readings", "readings", "silent"),
    EventKind.INSTRUMENT_LOST: Opens("instrument", "instruments", "lost"),
    EventKind.STORE_FAULT: Opens("store", "logger", "disk"),
    EventKind.SESSION_STOP: Opens("stopped", "logger", "stopped"),
}
CLOSES: Final = {
    EventKind.EARLY_IN: ("limit", "early"),
    EventKind.LIMIT_IN: ("limit", "limit"),
    EventKind.VALID_AGAIN: ("readings", "silent"),
    EventKind.INSTRUMENT_BACK: ("instrument", "lost"),
    EventKind.STORE_BACK: ("store", "disk"),
    EventKind.SESSION_START: ("stopped", "stopped"),
}
MOMENTARY: Final = {
    EventKind.BUS_STUCK: "instruments",
    EventKind.STORE_FAULT: "logger",
    EventKind.STORE_LOW: "logger",
    EventKind.LOGGER_FAULT: "logger",
    EventKind.SESSION_BROKEN: "logger",
    EventKind.DAMAGE: "logger",
    EventKind.CLOCK_STEP: "logger",
    EventKind.GAP: "gaps",
    EventKind.INSTRUMENT_REPORT: "reports",
}
"""Momentary events; repeats soon after are counted, not sent."""
EACH: Final = {
    EventKind.SWITCH: "switching",
    EventKind.SESSION_START: "run",
    EventKind.PHASE: "run",
    EventKind.CONFIG_CHANGE: "run",
}
"""Events that are each sent."""
COURSE: Final = frozenset({"ordered", "sent", "confirmed"})
"""What becomes of a source that is set as it should be; anything else is trouble."""


def category_of(event: Event) -> str:
    """Return the category of an event that is sent each time."""
    if event.kind is EventKind.PHASE and event.data.get("action") is True:
        return "action"
    if event.data.get("purpose") == "source" and event.data.get("what") in COURSE:
        return "run"
    return EACH[event.kind]


OF_THE_DISK: Final = frozenset({EventKind.STORE_FAULT, EventKind.STORE_LOW, EventKind.DAMAGE})
_OVER: Final = {
    "limit": "{subject} returned to normal ({side} {bound})",
    "readings": "{subject}: valid readings again",
    "instrument": "{subject} is online again",
    "store": "records are written to disk again",
    "stopped": "logger started again",
    "silent": "logger records again",
    "way": "notifier {subject} delivers again",
}
LASTING: Final = frozenset({"limit", "readings", "instrument", "store"})


def over_words(alarm: Alarm, back_ns: int) -> str:
    """Return the text of the end of an alarm, with its duration."""
    lasted = duration((back_ns - alarm.began_ns) / _SECOND)
    if alarm.momentary:
        return f"{alarm.subject}: not repeated since; {alarm.times} times in {lasted}"
    kind = "silent" if alarm.key == SILENT else alarm.key.partition(":")[0]
    words = _OVER[kind].format(
        subject=alarm.subject,
        side=alarm.side,
        bound="limit" if alarm.level > 1 else "warning",
    )
    if alarm.ceased:
        bound = "limit" if alarm.level > 1 else "warning"
        return (
            f"{alarm.subject}: its {alarm.side} {bound} is not in force any more, after {lasted}; that does "
            "not say that it returned to normal"
        )
    if alarm.assumed:
        return f"{words} since the restart of the logger"
    return f"{words}, after {lasted}"


def number(value: object) -> float | None:
    """Return a recorded value as a number, None where it is none."""
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def worse_of(alarm: Alarm, value: float | None) -> float | None:
    """Return the extreme value of an alarm after one more value, by its side."""
    if value is None or alarm.worst is None:
        return value if alarm.worst is None else alarm.worst
    return min(alarm.worst, value) if alarm.side == "low" else max(alarm.worst, value)
