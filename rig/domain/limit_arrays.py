"""Excursions found in arrays of readings: the meaning of ``limits.step`` over a whole channel at once.

``step`` is the definition. What it says reading by reading this says for arrays, piece by piece, and a piece
in which nothing can have happened is passed by without its readings. Two things stand beside ``step``:

* Each session of the logger begins with nothing known: a running on-delay starts anew with its first
  reading. An excursion that has counted goes on until a reading is seen well inside.
* A bound that is not in force any more ends its excursion at that moment, if the session that read the
  channel saw to it, or another reads it later. One that is moved is what the next reading is judged by, and
  a running on-delay goes on.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.domain.channel_digest import ChannelDigest
from rig.domain.limits import Bound, Zone, bounds_of
from rig.domain.model import Limit, Side, Status

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
NOBODY = -1
"""A position of no reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundInForce:
    """One bound and since when (UTC ns, None: always) it is in force; bound None: nothing is limited.

    session: the one that put it in force, None where that does not matter.
    """

    start_ns: int | None
    bound: Bound | None
    session: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Excursion:
    """One stay beyond a bound. Positions count all readings of the channel; -1: there is none.

    start_ns: first reading out; counted_ns: the reading at which the on-delay had run, None where it never
    had; last_ns: last reading out; end_ns: first reading back, or the moment at which the bound ceased to be
    in force, None where neither was seen. worst, worst_ns: the reading farthest out. limit: the bound in
    force at the beginning. last_inside: the last good reading before the beginning, -1 where there is none;
    moved: that reading lay beyond too, and only the bound was moved past it or came into force.
    """

    channel: str
    side: Side
    limit: float
    start_ns: int
    counted_ns: int | None
    last_ns: int
    end_ns: int | None
    worst: float
    worst_ns: int
    last_inside: int
    first_outside: int
    counted: int
    last_outside: int
    returned: int
    worst_at: int
    moved: bool = False


class WalkRows(NamedTuple):
    """Readings in recorded order; ``usable``: status good and a finite number."""

    t_ns: Ints
    value: Floats
    usable: Bools
    session: NDArray[np.int32]


def always(limit: Limit) -> tuple[BoundInForce, ...]:
    """Return a limit that was in force all the time."""
    return (BoundInForce(start_ns=None, bound=bounds_of(limit)[0]),)


def bound_at(forces: Sequence[BoundInForce], t_ns: int) -> Bound | None:
    """Return the bound that was in force at a moment."""
    starts = [one.start_ns for one in forces[1:] if one.start_ns is not None]
    return forces[bisect_right(starts, t_ns)].bound


def excursions(
    channel: str, rows: WalkRows, forces: Sequence[BoundInForce], *, passed: bool = False
) -> list[Excursion]:
    """Return the excursions of readings at hand, oldest first; ``passed``: those too that did not count."""
    walk = ExcursionWalk(channel, forces, lambda _k: rows, passed=passed)
    walk.through(rows, 0, 0)
    return walk.end()


@dataclass(slots=True)
class _Open:
    """The excursion that goes on. worst_piece, last_piece: where to look for it (-1: it is known)."""

    force: int
    last_inside: int
    first: int
    start_ns: int
    worst: float
    moved: bool
    worst_at: int
    worst_ns: int
    last: int
    last_ns: int
    counted: int = NOBODY
    counted_ns: int | None = None
    worst_piece: int = NOBODY
    last_piece: int = NOBODY


@dataclass(slots=True)
class _Before:
    """The last usable reading so far. clear: position of the last that was not outside.

    session: None where it is not known (its piece was passed by).
    """

    value: float
    force: int
    session: int | None
    clear: int
    piece: int


class _Zones(NamedTuple):
    """The usable readings of a piece. fresh: no run of readings outside goes on to this one.

    ceased: the first force without a bound between the reading before and this one, -1: there is none.
    clear: the last of these readings, up to each, that was not outside, -1: there is none.
    anew: the first of a session, as far as that is known.
    """

    where: Ints
    t_ns: Ints
    value: Floats
    force: Ints
    session: NDArray[np.int32]
    outside: Bools
    inside: Bools
    fresh: Bools
    ceased: Ints
    clear: Ints
    anew: Bools


class _Runs(NamedTuple):
    """Runs of readings outside. begin: -1 where it goes on from an earlier piece.

    counted: where the on-delay has run, -1: nowhere in this piece. end: the reading after the run.
    """

    begin: Ints
    counted: Ints
    end: Ints


