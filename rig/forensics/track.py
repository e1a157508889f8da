"""One channel of a recording of any length: digests of its pieces, readings loaded only where needed.

Positions count all readings of the channel in recorded order. A short channel (``SHORT`` readings at most)
is read completely where its past is needed; for a longer one bins are used. Either way the result depends on
the readings alone, never on how the recording is cut into pieces.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from rig.domain.channel_digest import SECOND_NS, WIDTHS_S, Bins, ChannelDigest, Piece, merged, whole
from rig.domain.limit_arrays import BoundInForce, Excursion, ExcursionWalk, always
from rig.domain.model import Channel, Limit, Series
from rig.domain.uncertainty import MeasurementModel, ReadingBounds
from rig.forensics.channel_readings import ChannelReadings, Floats, period_s, readings
from rig.forensics.grids import GRID, grid, kept_width, width_for
from rig.forensics.inputs import bounds_near
from rig.forensics.walk import rows_of

SHORT = 100_000
"""Readings up to which a channel is read completely."""
EVER = (-(2**63), 2**63 - 1)
"""All stamps there can be."""
KEPT = 2_000_000
"""Readings kept in memory beyond the moment they are used, over all channels."""


@dataclass(slots=True)
class Shelf:
    """Cache of recently read pieces, by channel and piece."""

    kept: OrderedDict[tuple[str, int], ChannelReadings] = field(default_factory=OrderedDict)
    size: int = 0

    def get(self, key: tuple[str, int], piece: Piece, channel: Channel) -> ChannelReadings:
        """Return the readings of a piece."""
        if key in self.kept:
            self.kept.move_to_end(key)
            return self.kept[key]
        found = readings(channel, piece.series())
        self.size += len(found)
        while self.kept and self.size > KEPT:
            self.size -= len(self.kept.popitem(last=False)[1])
        self.kept[key] = found
        return found


class ChannelTrack:
    """All readings of one channel of a recording. ``digests``: of its pieces, in recorded order.

    model: of its measurement; inputs: the tracks of the measured channels that a derived one is made from.
    """

    def __init__(
        self,
        channel: Channel,
        pieces: Sequence[Piece],
        shelf: Shelf | None = None,
        *,
        model: MeasurementModel | None = None,
        inputs: Mapping[str, ChannelTrack] | None = None,
    ) -> None:
        self.channel = channel
        self.model = model if model is not None else MeasurementModel(channel, {})
        self.inputs = inputs if inputs is not None else {}
        self._pieces = tuple(pieces)
        self.digests = tuple(piece.digest for piece in pieces)
        self._shelf = shelf if shelf is not None else Shelf()
        self._starts = [0, *accumulate(piece.digest.rows for piece in pieces)]
        self._bins: dict[tuple[int, int, int], Bins] = {}
        self._period_s: float | None = None
        self.usable = sum(piece.digest.usable for piece in pieces)

    @staticmethod
    def of(channel: Channel, series: Series, shelf: Shelf | None = None) -> ChannelTrack:
        """Return the track of readings at hand."""
        return ChannelTrack(channel, [whole(series)] if len(series) else [], shelf)

    @staticmethod
    def at_hand(found: ChannelReadings) -> ChannelTrack:
        """Return the track of readings that are marked already."""
        return ChannelTrack.of(found.channel, Series(
            channel=found.channel.name, t_ns=found.t_ns, h_ns=found.h_ns, value=found.value,
            status=found.status, session=found.session,
        ))  # fmt: skip

    def __len__(self) -> int:
        return self._starts[-1]

    @property
    def end_ns(self) -> int:
        """The greatest stamp."""
        return max(one.end_ns for one in self.digests)

    @property
    def is_short(self) -> bool:
        """Whether the past of this channel is taken from its readings, not from bins."""
        return len(self) <= SHORT

    def bounds(self, position: int, value: float | None = None) -> ReadingBounds:
        """Return what bounds the readings near a position; ``value``: see ``bounds_near``."""
        return bounds_near(self, min(max(position, 0), len(self) - 1), value)

    # ---- readings

    def start_of(self, k: int) -> int:
        """Return the position of the first reading of piece ``k``."""
        return self._starts[k]

    def piece(self, k: int) -> ChannelReadings:
        """Return the readings of piece ``k``."""
        return self._shelf.get((self.channel.name, k), self._pieces[k], self.channel)

    def where(self, position: int) -> int:
        """Return the number of the piece that holds a position."""
        return min(bisect_right(self._starts, position) - 1, len(self._pieces) - 1)

    def cut(self, begin: int, end: int) -> ChannelReadings:
        """Return the readings at positions ``begin`` to ``end`` (excluded)."""
        begin, end = max(begin, 0), min(end, len(self))
        if begin >= end:
            return _joined(self.channel, [])
        parts = []
        for k in range(self.where(begin), self.where(end - 1) + 1):
            offset = self._starts[k]
            parts.append(_part(self.piece(k), slice(max(begin - offset, 0), end - offset)))
        return _joined(self.channel, parts)

    def whole_pieces(self, span: slice) -> list[ChannelDigest]:
        """Return the digests of the pieces that lie in a span of positions from end to end."""
        first, end = bisect_left(self._starts, span.start), bisect_right(self._starts, span.stop) - 1
        return list(self.digests[first:end])

    def at(self, position: int) -> ChannelReadings:
        """Return one reading."""
        k = self.where(position)
        offset = self._starts[k]
        return _part(self.piece(k), slice(position - offset, position - offset + 1))

    def near(self, position: int, count: int, within: slice) -> tuple[ChannelReadings, int]:
        """Return readings around a position, and the position of the first of them.

        At least ``count`` usable ones before it and from it on, as far as ``within`` goes.
        """
        begin = self._reach(position, within.start, count, -1)
        end = self._reach(position, within.stop, count, 1)
        found = self.cut(begin, end)
        good = np.flatnonzero(found.usable)
        middle = int(np.searchsorted(good, position - begin))
        first = int(good[middle - count]) if middle > count else 0
        last = int(good[middle + count - 1]) + 1 if middle + count < len(good) else len(found)
        return _part(found, slice(first, last)), begin + first

    def _reach(self, position: int, bound: int, count: int, way: int) -> int:
        """Return how far to go one way, in whole pieces or to the bound, for so many usable readings."""
        k = self.where(position)
        if way < 0:
            edge = max(bound, self._starts[k])
            have = self._usable_in(edge, position)
            while edge > bound and have < count:
                k -= 1
                edge = max(bound, self._starts[k])
                have += self._usable_in(edge, min(self._starts[k + 1], position))
            return edge
        edge = min(bound, self._starts[k + 1])
        have = self._usable_in(position, edge)
        while edge < bound and have < count:
            k += 1
            begin, edge = edge, min(bound, self._starts[k + 1])
            have += self._usable_in(begin, edge)
        return edge

    def _usable_in(self, begin: int, end: int) -> int:
        """Return how many usable readings lie between two positions of one piece."""
        if begin >= end:
            return 0
        k = self.where(begin)
        if begin == self._starts[k] and end == self._starts[k + 1]:
            return self._pieces[k].digest.usable
        offset = self._starts[k]
        return int(np.count_nonzero(self.piece(k).usable[begin - offset : end - offset]))

    def count(self, begin: int, end: int) -> int:
        """Return how many readings between two positions are usable."""
        total, at = 0, max(begin, 0)
        while at < end:
            edge = min(end, self._starts[self.where(at) + 1])
            total += self._usable_in(at, edge)
            at = edge
        return total

    def usable_before(self, position: int, count: int) -> Floats:
        """Return the values of the last ``count`` usable readings before a position (or as many as are)."""
        position = min(position, len(self))
        if position <= 0:
            return np.empty(0)
        begin = self._reach(position - 1, 0, count, -1)
        found = self.cut(begin, position)
        return found.value[found.usable][-count:]

    def usable_from(self, position: int, count: int) -> Floats:
        """Return the values of the first ``count`` usable readings from a position on."""
        if position >= len(self):
            return np.empty(0)
        found = self.cut(position, self._reach(position, len(self), count, 1))
        return found.value[found.usable][:count]

    # ---- time

    def place(self, t_ns: int) -> int:
        """Return the position of the first reading stamped at a moment or later (all of them: the length)."""
        k = next((k for k, one in enumerate(self.digests) if one.end_ns >= t_ns), None)
        if k is None:
            return len(self)
        if self._pieces[k].digest.start_ns >= t_ns:
            return self._starts[k]
        return self._starts[k] + int(np.argmax(self.piece(k).t_ns >= t_ns))

    def between(self, start_ns: int, end_ns: int) -> ChannelReadings:
        """Return the readings stamped from ``start_ns`` to ``end_ns`` (excluded), in recorded order."""
        parts = []
        for k, one in enumerate(self.digests):
            if one.start_ns >= end_ns or one.end_ns < start_ns:
                continue
            found = self.piece(k)
            if one.start_ns >= start_ns and one.end_ns < end_ns:
                parts.append(found)
            else:
                parts.append(_part(found, (found.t_ns >= start_ns) & (found.t_ns < end_ns)))
        return _joined(self.channel, parts)

    def period_s(self) -> float:
        """Return the usual time between readings in seconds; 0 when unknown."""
        if self._period_s is None:
            self._period_s = self._usual_step_s()
        return self._period_s

    def _usual_step_s(self) -> float:
        if self.is_short:
            return period_s(self.cut(0, len(self)).t_ns)
        found = self.bins(self._usual_width())
        return found.width_s / max(float(np.median(found.rows)), 1.0)

    def _usual_width(self) -> int:
        digests = self.digests
        length = max(one.end_ns for one in digests) - min(one.start_ns for one in digests)
        return width_for(length) or WIDTHS_S[0]

    # ---- the past

    def bins(self, width_s: int, start_ns: int = EVER[0], end_ns: int = EVER[1]) -> Bins:
        """Return the readings in bins: all stamped from ``start_ns`` to ``end_ns``, and some more."""
        inside = [
            one for one in self._pieces if one.digest.start_ns < end_ns and one.digest.end_ns >= start_ns
        ]
        key = (width_s, inside[0].digest.start_ns if inside else 0, len(inside))
        if key not in self._bins:
            self._bins[key] = merged([piece.bins(width_s) for piece in inside], width_s)
        return self._bins[key]

    def means(self, start_ns: int, width_ns: int, count: int) -> tuple[Floats, int]:
        """Return the means of usable readings in ``count`` bins of a grid, and how many readings they are.

        A bin that has none is NaN. A grid made by ``grid`` of wide bins uses the recording's own bins.
        """
        width_s = kept_width(start_ns, width_ns)
        if width_s is None:
            found = self.between(start_ns, start_ns + width_ns * count)
            place = ((found.t_ns - start_ns) // width_ns)[found.usable]
            number = np.ones(len(place), np.int64)
            total = found.value[found.usable]
        else:
            kept = self.bins(width_s, start_ns, start_ns + width_ns * count)
            cut = slice(
                *np.searchsorted(kept.number * (width_s * SECOND_NS), [start_ns, start_ns + width_ns * count])
            )
            some = kept.usable[cut] > 0
            place = ((kept.number[cut] * (width_s * SECOND_NS) - start_ns) // width_ns)[some]
            number = kept.usable[cut][some]
            total = kept.mean[cut][some] * number
        summed = np.bincount(place, weights=total, minlength=count)
        counted = np.bincount(place, weights=number, minlength=count)
        with np.errstate(invalid="ignore"):
            means = np.where(counted > 0, summed / np.maximum(counted, 1), np.nan)
        return means, int(counted.sum())

    def usable_between(self, start_ns: int, until_ns: int) -> int:
        """Return how many usable readings lie in a stretch of time; of a long one, in nearly all of it."""
        wide = grid(start_ns, until_ns, GRID)
        if kept_width(*wide[:2]) is None:
            return int(np.count_nonzero(self.between(start_ns, until_ns).usable))
        return self.means(*wide)[1]

    def range_before(self, t_ns: int) -> tuple[float, float, int]:
        """Return the range of nearly all usable readings before a moment (half a percent off at either end).

        And how many they are; of a long channel it is the range of nearly all bins.
        """
        if self.is_short:
            found = self.between(EVER[0], t_ns)
            value = found.value[found.usable]
            if not len(value):
                return np.nan, np.nan, 0
            low, high = np.quantile(value, [0.005, 0.995])
            return float(low), float(high), len(value)
        kept = self.bins(self._usual_width())
        early = kept.usable > 0
        early &= (kept.number + 1) * (kept.width_s * SECOND_NS) <= t_ns
        if not early.any():
            return np.nan, np.nan, 0
        low, high = np.quantile(kept.low[early], 0.005), np.quantile(kept.high[early], 0.995)
        return float(low), float(high), int(kept.usable[early].sum())

    # ---- limits

    def stretches(self, limit: Limit, begin: int = 0, *, size: bool = False) -> list[Excursion]:
        """Return all stretches out of one limit from a position on, oldest first.

        size: the values' sizes are walked, whatever their signs.
        """
        return self.excursions(always(limit), begin, size=size)

    def excursions(
        self, forces: Sequence[BoundInForce], begin: int = 0, *, size: bool = False
    ) -> list[Excursion]:
        """Return the excursions by what was in force on one side, from a position on, oldest first.

        size: the values' sizes are walked, whatever their signs.
        """
        walk = ExcursionWalk(self.channel.name, forces, lambda k: rows_of(self.piece(k), size=size))
        for k, piece in enumerate(self._pieces):
            offset = self._starts[k]
            if self._starts[k + 1] <= begin:
                continue
            digest = _sizes(piece.digest) if size else piece.digest
            if offset >= begin and walk.passes(digest):
                walk.skip(digest, k, offset)
                continue
            cut = _part(self.piece(k), slice(max(begin - offset, 0), None))
            walk.through(rows_of(cut, size=size), k, max(begin, offset))
        return walk.end()

    # ---- statuses, last changes

    def statuses(self) -> NDArray[np.uint8]:
        """Return the status of every reading."""
        status = np.zeros(len(self), np.uint8)
        for k, one in enumerate(self.digests):
            if one.usable < one.rows:
                status[self._starts[k] : self._starts[k + 1]] = self.piece(k).status
        return status

    def last_usable(self) -> int:
        """Return the position of the last usable reading; -1: there is none."""
        for k, one in reversed(tuple(enumerate(self.digests))):
            if one.usable:
                return self._starts[k] + one.last
        return -1

    def last_heard(self) -> tuple[int, int]:
        """Return position and stamp of the last reading that was a complete reply; (-1, 0): there is none."""
        for k, one in reversed(tuple(enumerate(self.digests))):
            if one.heard >= 0:
                return self._starts[k] + one.heard, one.heard_ns
        return -1, 0

    def last_change(self) -> int:
        """Return where the last usable reading is that differs from the usable one before it; -1: nowhere."""
        later: tuple[int, float] | None = None
        for k, one in reversed(tuple(enumerate(self.digests))):
            if not one.usable:
                continue
            if later is not None and later[1] != one.last_value:
                return later[0]
            if one.moved >= 0:
                return self._starts[k] + one.moved
            later = (self._starts[k] + one.first, one.first_value)
        return -1

    def widest_step(self) -> tuple[float, int]:
        """Return the greatest distance of neighbouring usable readings, and the later one's position."""
        step, at = -1.0, -1
        before: float | None = None
        for k, one in enumerate(self.digests):
            if not one.usable:
                continue
            if before is not None and abs(one.first_value - before) > step:
                step, at = abs(one.first_value - before), self._starts[k] + one.first
            if one.step_at >= 0 and one.step > step:
                step, at = one.step, self._starts[k] + one.step_at
            before = one.last_value
        return step, at


