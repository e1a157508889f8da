"""Operating states of the units while they are recorded: the shell around ``rig.domain.state_machine``.

Feeds readings and events to each unit's state machine, has changes of state recorded, lets limits sleep and
wake with them, and keeps what the next session must know.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from rig.clock import Clock
from rig.daemon.observers.record_observer import Announce, LimitsInForce
from rig.daemon.resume import Keeper
from rig.domain import operating_state, state_machine
from rig.domain.accounting import LevelPlan
from rig.domain.jsonmap import made, plain
from rig.domain.model import Event, EventKind, Layout, Scan
from rig.domain.operating_state import (
    Input,
    Installed,
    Noted,
    Restarted,
    StateChange,
    UnitCondition,
    UnitRules,
)
from rig.domain.signals import SignalName, SignalState, lapse, polls_s, signals_of, stale_ns, step, wired
from rig.domain.state_texts import words
from rig.domain.unit_history import occurrence, rules_of

LOOK_NS = 500_000_000
"""How often time is let pass: changes of state carry the moment at which they were due."""

Told = Callable[[str, UnitCondition], None]


class _FollowedUnit:
    """One unit: its rules, its signals, what is known of it."""

    def __init__(self, layout: Layout, unit: str, serial: str, known: UnitCondition | None) -> None:
        place = layout.units[unit]
        self.unit = unit
        signals = signals_of(layout, place)
        polls = polls_s(layout, signals)
        self.rules: UnitRules = rules_of(signals, max(polls.values(), default=0.0))
        self.levels: dict[SignalName, LevelPlan] = wired(signals)
        self.stale_ns = {signal: stale_ns(one) for signal, one in polls.items()}
        self.signals = dict.fromkeys(self.levels, SignalState())
        self.condition = known or UnitCondition(serial=serial)

    def take(self, signal: SignalName, reading: tuple[int, int, float, int]) -> tuple[StateChange, ...]:
        """Take a reading of a signal: begin and end of its interval (UTC ns), value, status."""
        changes = self.lapse(reading[1])
        level = self.levels[signal]
        self.signals[signal], change = step(self.signals[signal], signal, level, reading)
        return changes if change is None else (*changes, *self.follow(change))

    def lapse(self, now_ns: int) -> tuple[StateChange, ...]:
        """See which signals are not read any more."""
        gone = []
        for signal, state in self.signals.items():
            self.signals[signal], change = lapse(state, signal, self.stale_ns[signal], now_ns)
            if change is not None:
                gone.append(change)
        return tuple(one for change in sorted(gone, key=lambda c: c.at_ns) for one in self.follow(change))

    def follow(self, happened: Input) -> tuple[StateChange, ...]:
        """Take what happened."""
        self.condition, changes = state_machine.follow(self.condition, self.rules, happened)
        return changes

    def advance(self, now_ns: int) -> tuple[StateChange, ...]:
        """Let time pass."""
        self.condition, changes = state_machine.advance(self.condition, self.rules, now_ns)
        return changes


class UnitStates:
    """Observer of the units' operating states.

    offset_ns: from the boot clock to UTC on the session's time line. told: called with a unit's name and
    condition after each change of state.
    """

    def __init__(
        self,
        *,
        layout: Layout,
        blocks: Sequence[tuple[str, ...]],
        keeper: Keeper,
        limits: LimitsInForce,
        announce: Announce,
        clock: Clock,
        offset_ns: int,
        told: Told = lambda _unit, _condition: None,
    ) -> None:
        self._keeper = keeper
        self._limits = limits
        self._announce = announce
        self._clock = clock
        self._offset_ns = offset_ns
        self._told = told
        self._looked_ns = 0
        self._units = {
            name: _FollowedUnit(layout, name, keeper.serials.get(name, ""), self._known(name))
            for name in layout.units
        }
        self._signals: list[list[tuple[int, _FollowedUnit, SignalName]]] = [
            [
                (at, one, signal)
                for at, channel in enumerate(names)
                for one in self._units.values()
                for signal, level in one.levels.items()
                if level.channel == channel
            ]
            for names in blocks
        ]

    def _known(self, name: str) -> UnitCondition | None:
        """Return what an earlier session knew of the unit that still sits there; None: nothing."""
        try:
            known = made(UnitCondition, self._keeper.states[name])
        except (KeyError, ValueError):
            return None
        return known if known.serial == self._keeper.serials.get(name, "") else None

    @property
    def conditions(self) -> Mapping[str, UnitCondition]:
        """What is known of each unit, by place."""
        return {name: one.condition for name, one in self._units.items()}

    def begin(self, last_ns: int | None, meanwhile: Sequence[Event] = ()) -> None:
        """Begin a session; last_ns: last record of the sessions before it, UTC; None: there is none.

        meanwhile: notes and swaps recorded since then, while no logger ran.
        """
        for one in self._units.values():
            self._told(one.unit, one.condition)
        if last_ns is None:
            return
        now_ns = self._clock.boot_ns() + self._offset_ns
        for one in self._units.values():
            about_ns = min(last_ns, now_ns)
            self._record(one, one.follow(Restarted(at_ns=now_ns, about_ns=about_ns)))
        for event, said in notes_of_those_there(meanwhile):
            followed = self._units.get(event.subject)
            if followed is not None:
                noted = replace(said, at_ns=now_ns, about_ns=min(said.about_ns or said.at_ns, now_ns))
                self._record(followed, followed.follow(noted), always=True)

    def scan(self, scan: Scan) -> None:
        """Take the readings that show states."""
        for at, one, signal in self._signals[scan.block]:
            early_ns, late_ns = scan.sent_ns + self._offset_ns, scan.received_ns + self._offset_ns
            changes = one.take(signal, (early_ns, late_ns, scan.values[at], scan.statuses[at]))
            if changes:
                self._record(one, changes)

    def event(self, event: Event) -> None:
        """Take orders, notes and swaps; let limits sleep and wake."""
        self._limits.follow(event)
        one = self._units.get(event.subject)
        happened = occurrence(event, event.subject) if one is not None else None
        if one is not None and happened is not None:
            self._record(one, one.follow(happened), always=isinstance(happened, Noted))

    def tick(self) -> None:
        """Let time pass."""
        boot_ns = self._clock.boot_ns()
        if boot_ns - self._looked_ns < LOOK_NS:
            return
        self._looked_ns = boot_ns
        now_ns = boot_ns + self._offset_ns
        for one in self._units.values():
            changes = (*one.lapse(now_ns), *one.advance(now_ns))
            if changes:
                self._record(one, changes)

    def close(self) -> None:
        """Do nothing: each change was kept when it was recorded."""

    def _record(self, one: _FollowedUnit, changes: Sequence[StateChange], *, always: bool = False) -> None:
        """Record changes of state, and keep what is known of the unit; always: without a change too."""
        for change in changes:
            text = words(one.unit, change)
            self._announce(
                EventKind.STATE,
                one.unit,
                text,
                operating_state.as_data(change),
                change.at_ns - self._offset_ns,
            )
        if changes or always:
            kept = replace(one.condition, seen={}, candidate=None, lost=None)
            self._keeper.states = {**self._keeper.states, one.unit: plain(kept)}
            self._keeper.save()
            self._told(one.unit, one.condition)


def notes_of_those_there(events: Sequence[Event]) -> list[tuple[Event, Noted]]:
    """Return the notes on units that sit in their places after all of these events: not of those before."""
    seated: dict[str, int] = {}
    notes: list[tuple[Event, Noted]] = []
    for event in events:
        said = occurrence(event, event.subject)
        if isinstance(said, Installed):
            seated[event.subject] = said.about_ns or said.at_ns
            notes = [one for one in notes if one[0].subject != event.subject]
        elif isinstance(said, Noted) and (said.about_ns or said.at_ns) >= seated.get(event.subject, 0):
            notes.append((event, said))
    return notes
