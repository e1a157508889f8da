"""When each signal of a recording went on, off or unread: ``signals.step`` and ``lapse`` for whole arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rig.domain.accounting import LevelPlan
from rig.domain.model import Series, Status
from rig.domain.signals import SignalChange, SignalName, unread


def changes(
    series: Series, signal: SignalName, level: LevelPlan, stale_ns: int, until_ns: int
) -> list[SignalChange]:
    """Return the changes of one signal in one session, in the order in which they were seen.

    series: readings of that session alone, in recorded order; until_ns: its last record.
    """
    good = (series.status == Status.GOOD) & np.isfinite(series.value)
    value = series.value[good]
    if not len(value):
        return []
    early = (series.t_ns - series.h_ns)[good]
    late = np.maximum.accumulate((series.t_ns + series.h_ns)[good])
    lapsed = np.concatenate([[False], np.diff(late) > stale_ns])
    on = _shown(value, level, lapsed)
    turned = np.flatnonzero(np.concatenate([[True], (on[1:] != on[:-1]) | lapsed[1:]]))
    found: list[SignalChange] = []
    for at in turned.tolist():
        before = at - 1
        if at and lapsed[at]:
            found.append(unread(signal, int(late[before]), stale_ns))
        since_ns = int(early[before]) if at else int(early[at])
        found.append(
            SignalChange(
                signal=signal,
                on=bool(on[at]),
                earliest_ns=min(since_ns, int(late[at])),
                latest_ns=int(late[at]),
                at_ns=int(late[at]),
            )
        )
    if until_ns - int(late[-1]) > stale_ns:
        found.append(unread(signal, int(late[-1]), stale_ns))
    return found


def _shown(value: NDArray[np.float64], level: LevelPlan, fresh: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which good readings show the signal on; ``fresh``: nothing was known before."""
    decided = np.where(value > level.on_above, 1, np.where(value < level.off_below, -1, 0)).astype(np.int8)
    nearer = np.where(value > (level.on_above + level.off_below) / 2, 1, -1).astype(np.int8)
    begins = fresh.copy()
    begins[0] = True
    decided = np.where(begins & (decided == 0), nearer, decided)
    at = np.maximum.accumulate(np.where(decided != 0, np.arange(len(decided)), 0))
    return np.asarray(decided[at] > 0)
