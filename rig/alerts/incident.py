"""What is known of one thing that is wrong."""

from __future__ import annotations

from dataclasses import dataclass


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
