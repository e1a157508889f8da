"""Episodes: groups of excursions that belong together, and the one that is the failure.

Excursions that overlap, or follow each other closely, form one episode. The final episode is the
last one from which a channel never came back; where all came back, the one with most channels out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rig.domain.model import Side
from rig.forensics.answer import CrossingExcursion

CLOSE_SPAN_SHARE = 0.02
CLOSE_MOST_S = 600.0
CLOSE_POLLS = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """Excursions that belong together, by their beginning. ``end_ns`` is None while something is out."""

    start_ns: int
    end_ns: int | None
    excursions: tuple[CrossingExcursion, ...]

    @property
    def channels(self) -> frozenset[str]:
        """Return the names of the channels that went out."""
        return frozenset(excursion.channel for excursion in self.excursions)


def closeness_s(span_ns: tuple[int, int], slowest_period_s: float) -> float:
    """Return how many seconds may lie between excursions of one episode (common practice, no source)."""
    span_s = (span_ns[1] - span_ns[0]) / 1e9
    return min(CLOSE_MOST_S, max(CLOSE_POLLS * slowest_period_s, CLOSE_SPAN_SHARE * span_s))


def unbroken(excursions: Sequence[CrossingExcursion]) -> list[CrossingExcursion]:
    """Return each row of excursions that noise has torn apart as one that lasts from its first to its last.

    This is to be reasoned with, not counted: ``pieces`` says how many excursions each stands for.
    """
    made: list[CrossingExcursion] = []
    for one in excursions:
        if one.part == 1:
            made.append(one)
            continue
        first = made[-1]
        gain = one.worst.value - first.worst.value
        worst = one.worst if (gain > 0 if one.side is Side.HIGH else gain < 0) else first.worst
        made[-1] = replace(first, last_outside=one.last_outside, returned=one.returned, worst=worst)
    return made


def episodes(excursions: Sequence[CrossingExcursion], close_s: float) -> list[Episode]:
    """Return the episodes that these excursions form, oldest first."""
    counted = sorted(excursions, key=lambda e: (_begin(e), e.channel))
    groups: list[list[CrossingExcursion]] = []
    reach: float = 0.0
    for excursion in counted:
        if groups and _begin(excursion) <= reach + close_s * 1e9:
            groups[-1].append(excursion)
            reach = max(reach, _end(excursion))
        else:
            groups.append([excursion])
            reach = _end(excursion)
    return [_episode(group) for group in groups]


def joined(found: Sequence[Episode], spans_ns: Sequence[tuple[int, int]]) -> list[Episode]:
    """Return the episodes with those joined that lie within one span."""
    made: list[Episode] = []
    for episode in found:
        within = next((s for s in spans_ns if s[0] <= episode.start_ns <= s[1]), None)
        before = made[-1] if made else None
        if within is not None and before is not None and before.start_ns >= within[0]:
            made[-1] = _episode((*before.excursions, *episode.excursions))
        else:
            made.append(episode)
    return made


def final(found: Sequence[Episode]) -> Episode | None:
    """Return the episode that is the failure; None when there is none."""
    lasting = [episode for episode in found if episode.end_ns is None]
    if lasting:
        return lasting[-1]
    return max(found, key=lambda e: (len(e.channels), e.start_ns), default=None)


def first_of_each(episode: Episode) -> dict[str, CrossingExcursion]:
    """Return the first excursion of each channel in an episode."""
    firsts: dict[str, CrossingExcursion] = {}
    for excursion in episode.excursions:
        firsts.setdefault(excursion.channel, excursion)
    return firsts


def _episode(group: Sequence[CrossingExcursion]) -> Episode:
    ends = [e.returned.t_ns if e.returned else None for e in group]
    returned = [end for end in ends if end is not None]
    return Episode(
        start_ns=min(_begin(e) for e in group),
        end_ns=max(returned) if len(returned) == len(ends) else None,
        excursions=tuple(group),
    )


def _begin(excursion: CrossingExcursion) -> int:
    return excursion.first_outside.t_ns


def _end(excursion: CrossingExcursion) -> float:
    return excursion.returned.t_ns if excursion.returned else float("inf")
