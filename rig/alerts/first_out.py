"""First-out of a unit while it happens: which channel left its limits first, where that is certain.

Of each excursion the guaranteed bracket of the post-mortem is taken, from the readings that the alerts
process has followed. A first-out is stated only if its bracket ends before every other begins. Where
brackets overlap, the channels are named together, without an order; where a bracket is not known, nothing is
stated. So no order leaves here that the post-mortem, with all readings before it, would refuse.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.alerts.facts import FirstOut
from rig.domain.limit_history import KEY, judged_by
from rig.domain.model import Channel, ChannelKind, Event, EventKind, Layout, Limit, Series, Side, Status
from rig.domain.uncertainty import MeasurementModel, ReadingBounds
from rig.forensics.channel_readings import ChannelReadings, readings
from rig.forensics.guaranteed_bracket import guaranteed_bracket
from rig.forensics.local import around

FOLLOWED: Final = 1024
"""Exchanges of a block that are remembered: 100 s of polls at 10 a second (common practice, no source)."""
FEWEST_BEFORE: Final = 12
"""Readings before a crossing from which its noise can be told; the post-mortem takes the same."""
STAMP_NS: Final = 1000
"""How far the two stamps of one reading may be apart by rounding."""
_LIMITS_CHANGED: Final = frozenset({EventKind.PHASE, EventKind.CONFIG_CHANGE})


@dataclass(slots=True, kw_only=True)
class _Out:
    """One excursion of the present incident of a group. bracket: UTC ns, None while it is not known."""

    channel: Channel
    limit: Limit
    session: int
    began_ns: int
    bracket: tuple[int, int] | None = None
    ended: bool = False


_Exchange = tuple[int, int, tuple[float, ...], bytes]


class ExcursionTimes:
    """Excursions of a run's units and stimuli with their brackets, as far as readings were followed."""

    def __init__(self, layout: Layout | None) -> None:
        self._frozen = layout
        self._layout = layout
        self._session = 0
        self._followed: dict[tuple[str, ...], deque[_Exchange]] = {}
        self._out: dict[tuple[str, str], _Out] = {}

    def follow(
        self, session: int, span: tuple[int, int], channels: tuple[str, ...], values: tuple[float, ...],
        statuses: bytes,
    ) -> None:  # fmt: skip
        """Take in the readings of one exchange. span: UTC ns of its middle, and its half-width."""
        if session != self._session:
            self._session = session
            self._followed.clear()  # the time lines of two sessions need not agree
        ring = self._followed.setdefault(channels, deque(maxlen=FOLLOWED))
        ring.append((*span, values, statuses))

    def take(self, event: Event, began_ns: int | None) -> None:
        """Take in an event. began_ns: UTC of an excursion's first reading outside."""
        if self._frozen is None:
            return
        if event.begins_recording:
            self._layout = self._frozen
        elif event.kind in _LIMITS_CHANGED and KEY in event.data:
            self._layout = judged_by(self._frozen, event)
        side = str(event.data.get("side", ""))
        key = (event.subject, side)
        if event.kind is EventKind.LIMIT_OUT and (key not in self._out or self._out[key].ended):
            self._went_out(event, side, began_ns)
        elif event.kind is EventKind.LIMIT_IN and key in self._out:
            self._out[key].ended = True
            self._forget(self._out[key].channel.unit)

    def first_out(self, unit: str) -> FirstOut | None:
        """Return what left its limits first, of a unit and of what all units are fed with."""
        found = [one for one in self._out.values() if _concerns(one.channel, unit)]
        if not found or self._pending(unit):
            return None
        for one in found:
            one.bracket = one.bracket or self._bracket(one)
        brackets = [one.bracket for one in found if one.bracket is not None]
        if len(brackets) < len(found):
            return None
        earliest_end = min(latest for _, latest in brackets)
        first = [one for one, (begin, _) in zip(found, brackets, strict=True) if begin <= earliest_end]
        first.sort(key=lambda one: one.began_ns)
        spans = [one.bracket for one in first if one.bracket is not None]
        within_ns = max(end for _, end in spans) - min(begin for begin, _ in spans)
        return FirstOut(
            channels=tuple(dict.fromkeys(one.channel.name for one in first)),
            t_ns=first[0].began_ns,
            within_s=within_ns / 1e9 if len(first) > 1 else 0.0,
        )

    # ---- excursions

    def _went_out(self, event: Event, side: str, began_ns: int | None) -> None:
        channel = self._layout.channels.get(event.subject) if self._layout is not None else None
        value = event.data.get("limit")
        if channel is None or side not in set(Side) or not isinstance(value, int | float):
            return
        deadband = next((one.deadband for one in channel.limits if one.side == side), 0.0)
        one = _Out(
            channel=channel, limit=Limit(side=Side(side), value=float(value), deadband=deadband),
            session=event.session, began_ns=event.t_ns if began_ns is None else began_ns,
        )  # fmt: skip
        one.bracket = self._bracket(one)
        self._out[event.subject, side] = one

    def _forget(self, unit: str | None) -> None:
        """Forget a group's excursions once all of them are back inside: the next is a new incident."""
        group = {key: one for key, one in self._out.items() if one.channel.unit == unit}
        if all(one.ended for one in group.values()):
            self._out = {key: one for key, one in self._out.items() if key not in group}

    def _pending(self, unit: str) -> bool:
        """Whether a channel is out that does not count yet: it may have left before those that do."""
        channels = self._layout.channels.values() if self._layout is not None else ()
        for channel in channels:
            if not channel.limits or not _concerns(channel, unit):
                continue
            out = {side for name, side in self._out if name == channel.name}
            newest = self._newest(channel.name)
            if newest is None:
                continue
            if any(limit.is_out(newest) and limit.side not in out for limit in channel.limits):
                return True
        return False

    # ---- readings

    def _newest(self, name: str) -> float | None:
        for channels, ring in self._followed.items():
            if name in channels:
                at = channels.index(name)
                good = (values[at] for _, _, values, codes in reversed(ring) if codes[at] == Status.GOOD)
                return next(good, None)
        return None

    def _readings(self, channel: Channel) -> ChannelReadings | None:
        for channels, ring in self._followed.items():
            if channel.name in channels:
                at, count = channels.index(channel.name), len(ring)
                series = Series(
                    channel=channel.name,
                    t_ns=np.fromiter((one[0] for one in ring), np.int64, count),
                    h_ns=np.fromiter((one[1] for one in ring), np.int64, count),
                    value=np.fromiter((one[2][at] for one in ring), np.float64, count),
                    status=np.fromiter((one[3][at] for one in ring), np.uint8, count),
                    session=np.full(count, self._session, np.int32),
                )
                return readings(channel, series)
        return None

    def _bracket(self, one: _Out) -> tuple[int, int] | None:
        """Return between which moments (UTC ns) a channel left its limit beyond doubt, None if not known."""
        found = self._readings(one.channel) if one.session == self._session else None
        bounds = _bounds(one.channel, self._layout.channels if self._layout else {}, one.limit.value)
        if found is None or bounds is None or not np.isfinite(bounds.margin):
            return None
        usable = np.flatnonzero(found.usable)
        at = _place(found, usable, one.began_ns)
        if at is None or at < FEWEST_BEFORE:
            return None
        outside, inside = int(usable[at]), int(usable[at - 1])
        if one.limit.is_out(float(found.value[inside])):
            return None  # out before it began: its limit was moved
        local = around(found, one.limit, inside, outside, bounds)
        shown = guaranteed_bracket(local)
        if not shown.sure or shown.earliest_s <= float(local.t[0] - local.h[0]):
            return None
        return (
            local.base_ns + round(shown.earliest_s * 1e9),
            local.base_ns + round(shown.latest_s * 1e9),
        )


def _concerns(channel: Channel, unit: str) -> bool:
    """Whether a channel is one of the unit's, or of what all units are fed with."""
    return channel.unit == unit or (channel.unit is None and channel.kind is ChannelKind.STIMULUS)


def _bounds(channel: Channel, channels: Mapping[str, Channel], value: float) -> ReadingBounds | None:
    """Return what bounds a channel's readings at its limit; None where other channels' readings decide."""
    model = MeasurementModel(channel, channels)
    if not (model.needs_values or model.needs_rates):
        return model.bounds()
    return model.bounds({channel.name: value}) if channel.formula is None else None


def _place(found: ChannelReadings, usable: NDArray[np.intp], t_ns: int) -> int | None:
    """Return which of the usable readings is the one stamped ``t_ns``, None if it is not among them."""
    if not len(usable):
        return None
    off = np.abs(found.t_ns[usable] - t_ns)
    at = int(np.argmin(off))
    return at if int(off[at]) <= max(int(found.h_ns[usable[at]]), STAMP_NS) else None
