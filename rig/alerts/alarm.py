"""State of one alarm, and its form in the outbox."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Final

from rig.alerts.severity import Severity
from rig.domain.jsonmap import made, plain

_STORED: Final = {"sent_level": "told", "sent_ns": "told_ns", "sent_times": "told_times"}
"""Fields whose name in an outbox, which stays as it is, differs from the one here."""
_ADDED: Final[Mapping[str, Any]] = {"severity": None, "ceased": False}
"""Fields that outboxes of earlier versions have not, and what is taken for them then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    """State of one alarm: a subject, a kind of fault and, for a limit, a side.

    marks: active causes. level: highest severity so far; sent_level: highest severity an alert was sent for
    (0: none). began_ns, last_ns, back_ns, sent_ns: UTC; back_ns is None while it lasts. times: occurrences;
    sent_times: occurrences up to the last alert. worst: extreme value. assumed: taken as normal because the
    new session has not repeated it. ceased: over only because its limit is not in force any more. behind:
    keys of the alarms that explain it. severity: None in an outbox of before there were severities.
    """

    key: str
    category: str
    group: str
    subject: str
    headline: str
    look: str
    began_ns: int
    last_ns: int
    marks: tuple[str, ...] = ()
    level: int = 2
    sent_level: int = 0
    back_ns: int | None = None
    sent_ns: int = 0
    times: int = 1
    sent_times: int = 0
    worst: float | None = None
    side: str = ""
    unit: str = ""
    momentary: bool = False
    assumed: bool = False
    behind: tuple[str, ...] = ()
    severity: Severity | None = None
    ceased: bool = False

    def to_json(self) -> dict[str, Any]:
        """Return the alarm as JSON values."""
        return {
            _STORED.get(name, name): list(value) if isinstance(value, tuple) else value
            for name, value in plain(self).items()
            if name not in _ADDED or value != _ADDED[name]
        }

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> Alarm:
        """Return the alarm. Raises KeyError or ValueError for anything else."""
        known = {
            one.name: data[_STORED.get(one.name, one.name)] for one in fields(Alarm) if one.name not in _ADDED
        }
        return made(Alarm, {**known, **{name: data.get(name, usual) for name, usual in _ADDED.items()}})