def _sizes(digest: ChannelDigest) -> ChannelDigest:
    """Return the digest of the values' sizes."""
    least = 0.0 if digest.low < 0 < digest.high else min(abs(digest.low), abs(digest.high))
    return digest._replace(low=least, high=max(abs(digest.low), abs(digest.high)))


def _part(found: ChannelReadings, cut: slice | np.ndarray[tuple[int], np.dtype[np.bool_]]) -> ChannelReadings:
    return ChannelReadings(
        channel=found.channel, t_ns=found.t_ns[cut], h_ns=found.h_ns[cut], value=found.value[cut],
        status=found.status[cut], usable=found.usable[cut], session=found.session[cut],
    )  # fmt: skip


def _joined(channel: Channel, parts: Sequence[ChannelReadings]) -> ChannelReadings:
    if len(parts) == 1:
        return parts[0]
    if not parts:
        none = np.empty(0, np.int64)
        return ChannelReadings(
            channel=channel, t_ns=none, h_ns=none, value=np.empty(0), status=np.empty(0, np.uint8),
            usable=np.empty(0, np.bool_), session=np.empty(0, np.int32),
        )  # fmt: skip
    return ChannelReadings(channel=channel, **{
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in ("t_ns", "h_ns", "value", "status", "usable", "session")
    })  # fmt: skip
