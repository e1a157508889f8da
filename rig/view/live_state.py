"""Live state of a run, from its scans and events; `picture` makes a Snapshot of it.

Reads no file and no clock. Memory is bounded: per block of channels the last ten minutes, thinned to
one reading a second; per run the last events and ended excursions.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from rig.domain.limit_history import KEY, LIMIT_CHANGING, all_awake, awake, group_of, judged_by, rest_after
from rig.domain.limits import Zone, bounds
from rig.domain.model import Event, EventKind, Layout, Status
from rig.domain.statuses import words_of
from rig.domain.uncertainty import display_steps
from rig.view.latched_episodes import Episodes
from rig.view.snapshot import EventView, PhaseView
from rig.view.state_words import LiveUnitStates, state_of

_SECOND = 1_000_000_000
WINDOW_NS = 600 * _SECOND
HOUR_NS = 3600 * _SECOND
_ROWS = 1200
"""Twice the window at a row a second, so that rows move once in ten minutes."""
_KEPT_EVENTS = 400
NOT_A_REPLY = frozenset({Status.NO_REPLY, Status.BAD_REPLY, Status.REFUSED, Status.LOST})

_QUIET = frozenset(
    {EventKind.LIMIT_IN, EventKind.EARLY_IN, EventKind.VALID_AGAIN, EventKind.INSTRUMENT_BACK,
     EventKind.STORE_BACK, EventKind.NOTE, EventKind.PHASE, EventKind.UNIT, EventKind.FAST_POLL,
     EventKind.SESSION_START, EventKind.SESSION_STOP, EventKind.CONFIG_CHANGE, EventKind.CHECK,
     EventKind.INCIDENT}
)  # fmt: skip


_N = TypeVar("_N", int, float)


def number_in(value: object, kind: type[_N]) -> _N | None:
    """Return a number of recorded data, None where there is none."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return kind(value)


class Window:
    """The last ten minutes of some channels, one row a second, in arrays that grow at one end."""

    def __init__(self, channels: int) -> None:
        self._t_ns = np.empty(_ROWS, np.int64)
        self._values = np.empty((_ROWS, channels))
        self._first = self._end = 0

    def __len__(self) -> int:
        return self._end - self._first

    def add(self, t_ns: int, values: Sequence[float]) -> None:
        """Take in a row, if the last one is a second old; let go of those older than the window."""
        if len(self):
            since_ns = t_ns - self._t_ns[self._end - 1]
            if since_ns < -_SECOND:
                self._first = self._end  # another boot with another clock: earlier rows are of no use
            elif since_ns < _SECOND:
                return
        if self._end == len(self._t_ns):
            self._make_room()
        self._t_ns[self._end] = t_ns
        self._values[self._end] = values
        self._end += 1
        while t_ns - self._t_ns[self._first] > WINDOW_NS:
            self._first += 1

    def _make_room(self) -> None:
        """Move all rows to the front of arrays with as much free room behind them."""
        kept = slice(self._first, self._end)
        rows = max(_ROWS, 2 * len(self))
        t_ns, values = np.empty(rows, np.int64), np.empty((rows, self._values.shape[1]))
        t_ns[: len(self)], values[: len(self)] = self._t_ns[kept], self._values[kept]
        self._first, self._end = 0, len(self)
        self._t_ns, self._values = t_ns, values

    @property
    def t_ns(self) -> NDArray[np.int64]:
        """UTC ns of each row."""
        return self._t_ns[self._first : self._end]

    @property
    def values(self) -> NDArray[np.float64]:
        """Rows of values, NaN where there is none."""
        return self._values[self._first : self._end]


@dataclass(slots=True)
class Block:
    """The readings of the channels that are read together."""

    channels: tuple[str, ...]
    values: list[float]
    valid_ns: list[int]
    statuses: bytes
    window: Window
    newest_ns: int = 0


@dataclass(slots=True)
class Talk:
    """Communication state of one instrument."""

    reply_ns: int | None = None
    failures: deque[int] = field(default_factory=deque)
    fault: str = ""
    fault_ns: int | None = None
    lost_ns: int | None = None


@dataclass(frozen=True, slots=True)
class RecordedPhase:
    """A phase as its newest event has it (UTC ns). units: of those that differ from their group."""

    view: PhaseView
    units: Mapping[str, Any]
    t_ns: int


def _phase_view(name: str, data: Mapping[str, Any], group: tuple[str, ...]) -> PhaseView:
    return PhaseView(
        name=name,
        number=number_in(data.get("pass"), int) or 0,
        stage=str(data.get("stage", "")),
        done_s=number_in(data.get("done_s"), float),
        planned_s=number_in(data.get("planned_s"), float),
        cycles=number_in(data.get("cycles"), int),
        planned_cycles=number_in(data.get("planned_cycles"), int),
        group=group,
    )


