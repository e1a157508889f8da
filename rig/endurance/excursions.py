"""The excursions of a channel by the limits in force then, as ``core.limit_arrays`` finds them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from rig.domain import limit_arrays
from rig.domain.channel_digest import usable
from rig.domain.limit_arrays import Excursion, WalkRows
from rig.domain.limit_history import LimitSpan, courses
from rig.domain.model import Series


def excursions(series: Series, spans: Sequence[LimitSpan]) -> list[Excursion]:
    """Return the excursions of a channel that count, oldest first; spans: its limits over time."""
    rows = WalkRows(series.t_ns, series.value, usable(series), series.session)
    found = [
        one for course in courses(spans) for one in limit_arrays.excursions(series.channel, rows, course)
    ]
    return sorted(found, key=lambda one: one.start_ns)


def on_the_time_line(one: Excursion, series: Series, shifts: Mapping[int, int]) -> Excursion:
    """Return an excursion moved as its readings are moved (see ``coverage.time_line``)."""
    first, last = (shifts.get(int(series.session[at]), 0) for at in (one.first_outside, one.last_outside))
    worst = shifts.get(int(series.session[one.worst_at]), 0)
    back = shifts.get(int(series.session[one.returned]), 0) if one.returned >= 0 else last
    if not (first or last or worst or back):
        return one
    return replace(
        one,
        start_ns=one.start_ns + first,
        last_ns=one.last_ns + last,
        worst_ns=one.worst_ns + worst,
        end_ns=None if one.end_ns is None else one.end_ns + back,
    )
