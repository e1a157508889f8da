"""Stretches out of any level, by the rule of limits: what counts, and when it began, ended, went farthest."""

from __future__ import annotations

import numpy as np

from rig.domain.limit_arrays import Excursion, WalkRows, always, excursions
from rig.domain.model import Limit
from rig.forensics.channel_readings import Bools, ChannelReadings, Floats


def stretches(value: Floats, usable: Bools, limit: Limit) -> list[Excursion]:
    """Return all stretches out of one limit without on-delay, oldest first; readings of one session."""
    count = len(value)
    rows = WalkRows(np.arange(count, dtype=np.int64), value, usable, np.zeros(count, np.int32))
    return excursions("", rows, always(limit))


def rows_of(found: ChannelReadings, *, size: bool = False) -> WalkRows:
    """Return readings as rows of a walk; size: of the values' sizes, whatever their signs."""
    return WalkRows(found.t_ns, np.abs(found.value) if size else found.value, found.usable, found.session)