class ExcursionWalk:
    """Goes from piece to piece of one channel, in recorded order, for one side of its limits.

    forces: by their beginnings, the first from ever. read: returns the rows of a piece that was passed by.
    passed: keep what did not count as well.
    """

    def __init__(
        self,
        channel: str,
        forces: Sequence[BoundInForce],
        read: Callable[[int], WalkRows],
        *,
        passed: bool = False,
    ) -> None:
        bounds = [one.bound for one in forces]
        known = next((one for one in bounds if one is not None), None)
        self._channel = channel
        self._read = read
        self._passed = passed
        self._forces = tuple(forces)
        self._bounds = bounds
        self._side = known.side if known is not None else Side.HIGH
        self._high = self._side is Side.HIGH
        self._edges = [one.start_ns for one in forces[1:] if one.start_ns is not None]
        self._starts = np.array(self._edges, np.int64)
        self._value = np.array([np.nan if one is None else one.value for one in bounds])
        self._band = np.array([0.0 if one is None else one.deadband for one in bounds])
        self._delay = np.array([0 if one is None else one.on_delay_ns for one in bounds], np.int64)
        self._bare = np.array([one is None for one in bounds])
        self._bares = np.concatenate([[0], np.cumsum(self._bare)])
        self._open: _Open | None = None
        self._before: _Before | None = None
        self._offsets: dict[int, int] = {}
        self._found: list[Excursion] = []

    # ---- passing by

    def passes(self, digest: ChannelDigest) -> bool:
        """Return whether a piece leaves all as it is, from its first reading to its last."""
        if not digest.usable:
            return True
        going, forces = self._open, self._forces_of(digest)
        far, near = (digest.high, digest.low) if self._high else (digest.low, digest.high)
        if going is None:
            return not any(self._lies_out(far, force) for force in forces)
        newest = self._last().force
        first, stop = min(newest, forces.start), max(newest + 1, forces.stop)
        if going.counted < 0 or self._bares[stop] > self._bares[first]:
            return False
        return not any(self._lies_in(near, force) for force in forces)

    def skip(self, digest: ChannelDigest, k: int, offset: int) -> None:
        """Go past piece ``k``, whose first reading has the position ``offset``."""
        if not digest.usable:
            return
        self._offsets[k] = offset
        forces, going = self._forces_of(digest), self._open
        far = digest.high if self._high else digest.low
        clear = offset + digest.last
        if going is not None:
            if self._farther(far, going.worst):
                going.worst, going.worst_piece = far, k
            if any(self._lies_out(far, force) for force in forces):
                going.last_piece = k
            clear = self._last().clear
        self._before = _Before(digest.last_value, forces.stop - 1, None, clear, k)

    # ---- going through

    def through(self, rows: WalkRows, k: int, offset: int) -> None:
        """Go through the readings of piece ``k``, the first of which has the position ``offset``."""
        self._offsets[k] = offset
        zones = self._zones(rows, offset)
        if not len(zones.where):
            return
        runs = self._runs(zones)
        leaving = np.flatnonzero(zones.inside | (zones.ceased >= 0))
        taken = (runs.begin >= 0) & ((runs.counted >= 0) | (runs.end == len(zones.where)) | self._passed)
        taken_at = np.flatnonzero(taken)
        at = 0 if self._open is None else self._carry_on(zones, runs, leaving)
        while True:
            place = int(np.searchsorted(runs.begin[taken_at], at))
            if place == len(taken_at):
                break
            run = int(taken_at[place])
            self._begin(zones, int(runs.begin[run]))
            at = self._follow(zones, runs, run, leaving)
        self._before = replace(self._as_before(zones, len(zones.where) - 1), piece=k)

    def end(self) -> list[Excursion]:
        """Return what was found, the last one open if the channel did not come back."""
        if self._open is not None:
            newest = self._last().force
            later = np.flatnonzero(self._bare[newest:])
            force = newest + int(later[0]) if len(later) else 0
            seen_to = force and self._forces[force].session in {None, self._last_session()}
            self._close(NOBODY, int(self._starts[force - 1]) if seen_to else None)
        return self._found

    def _last_session(self) -> int:
        """Return the session of the last usable reading."""
        before = self._last()
        if before.session is not None:
            return before.session
        rows = self._read(before.piece)
        return int(rows.session[rows.usable][-1])

    # ---- one piece

    def _zones(self, rows: WalkRows, offset: int) -> _Zones:
        """Return the usable readings of a piece, each with where it lies."""
        where = np.flatnonzero(rows.usable)
        t_ns, value, session = rows.t_ns[where], rows.value[where], rows.session[where]
        force = np.searchsorted(self._starts, t_ns, side="right")
        beyond = self._beyond(value, force)
        outside = beyond > 0
        before = self._before
        was = np.concatenate([force[:1] if before is None else [before.force], force[:-1]])[: len(force)]
        low, high = np.minimum(was, force), np.maximum(was, force)
        ceased = np.full(len(where), NOBODY)
        for at in np.flatnonzero(self._bares[high + 1] > self._bares[low]).tolist():
            ceased[at] = low[at] + int(np.argmax(self._bare[low[at] : high[at] + 1]))
        known = before.session if before is not None else None
        anew = np.zeros(len(where), bool)
        anew[1:] = session[1:] != session[:-1]
        anew[:1] = known is not None and session[:1] != known
        fresh = anew | (ceased >= 0)
        fresh[1:] |= ~outside[:-1]
        fresh[:1] |= self._open is None or self._open.counted >= 0
        clear = np.where(outside, NOBODY, np.arange(len(where)))
        np.maximum.accumulate(clear, out=clear)
        inside = beyond <= -self._band[force]
        return _Zones(
            where + offset, t_ns, value, force, session, outside, inside, fresh, ceased, clear, anew
        )

    def _runs(self, zones: _Zones) -> _Runs:
        """Return the runs of readings outside, with the reading at which each has lasted its on-delay."""
        out = np.flatnonzero(zones.outside)
        if not len(out):
            return _Runs(out, out, out)
        begun = np.where(zones.fresh[out], out, NOBODY)
        np.maximum.accumulate(begun, out=begun)
        carried = self._open.start_ns if self._open is not None else 0
        since = np.where(begun < 0, carried, zones.t_ns[begun])
        begin, number = np.unique(begun, return_inverse=True)
        late = np.flatnonzero(zones.t_ns[out] - since >= self._delay[zones.force[out]])
        counted = np.full(len(begin), NOBODY)
        counted[number[late[::-1]]] = out[late[::-1]]
        last = np.zeros(len(begin), np.int64)
        last[number] = out
        return _Runs(begin, counted, last + 1)

    def _carry_on(self, zones: _Zones, runs: _Runs, leaving: Ints) -> int:
        """Take the excursion that goes on as far as it goes; return where the next can begin."""
        assert self._open is not None
        if self._open.counted >= 0:
            return self._leave(zones, 0, int(leaving[0]) if len(leaving) else len(zones.where))
        if len(runs.begin) and runs.begin[0] < 0:
            return self._follow(zones, runs, 0, leaving)
        return self._pass(zones, 0, 0)

    def _begin(self, zones: _Zones, at: int) -> None:
        """Begin an excursion with a reading outside."""
        force, before = int(zones.force[at]), self._as_before(zones, at - 1) if at else self._before
        last_inside = before.clear if before is not None else NOBODY
        moved = before is not None and before.force != force
        moved = moved and before is not None and bool(self._beyond(before.value, force) > 0)
        position, t_ns = int(zones.where[at]), int(zones.t_ns[at])
        self._open = _Open(
            force=force, last_inside=last_inside, first=position, start_ns=t_ns, worst=float(zones.value[at]),
            moved=moved, worst_at=position, worst_ns=t_ns, last=position, last_ns=t_ns,
        )  # fmt: skip

    def _follow(self, zones: _Zones, runs: _Runs, run: int, leaving: Ints) -> int:
        """Follow an excursion that begins with a run, or goes on with it; return where the next can begin."""
        assert self._open is not None
        begin, counted = max(int(runs.begin[run]), 0), int(runs.counted[run])
        if counted < 0:
            return self._pass(zones, begin, int(runs.end[run]))
        self._open.counted, self._open.counted_ns = int(zones.where[counted]), int(zones.t_ns[counted])
        place = int(np.searchsorted(leaving, counted, side="right"))
        return self._leave(zones, begin, int(leaving[place]) if place < len(leaving) else len(zones.where))

    def _leave(self, zones: _Zones, begin: int, stop: int) -> int:
        """Take an excursion from one reading to another, which ends it if it is in this piece."""
        self._look(zones, begin, stop)
        if stop < len(zones.where):
            ceased = int(zones.ceased[stop])
            if ceased >= 0:
                self._close(NOBODY, int(self._starts[ceased - 1]) if ceased else int(zones.t_ns[stop]))
            else:
                self._close(int(zones.where[stop]), int(zones.t_ns[stop]))
        return stop

    def _pass(self, zones: _Zones, begin: int, stop: int) -> int:
        """Take an excursion that has not counted to the end of its run; another session begins anew."""
        if stop < len(zones.where) and zones.anew[stop] and zones.ceased[stop] < 0:
            self._look(zones, begin, stop)
            self._close(NOBODY, None)
            return stop
        return self._leave(zones, begin, stop)

    # ---- small things

    def _as_before(self, zones: _Zones, at: int) -> _Before:
        """Return a reading of a piece as the one before what follows."""
        clear = int(zones.clear[at])
        known = self._before.clear if self._before is not None else NOBODY
        return _Before(
            float(zones.value[at]), int(zones.force[at]), int(zones.session[at]),
            int(zones.where[clear]) if clear >= 0 else known, NOBODY,
        )  # fmt: skip

    def _look(self, zones: _Zones, begin: int, stop: int) -> None:
        """Take note of the farthest and of the last reading outside from ``begin`` to ``stop``."""
        going = self._open
        assert going is not None
        if begin >= stop:
            return
        part = zones.value[begin:stop]
        k = begin + int(np.argmax(part) if self._high else np.argmin(part))
        if self._farther(float(zones.value[k]), going.worst):
            going.worst, going.worst_piece = float(zones.value[k]), NOBODY
            going.worst_at, going.worst_ns = int(zones.where[k]), int(zones.t_ns[k])
        out = np.flatnonzero(zones.outside[begin:stop])
        if len(out):
            k = begin + int(out[-1])
            going.last, going.last_ns, going.last_piece = int(zones.where[k]), int(zones.t_ns[k]), NOBODY

    def _close(self, returned: int, end_ns: int | None) -> None:
        going, self._open = self._open, None
        assert going is not None
        bound = self._bounds[going.force]
        assert bound is not None
        if going.counted < 0 and not self._passed:
            return
        self._look_up(going)
        self._found.append(
            Excursion(
                channel=self._channel, side=self._side, limit=bound.value, start_ns=going.start_ns,
                counted_ns=going.counted_ns, last_ns=going.last_ns, end_ns=end_ns, worst=going.worst,
                worst_ns=going.worst_ns, last_inside=going.last_inside, first_outside=going.first,
                counted=going.counted, last_outside=going.last, returned=returned,
                worst_at=going.worst_at, moved=going.moved,
            )
        )  # fmt: skip

    def _look_up(self, going: _Open) -> None:
        """Look up in pieces that were passed by what is only known by its piece."""
        if going.worst_piece >= 0:
            rows, offset = self._read(going.worst_piece), self._offsets[going.worst_piece]
            at = int(np.argmax((rows.value == going.worst) & rows.usable))
            going.worst_at, going.worst_ns = offset + at, int(rows.t_ns[at])
        if going.last_piece >= 0:
            rows, offset = self._read(going.last_piece), self._offsets[going.last_piece]
            force = np.searchsorted(self._starts, rows.t_ns, side="right")
            at = int(np.flatnonzero((self._beyond(rows.value, force) > 0) & rows.usable)[-1])
            going.last, going.last_ns = offset + at, int(rows.t_ns[at])

    def _beyond(self, value: float | Floats, force: int | slice | Ints) -> Floats:
        """Return how far values lie beyond the bound, by the arithmetic of ``Bound.zone``; NaN: no bound."""
        return np.asarray(value - self._value[force] if self._high else self._value[force] - value)

    def _lies_out(self, value: float, force: int) -> bool:
        bound = self._bounds[force]
        return bound is not None and bound.zone(value, Status.GOOD) is Zone.OUTSIDE

    def _lies_in(self, value: float, force: int) -> bool:
        bound = self._bounds[force]
        return bound is not None and bound.zone(value, Status.GOOD) is Zone.INSIDE

    def _farther(self, one: float, other: float) -> bool:
        return one > other if self._high else one < other

    def _forces_of(self, digest: ChannelDigest) -> range:
        """Return which forces the stamps of a piece lie in."""
        if len(self._bounds) == 1:
            return range(1)
        first, last = (bisect_right(self._edges, t_ns) for t_ns in (digest.start_ns, digest.end_ns))
        return range(first, last + 1)

    def _last(self) -> _Before:
        """Return the last usable reading: there is one while an excursion goes on."""
        assert self._before is not None
        return self._before
