"""What is known of one thing that is wrong."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Incident:
    """What is known of one thing that is wrong.

    marks: what holds it open now. level: how bad it has been, told: up to which level it was told (0: not
    at all). began_ns, last_ns, back_ns, told_ns: UTC; back_ns is None while it goes on. times: how often
    it happened, told_times: of those, how many had happened when it was last told. worst: extreme value.
    assumed: taken as calm because a new session has not said it again. behind: keys of the incidents that
    explain it.
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
    told: int = 0
    back_ns: int | None = None
    told_ns: int = 0
    times: int = 1
    told_times: int = 0
    worst: float | None = None
    side: str = ""
    unit: str = ""
    momentary: bool = False
    assumed: bool = False
    behind: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the incident as JSON values."""
        return {**dataclasses.asdict(self), "marks": list(self.marks), "behind": list(self.behind)}

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> Incident:
        """Return the incident. Raises KeyError, TypeError or ValueError on nonsense."""
        known = {one.name: data[one.name] for one in dataclasses.fields(Incident)}
        known["marks"], known["behind"] = tuple(known["marks"]), tuple(known["behind"])
        for name in ("began_ns", "last_ns", "told_ns", "level", "told", "times", "told_times"):
            known[name] = int(known[name])
        return Incident(**known)
