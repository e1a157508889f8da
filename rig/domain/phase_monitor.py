"""What the readback shows of a phase: are its targets met, is it steady, has its end come, how it is driven.

Fed reading by reading, asked at any moment. A channel without a recent good reading shows nothing: time
in which nobody looked is never counted for a phase.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field

from rig.domain.formatting import duration, number, with_tolerance
from rig.domain.model import Status
from rig.domain.program import Duty, Phase, PhaseCondition, PhaseTarget, Steady, each

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


class PhaseMonitor:
    """Watches the channels of one phase.

    stale_s: by channel, how old its newest reading may be. known: the phase before, whose newest readings
    are carried over.
    """

    def __init__(
        self,
        phase: Phase,
        units: Iterable[str],
        stale_s: Mapping[str, float],
        known: PhaseMonitor | None = None,
    ) -> None:
        names = list(units)
        self.targets: dict[str, PhaseTarget] = {
            channel: target for name, target in phase.targets.items() for channel in each(name, names)
        }
        self._until: list[PhaseCondition] = [
            PhaseCondition(channel=channel, low=one.low, high=one.high)
            for one in phase.until
            for channel in each(one.channel, names)
        ]
        self._windows = [
            _SlidingRange(Steady(channel=channel, within=one.within, over_s=one.over_s))
            for one in phase.steady
            for channel in each(one.channel, names)
        ]
        self.drive = Drive(phase.drive) if phase.drive is not None else None
        self._stale_ns = {name: round(age_s * 1e9) for name, age_s in stale_s.items()}
        self._last: dict[str, _Last] = {}
        self.channels = frozenset(
            [
                *self.targets,
                *(one.channel for one in self._until),
                *(one.rule.channel for one in self._windows),
                *([phase.drive.channel] if phase.drive else []),
            ]
        )
        if known is not None:
            self._last = known.newest(self.channels)

    def take(self, channel: str, t_ns: int, value: float, status: int) -> None:
        """Take one reading of a channel; only good ones count."""
        if status != Status.GOOD or channel not in self.channels:
            return
        self._last[channel] = _Last(t_ns, value)
        for window in self._windows:
            if window.rule.channel == channel:
                window.take(t_ns, value)
        if self.drive is not None and self.drive.duty.channel == channel:
            self.drive.take(t_ns, value, self._stale_ns.get(channel, 0))

    def newest(self, channels: Collection[str]) -> dict[str, _Last]:
        """Return the newest good readings of these channels, as far as there are any."""
        return {name: one for name, one in self._last.items() if name in channels}

    def value(self, channel: str) -> float | None:
        """Return the newest good value of a channel, None where there is none yet."""
        last = self._last.get(channel)
        return None if last is None else last.value

    def look(self, now_ns: int) -> PhaseObservation:
        """Return what is seen now."""
        unknown, out = [], []
        for channel, target in self.targets.items():
            if self._is_off_by_duty(channel):
                continue
            last = self._fresh(channel, now_ns)
            if last is None:
                unknown.append(f"no recent reading of {channel}")
            elif not target.low <= last.value <= target.high:
                wanted = with_tolerance(target.value, target.tolerance, "")
                out.append(f"{channel} reads {number(last.value)}, target {wanted}")
        if self.drive is not None:
            channel = self.drive.duty.channel
            long = self.drive.too_long(now_ns, self._stale_ns.get(channel, 0))
            if self._fresh(channel, now_ns) is None:
                unknown.append(f"no recent reading of {channel}")
            elif long:
                out.append(long)
        met = False if out else (None if unknown else True)
        return PhaseObservation(
            met=met,
            missed="; ".join(out or unknown),
            steady=all(window.steady(now_ns) for window in self._windows),
            ended=bool(self._until) and all(self._holds(one, now_ns) for one in self._until),
        )

    def _is_off_by_duty(self, channel: str) -> bool:
        """Return whether a target is that of the drive itself, in the part of a cycle that it is off."""
        return self.drive is not None and self.drive.duty.channel == channel and self.drive.on is False

    def _fresh(self, channel: str, now_ns: int) -> _Last | None:
        last = self._last.get(channel)
        if last is None or now_ns - last.t_ns > self._stale_ns.get(channel, 0):
            return None
        return last

    def _holds(self, one: PhaseCondition, now_ns: int) -> bool:
        last = self._fresh(one.channel, now_ns)
        return last is not None and one.low < last.value < one.high
