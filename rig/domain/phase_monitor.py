"""What the readback shows of a phase: are its targets met, is it steady, has its end come, how it is driven.

Fed reading by reading, asked at any moment. A channel without a recent good reading shows nothing: time
in which nobody looked is never counted for a phase.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Container, Iterable, Mapping
from dataclasses import dataclass, field, replace

from rig.domain.accounting import LevelPlan
from rig.domain.formatting import duration, number, with_tolerance
from rig.domain.model import Status
from rig.domain.program import Duty, Phase, PhaseCondition, Steady, named

SLACK = 1.5
"""How much longer than planned the drive may stay on or off before that counts as missed."""
_BUCKETS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseObservation:
    """What is seen at one moment. met: None where it is not known. missed: what keeps it from being met."""

    met: bool | None
    missed: str = ""
    steady: bool = True
    ended: bool = False


@dataclass(slots=True)
class _Last:
    t_ns: int
    value: float


@dataclass(slots=True)
class _SlidingRange:
    """Least and greatest value in slices of a window; memory is bounded whatever the window."""

    rule: Steady
    slices: deque[tuple[int, float, float]] = field(default_factory=deque)
    began_ns: int | None = None

    def take(self, t_ns: int, value: float) -> None:
        if self.began_ns is None:
            self.began_ns = t_ns
        size_ns = max(1, round(self.rule.over_s * 1e9 / _BUCKETS))
        start_ns = t_ns - t_ns % size_ns
        if self.slices and self.slices[-1][0] == start_ns:
            _, low, high = self.slices.pop()
            self.slices.append((start_ns, min(low, value), max(high, value)))
        else:
            self.slices.append((start_ns, value, value))
        while self.slices and self.slices[0][0] + size_ns < t_ns - round(self.rule.over_s * 1e9):
            self.slices.popleft()

    def steady(self, now_ns: int) -> bool:
        whole = self.began_ns is not None and now_ns - self.began_ns >= self.rule.over_s * 1e9
        if not whole or not self.slices:
            return False
        spread = max(high for _, _, high in self.slices) - min(low for _, low, _ in self.slices)
        return spread <= self.rule.within


@dataclass(slots=True)
class Drive:
    """On and off as read back: whole cycles (on, then off), and time on and off between readings."""

    duty: Duty
    on: bool | None = None
    since_ns: int = 0
    last_ns: int = 0
    cycles: int = 0
    on_s: float = 0.0
    off_s: float = 0.0

    def take(self, t_ns: int, value: float, stale_ns: int) -> None:
        """Take a good reading."""
        now_on = value > self.duty.on_above
        if self.on is not None and t_ns - self.last_ns <= stale_ns:
            spent_s = (t_ns - self.last_ns) / 1e9
            if self.on:
                self.on_s += spent_s
            else:
                self.off_s += spent_s
        if now_on is not self.on:
            self.cycles += self.on is True
            self.on, self.since_ns = now_on, t_ns
        self.last_ns = t_ns

    def too_long(self, now_ns: int, stale_ns: int) -> str:
        """Return in words that it has been on, or off, for much longer than planned; '' if it has not."""
        if self.on is None:
            return ""
        planned_s = self.duty.on_s if self.on else self.duty.off_s
        lasted_s = (now_ns - self.since_ns) / 1e9
        if lasted_s <= SLACK * planned_s + stale_ns / 1e9:
            return ""
        return (
            f"{self.duty.channel} {'on' if self.on else 'off'} for {duration(lasted_s)}, planned "
            f"{duration(planned_s)}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MonitorScope:
    """What a group sees of the rig.

    others: units of other groups. foreign: by unit, the channels of sources that do not feed it. drives: by
    unit, when it counts as driven, where that is given.
    """

    others: tuple[str, ...] = ()
    foreign: Mapping[str, Container[str]] = field(default_factory=dict)
    drives: Mapping[str, LevelPlan | None] = field(default_factory=dict)


WHOLE_RIG = MonitorScope()
ROOM_ONLY = ("",)
"""Who takes part in the program of a rig without units."""


@dataclass(frozen=True, slots=True)
class _WatchedChannel:
    """A channel that a rule is about.

    unit: the one it is for, None where it is for all; owner: the one whose channel is named outright.
    """

    channel: str
    unit: str | None
    owner: str | None


class PhaseMonitor:
    """Watches the channels of one phase for a group of units.

    stale_s: by channel, how old its newest reading may be. known: the phase before, whose newest readings
    are carried over. ``units``: those that take part; what is written for another one is left out, and its
    drive is read at one that does take part.
    """

    def __init__(
        self,
        phase: Phase,
        units: Iterable[str],
        stale_s: Mapping[str, float],
        known: PhaseMonitor | None = None,
        scope: MonitorScope = WHOLE_RIG,
    ) -> None:
        self._places = tuple(units)
        self.units: Collection[str] = self._places or ROOM_ONLY
        self._scope = scope
        self._stale_ns = {name: round(age_s * 1e9) for name, age_s in stale_s.items()}
        self._targets = [(one, target) for name, target in phase.targets.items() for one in self._each(name)]
        self._until = [(one, rule) for rule in phase.until for one in self._each(rule.channel)]
        self._windows = [
            (one, _SlidingRange(Steady(channel=one.channel, within=rule.within, over_s=rule.over_s)))
            for rule in phase.steady
            for one in self._each(rule.channel)
        ]
        self._duty = phase.drive
        self._drives = {duty.channel: Drive(duty) for duty in self._duties()}
        self._counted = dict.fromkeys(self._drives, 0)
        self._last: dict[str, _Last] = {}
        watched = [*self._targets, *self._until, *self._windows]
        self.channels = frozenset([*(one.channel for one, _ in watched), *self._drives])
        if known is not None:
            self._last = known.newest(self.channels)

    # ---- taking in

    def take(self, channel: str, t_ns: int, value: float, status: int) -> None:
        """Take one reading of a channel; only good ones count."""
        if status != Status.GOOD or channel not in self.channels:
            return
        self._last[channel] = _Last(t_ns, value)
        for one, window in self._windows:
            if one.channel == channel:
                window.take(t_ns, value)
        if channel in self._drives:
            self._drives[channel].take(t_ns, value, self._stale_ns.get(channel, 0))

    def newest(self, channels: Collection[str]) -> dict[str, _Last]:
        """Return the newest good readings of these channels, as far as there are any."""
        return {name: one for name, one in self._last.items() if name in channels}

    def value(self, channel: str) -> float | None:
        """Return the newest good value of a channel, None where there is none yet."""
        last = self._last.get(channel)
        return None if last is None else last.value

    # ---- looking

    def look(self, now_ns: int, units: Collection[str] | None = None) -> PhaseObservation:
        """Return what is seen now of what concerns any of these units; None: all that take part."""
        units = self.units if units is None else units
        unknown, out = [], []
        for one, target in self._targets:
            if not self._concerns(one, units) or self._is_off_by_duty(one.channel, now_ns):
                continue
            last = self._fresh(one.channel, now_ns)
            if last is None:
                unknown.append(f"no recent reading of {one.channel}")
            elif not target.low <= last.value <= target.high:
                wanted = with_tolerance(target.value, target.tolerance, "")
                out.append(f"{one.channel} reads {number(last.value)}, target {wanted}")
        for drive in self._drives_of(units):
            channel = drive.duty.channel
            long = drive.too_long(now_ns, self._stale_ns.get(channel, 0))
            if self._fresh(channel, now_ns) is None:
                unknown.append(f"no recent reading of {channel}")
            elif long:
                out.append(long)
        met = False if out else (None if unknown else True)
        until = [(one, rule) for one, rule in self._until if self._concerns(one, units)]
        return PhaseObservation(
            met=met,
            missed="; ".join(out or unknown),
            steady=all(window.steady(now_ns) for one, window in self._windows if self._concerns(one, units)),
            ended=bool(until) and all(self._holds(one.channel, rule, now_ns) for one, rule in until),
        )

    def _is_off_by_duty(self, channel: str, now_ns: int) -> bool:
        """Return whether a target is that of a drive itself, in the part of a cycle that it is off."""
        drive = self._drives.get(channel)
        if drive is None or drive.on is not False:
            return False
        if any(drive is one for one in self._drives_of(self.units)):
            return True
        is_like = any(channel == self._like(unit) for unit in self._places)
        return is_like and not drive.too_long(now_ns, self._stale_ns.get(channel, 0))

    def _fresh(self, channel: str, now_ns: int) -> _Last | None:
        last = self._last.get(channel)
        if last is None or now_ns - last.t_ns > self._stale_ns.get(channel, 0):
            return None
        return last

    def _holds(self, channel: str, one: PhaseCondition, now_ns: int) -> bool:
        last = self._fresh(channel, now_ns)
        return last is not None and one.low < last.value < one.high

    # ---- the drive

    @property
    def drive(self) -> Drive | None:
        """The drive as it is read for the first unit that takes part; None where no cycle is planned."""
        return next(iter(self._drives_of(self.units)), None)

    def new_cycles(self) -> dict[str, int]:
        """Return, by unit that takes part, the drive cycles completed since this was asked last."""
        new = {name: max(0, one.cycles - self._counted[name]) for name, one in self._drives.items()}
        self._counted = {name: one.cycles for name, one in self._drives.items()}
        return {unit: new.get(self.witness(unit), 0) for unit in self.units}

    def witness(self, unit: str) -> str:
        """Return the channel at which the drive of a unit is read, '' where no cycle is planned.

        One that belongs to a unit which takes no part is replaced by the same channel of the first unit that
        does, else by the channel of the unit's drive; so is one that shows another unit's source.
        """
        if self._duty is None:
            return ""
        channel = named(self._duty.channel, unit)
        owner = self._owner(channel)
        if owner in self.units or (owner is None and not self._is_foreign(channel, unit)):
            return channel
        likes = [name for one in self._places if one in self.units and (name := self._like(one))]
        level = self._scope.drives.get(unit)
        likes += [] if level is None else [named(level.channel, unit)]
        return next((one for one in likes if one in self._drives), channel)

    def _like(self, unit: str) -> str:
        """Return the channel of a unit that is named as the witness is at its own, '' where there is none."""
        if self._duty is None or self._owner(self._duty.channel) is None:
            return ""
        name = f"{unit}.{self._duty.channel.partition('.')[2]}"
        return name if name in self._stale_ns or name == self._duty.channel else ""

    def _drives_of(self, units: Collection[str]) -> list[Drive]:
        names = dict.fromkeys(self.witness(unit) for unit in units)
        return [self._drives[name] for name in names if name in self._drives]

    def _duties(self) -> list[Duty]:
        """Return the drive cycle at every channel at which it may have to be read."""
        duty = self._duty
        if duty is None:
            return []
        names = [one.channel for one in self._each(duty.channel)]
        names += [name for unit in self._places if (name := self._like(unit))]
        duties = {name: replace(duty, channel=name) for name in names}
        for unit in self._places:
            level = self._scope.drives.get(unit)
            if level is not None:
                name = named(level.channel, unit)
                duties.setdefault(name, replace(duty, channel=name, on_above=level.on_above))
        return list(duties.values())

    # ---- whom a channel concerns

    def _each(self, channel: str) -> list[_WatchedChannel]:
        """Return the channels that a name stands for in this group."""
        if "{unit}" in channel:
            return [_WatchedChannel(named(channel, unit), unit, None) for unit in self._places]
        if all(self._is_foreign(channel, unit) for unit in self._places or ROOM_ONLY):
            return []
        owner = self._owner(channel)
        return [] if owner in self._scope.others else [_WatchedChannel(channel, None, owner)]

    def _owner(self, channel: str) -> str | None:
        unit, dot, _ = channel.partition(".")
        return unit if dot and (unit in self._places or unit in self._scope.others) else None

    def _concerns(self, one: _WatchedChannel, units: Collection[str]) -> bool:
        if one.unit is not None:
            return one.unit in units
        if one.owner is not None:
            return one.owner in self.units
        return not all(self._is_foreign(one.channel, unit) for unit in units)

    def _is_foreign(self, channel: str, unit: str) -> bool:
        return channel in self._scope.foreign.get(unit, ())