class LiveState:
    """Live state of one run."""

    def __init__(self, layout: Layout, run: str) -> None:
        self.layout = layout
        self.steps = display_steps(layout)
        self._frozen = self._judged = layout
        self._rests = all_awake(layout)
        self.run = run
        self.session = 0
        self.session_ns = 0
        self.started_ns: int | None = None
        self.newest_ns: int | None = None
        self.good_ns: int | None = None
        """Newest good reading of an instrument; ``newest_ns`` is the newest record, good or not."""
        self.first_scan_ns: int | None = None
        self.gaps = 0
        self.phases: dict[tuple[str, ...], RecordedPhase] = {}
        self.blocks: dict[tuple[str, ...], Block] = {}
        self.place: dict[str, tuple[Block, int]] = {}
        self.excursions = Episodes()
        self.states = LiveUnitStates(layout.units)
        self.in_warning: set[tuple[str, str]] = set()
        self.silent: dict[str, int] = {}
        self.talks: dict[str, Talk] = {name: Talk() for name in layout.instruments}
        self.stuck: dict[str, int] = {}
        self.late_ms: dict[str, float] = {}
        self.store: str = ""
        self.events: deque[EventView] = deque(maxlen=_KEPT_EVENTS)

    # ---- taking in

    def scan(self, channels: tuple[str, ...], t_ns: int, values: tuple[float, ...], statuses: bytes) -> None:
        """Take in the readings of one exchange, taken about ``t_ns`` (UTC ns)."""
        block = self.blocks.get(channels) or self._new_block(channels)
        block.newest_ns = t_ns
        block.statuses = statuses
        if max(statuses, default=0) <= Status.SUSPECT:
            block.values[:] = values
            block.valid_ns[:] = [t_ns] * len(channels)
        else:
            for place, status in enumerate(statuses):
                if status <= Status.SUSPECT:
                    block.values[place], block.valid_ns[place] = values[place], t_ns
        block.window.add(t_ns, values)
        if self.newest_ns is None or t_ns > self.newest_ns:
            self.newest_ns = t_ns
        if self.started_ns is None:
            self.started_ns = t_ns
        if self.first_scan_ns is None:
            self.first_scan_ns = t_ns
        if self.excursions.active:
            for place in np.flatnonzero(np.frombuffer(statuses, np.uint8) == Status.GOOD).tolist():
                self.excursions.follow_peak(channels[place], block.values[place])
        self._communication(channels, statuses, t_ns)

    def _new_block(self, channels: tuple[str, ...]) -> Block:
        count = len(channels)
        block = Block(channels, [math.nan] * count, [0] * count, bytes(count), Window(count))
        self.blocks[channels] = block
        for place, name in enumerate(channels):
            self.place[name] = (block, place)
        return block

    def _communication(self, channels: tuple[str, ...], statuses: bytes, t_ns: int) -> None:
        known = self.layout.channels.get(channels[0]) if channels else None
        if known is None or known.source is None:
            return
        if Status.GOOD in statuses:
            self.good_ns = max(t_ns, self.good_ns or t_ns)
        talk = self.talks.setdefault(known.source.instrument, Talk())
        if all(status in NOT_A_REPLY for status in statuses):
            talk.failures.append(t_ns)
            if talk.lost_ns is None:
                talk.fault, talk.fault_ns = words_of(statuses[0]), t_ns
            while t_ns - talk.failures[0] > HOUR_NS:
                talk.failures.popleft()
        else:
            talk.reply_ns = t_ns

    def event(self, event: Event, offset_ns: int) -> None:
        """Take in one recorded event; ``offset_ns`` is UTC minus boot clock of its session."""
        if event.kind is EventKind.HEALTH:
            self._health(event.data)
            return  # no news: the regular report of the logger's own state
        state = state_of(event) if event.kind is EventKind.STATE else None
        trouble_now = event.kind not in _QUIET if state is None else state.word.is_trouble
        self.events.append(
            EventView(
                t_ns=event.t_ns, kind=event.kind.words, subject=event.subject, text=event.text,
                trouble=trouble_now,
            )
        )  # fmt: skip
        if self.started_ns is None or event.t_ns < self.started_ns:
            self.started_ns = event.t_ns
        if not event.brief:  # the brief session of an order changes no state
            self._changes(event, offset_ns)

    def _changes(self, event: Event, offset_ns: int) -> None:
        """Take in what an event changes."""
        side = str(event.data.get("side", ""))
        self._note_positions(event)
        match event.kind:
            case EventKind.SESSION_START:
                self.session, self.session_ns = event.session, event.t_ns
                self.store = ""
                self.stuck.clear()
            case EventKind.LIMIT_OUT:
                self._went_out(event, side, offset_ns)
            case EventKind.LIMIT_IN:
                self.excursions.returned(event.subject, side, event.t_ns)
            case EventKind.EARLY_OUT:
                self.in_warning.add((event.subject, side))
            case EventKind.EARLY_IN:
                self.in_warning.discard((event.subject, side))
            case EventKind.NO_VALID:
                self.silent[event.subject] = event.t_ns
            case EventKind.VALID_AGAIN:
                self.silent.pop(event.subject, None)
            case EventKind.GAP:
                self.gaps += 1
            case EventKind.PHASE:
                self._phase(event)
            case EventKind.STORE_FAULT if "cause" not in event.data:  # else it has no recorded end
                self.store = event.text or "records cannot be written"
            case EventKind.STORE_BACK:
                self.store = ""
            case _:
                self._instrument_event(event)

    def _note_positions(self, event: Event) -> None:
        """Note the limits in force and the serial numbers in the positions."""
        if event.kind is EventKind.SESSION_START:
            self._judged = self._frozen
        elif KEY in event.data:
            self._judged = judged_by(self._frozen, event, self._judged)
        unit = self._frozen.units.get(event.subject)
        if event.kind is EventKind.UNIT and unit is not None and "serial" in event.data:
            units = {**self._frozen.units, unit.name: replace(unit, serial=str(event.data["serial"]))}
            self._frozen, self._judged = (replace(one, units=units) for one in (self._frozen, self._judged))
        self.states.event(event, self.excursions)
        if event.kind not in LIMIT_CHANGING:
            return  # most events: what is in force need not be worked out again
        self._rests = {one: rest_after(self._judged, one, event, was) for one, was in self._rests.items()}
        channels = awake(self._judged.channels, self._rests, self._judged)
        self.layout = replace(self._judged, channels=channels)

    def _health(self, data: Mapping[str, Any]) -> None:
        """Note the 99th percentile of each instrument's lateness, in ms."""
        lateness = data.get("lateness_ms")
        if isinstance(lateness, Mapping):
            for name, quantiles in lateness.items():
                if isinstance(quantiles, Sequence) and len(quantiles) > 1:
                    self.late_ms[str(name)] = float(quantiles[1])

    def _phase(self, event: Event) -> None:
        """Note the phase in force for a group of units, with as much as the record has of it."""
        group = group_of(event)
        for other in [one for one in self.phases if not group or not one or set(one) & set(group)]:
            del self.phases[other]
        name = str(event.data.get("phase", event.text or event.subject))
        if name:
            units = event.data.get("units")
            self.phases[group] = RecordedPhase(
                view=_phase_view(name, event.data, group),
                units=units if isinstance(units, Mapping) else {},
                t_ns=event.t_ns,
            )

    def _instrument_event(self, event: Event) -> None:
        if event.kind is EventKind.BUS_STUCK:
            self.stuck[event.subject] = event.t_ns
        if event.subject not in self.layout.instruments:
            return
        talk = self.talks.setdefault(event.subject, Talk())
        if event.kind is EventKind.INSTRUMENT_LOST:
            talk.lost_ns = event.t_ns
        elif event.kind is EventKind.INSTRUMENT_BACK:
            talk.lost_ns = None
        if event.kind in {EventKind.INSTRUMENT_LOST, EventKind.INSTRUMENT_REPORT}:
            talk.fault, talk.fault_ns = event.text, event.t_ns

    def _went_out(self, event: Event, side: str, offset_ns: int) -> None:
        value = event.data.get("value", math.nan)
        began_boot_ns = event.data.get("began_boot_ns")
        self.excursions.add(
            channel=event.subject,
            side=side,
            unit=self.unit_of(event.subject),
            began_ns=began_boot_ns + offset_ns if isinstance(began_boot_ns, int) else event.t_ns,
            session=event.session,
            peak=float(value) if isinstance(value, int | float) else math.nan,
            limit=number_in(event.data.get("limit"), float),
            shut_down=self.states.shut_down,
        )

    @property
    def judged(self) -> Layout:
        """The layout with all limits of rig file and phase, those that sleep among them."""
        return self._judged

    def unit_of(self, channel: str) -> str | None:
        """Return the name of the unit a channel belongs to; None for the room's own, or an unknown one."""
        known = self.layout.channels.get(channel)
        return known.unit if known else None

    def close_what_a_restart_left_open(self) -> None:
        """End excursions of an earlier session whose channel was read well inside its limit since."""
        for (name, side), excursion in list(self.excursions.active.items()):
            if excursion.session >= self.session or name not in self.place:
                continue
            block, place = self.place[name]
            if block.valid_ns[place] <= self.session_ns:
                continue
            for bound in bounds(self.layout.channels[name]):
                if not bound.early and bound.side.value == side:
                    if bound.zone(block.values[place], Status.GOOD) is Zone.INSIDE:
                        self.excursions.returned(name, side, block.valid_ns[place])
                    break
