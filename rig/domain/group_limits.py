"""Limits that the phases of all groups put in force together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rig.domain.model import Layout, Limit
from rig.domain.program import looser
from rig.domain.source_groups import SourceGroup, concerns

Limits = Mapping[str, tuple[Limit, ...]]


def of_all(
    layout: Layout, groups: Sequence[tuple[SourceGroup, Limits]], own: Limits
) -> dict[str, tuple[Limit, ...]]:
    """Return the limits that replace the rig file's, by channel.

    groups: with the limits of the phase that each is in. own: the rig file's. Those of a channel hold for the
    groups that it concerns; where that is more than one, what either allows is allowed.
    """
    if len(groups) == 1:
        return dict(groups[0][1])
    found: dict[str, tuple[Limit, ...]] = {}
    for channel in dict.fromkeys(name for _, limits in groups for name in limits):
        mine = [limits for group, limits in groups if concerns(layout, group.units, channel)]
        if any(channel in limits for limits in mine):
            found[channel] = looser([limits.get(channel, own.get(channel, ())) for limits in mine])
    return found
