"""Excursions in episodes: the first-out of each unit is latched, what followed its shutdown is marked.

An episode begins with the first excursion of a unit (or of the room) and takes in all that follow while one
of them lasts or the unit is shut down. Its first-out stays until the unit is driven again, another one is put
in, or the next episode begins.
"""

from __future__ import annotations

import bisect
import math
from collections import deque
from collections.abc import Container, Iterator
from dataclasses import dataclass, field

KEPT_EXCURSIONS = 1000


@dataclass(slots=True)
class LiveEpisode:
    """Excursions of one unit (None: of the room) that belong together.

    first: the one that began first, kept however many follow. began: UTC ns at which they began, in order.
    """

    unit: str | None
    first: LiveExcursion | None = None
    began: list[int] = field(default_factory=list)

    def add(self, excursion: LiveExcursion) -> None:
        """Take in an excursion."""
        bisect.insort(self.began, excursion.began_ns)
        del self.began[KEPT_EXCURSIONS:]
        if self.first is None or excursion.began_ns < self.first.began_ns:
            self.first = excursion

    def rank(self, excursion: LiveExcursion) -> int:
        """Return the first-out rank of one of its excursions, from 1; equal where the readings are."""
        return 1 + bisect.bisect_left(self.began, excursion.began_ns)


@dataclass(slots=True, eq=False)
class LiveExcursion:
    """Counted excursion, the source of an ``ExcursionView``.

    limit: the one that was left, which may be another than the one in force now; None where the record does
    not say.
    """

    channel: str
    side: str
    began_ns: int
    session: int
    episode: LiveEpisode
    peak: float
    ended_ns: int | None = None
    limit: float | None = None


class Episodes:
    """All excursions of a run: the active ones, and the last that ended."""

    def __init__(self) -> None:
        self.active: dict[tuple[str, str], LiveExcursion] = {}
        self.ended: deque[LiveExcursion] = deque(maxlen=KEPT_EXCURSIONS)
        self.latched: dict[str | None, LiveEpisode] = {}
        """By unit, the last episode, as long as its first-out is to be shown."""

    def add(
        self, *, channel: str, side: str, unit: str | None, began_ns: int, session: int, peak: float,
        limit: float | None, shut_down: Container[str],
    ) -> None:  # fmt: skip
        """Take in a new excursion; shut_down: the units that gave no output when it was counted."""
        if (channel, side) in self.active:
            return  # repeated after a restart: still the same excursion
        episode = self.latched.get(unit)
        lasts = any(one.episode is episode for one in self.active.values())
        if episode is None or not (lasts or unit in shut_down):
            episode = self.latched[unit] = LiveEpisode(unit)
        excursion = LiveExcursion(
            channel=channel,
            side=side,
            began_ns=began_ns,
            session=session,
            episode=episode,
            peak=peak,
            limit=limit,
        )
        episode.add(excursion)
        self.active[channel, side] = excursion

    def returned(self, channel: str, side: str, t_ns: int) -> None:
        """End the excursion of a channel on one side, if there is one."""
        excursion = self.active.pop((channel, side), None)
        if excursion is not None:
            excursion.ended_ns = t_ns
            self.ended.append(excursion)

    def follow_peak(self, channel: str, value: float) -> None:
        """Take a good reading of a channel into the peaks of its active excursions."""
        for side in ("high", "low"):
            one = self.active.get((channel, side))
            if one is not None:
                farther = max if side == "high" else min
                one.peak = value if math.isnan(one.peak) else farther(one.peak, value)

    def release(self, unit: str) -> None:
        """Let go of a unit's first-out; an episode of which something lasts is kept."""
        episode = self.latched.get(unit)
        if episode is not None and not any(one.episode is episode for one in self.active.values()):
            del self.latched[unit]

    def swapped(self, unit: str) -> None:
        """Let go of a unit's first-out: another one sits there."""
        self.latched.pop(unit, None)

    def all(self) -> Iterator[LiveExcursion]:
        """Yield active excursions in first-out order, then ended ones, newest first.

        A first-out whose episode is latched is among them however long ago it ended.
        """
        yield from sorted(self.active.values(), key=lambda one: one.began_ns)
        firsts = {id(one.first): one.first for one in self.latched.values() if one.first is not None}
        ended = {**{id(one): one for one in self.ended}}
        ended |= {key: one for key, one in firsts.items() if one.ended_ns is not None}
        yield from sorted(ended.values(), key=lambda one: -one.began_ns)
