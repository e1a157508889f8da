"""Limit states and silence alarms of all channels of a session, fed scan by scan.

The common case, a scan with all readings good and well inside, takes one array comparison; only the rest
goes through `limits.step`.
"""

from __future__ import annotations

import struct
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.domain import limits
from rig.domain.formatting import beside_limit, duration, setting
from rig.domain.limits import NORMAL, Bound, BoundState, LimitChangeKind, LimitState, SilenceAlarm, Zone
from rig.domain.model import Channel, EventKind, Scan, Side, Status
from rig.domain.recorded_excursions import AGAIN, LIMIT_CEASED, OUT_FOR, Key


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitFinding:
    """Change of a limit state or a silence alarm; becomes an event. ``boot_ns``: when it became true."""

    kind: EventKind
    boot_ns: int
    channel: str
    text: str
    data: Mapping[str, Any] = field(default_factory=dict)


_OUT_KINDS = {
    (False, LimitChangeKind.COUNTED): EventKind.LIMIT_OUT,
    (False, LimitChangeKind.ENDED): EventKind.LIMIT_IN,
    (True, LimitChangeKind.COUNTED): EventKind.EARLY_OUT,
    (True, LimitChangeKind.ENDED): EventKind.EARLY_IN,
}


_BOUND_WORDS = {False: "limit", True: "warning"}


@dataclass(slots=True)
class _Watched:
    """A bound and its state. left_open: an earlier session left it out, and nothing was seen inside since."""

    bound: Bound
    watch: BoundState = NORMAL
    left_open: bool = False

    @property
    def busy(self) -> bool:
        """Whether the next reading may change something, wherever it lies."""
        return self.watch.state is not LimitState.NORMAL or self.left_open


@dataclass(frozen=True, slots=True, kw_only=True)
class _Orphan:
    """What an earlier session left out of a bound that is not in force any more, since when."""

    side: str
    limit: float | None
    ceased_ns: int


@dataclass(slots=True, kw_only=True)
class _JudgedBlock:
    """The channels of one block: ``low``/``high`` is the calm zone where nothing can change."""

    channels: tuple[Channel, ...]
    watched: tuple[tuple[_Watched, ...], ...]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    good: bytes
    unpack_as: struct.Struct
    busy: int = 0
    heard_ns: int = 0
    silent: int = 0
    orphans: dict[int, list[_Orphan]] = field(default_factory=dict)

    def count_busy(self) -> None:
        """Count what keeps a scan from being settled at a glance."""
        self.busy = len(self.orphans) + sum(one.busy for group in self.watched for one in group)


class Evaluation:
    """The live limit states of one session.

    left_open: channel and side of excursions that an earlier session left open: they end with the first
    reading inside, and one that is counted before that is only said again.
    ``crossed_units`` grows as units first leave a limit (None stands for the room's own channels).
    ``near`` holds the channels that are beyond a warning or a limit right now.
    """

    def __init__(
        self,
        blocks: Sequence[tuple[str, ...]],
        channels: Mapping[str, Channel],
        start_ns: int,
        left_open: Collection[Key] = (),
    ) -> None:
        self._blocks = [_block([channels[name] for name in names]) for names in blocks]
        self._silences = {
            name: SilenceAlarm(limit_ns=round(channels[name].silence_s * 1e9), valid_ns=start_ns)
            for names in blocks
            for name in names
        }
        for block in self._blocks:
            block.heard_ns = start_ns
            _take_over(block, left_open, start_ns)
        self.crossed_units: set[str | None] = set()
        self.near: set[str] = set()

    def still_open(self) -> set[Key]:
        """Return channel and side of each excursion that goes on now, whichever session began it."""
        return {
            (channel.name, str(one.bound.side))
            for block in self._blocks
            for channel, group in zip(block.channels, block.watched, strict=True)
            for one in group
            if not one.bound.early and (one.left_open or one.watch.state is LimitState.OUT)
        }

    def arm(self, channels: Mapping[str, Channel], now_ns: int) -> list[LimitFinding]:
        """Judge by the limits of these channels (the same names) from now on; return what that ended.

        A bound keeps its state where its side and sort (limit, warning) are still limited: one that
        is out stays out until a reading says otherwise. Where nothing is limited any more, it is over.
        """
        findings: list[LimitFinding] = []
        for place, old in enumerate(self._blocks):
            fresh = _block([channels[channel.name] for channel in old.channels])
            fresh.heard_ns, fresh.silent, fresh.orphans = old.heard_ns, old.silent, old.orphans
            for at, channel in enumerate(old.channels):
                kept = {(one.bound.side, one.bound.early): one for one in fresh.watched[at]}
                for one in old.watched[at]:
                    successor = kept.get((one.bound.side, one.bound.early))
                    if successor is not None:
                        successor.watch, successor.left_open = one.watch, one.left_open
                    elif one.left_open and one.watch.state is not LimitState.OUT:
                        orphan = _Orphan(side=str(one.bound.side), limit=one.bound.value, ceased_ns=now_ns)
                        fresh.orphans.setdefault(at, []).append(orphan)
                    elif one.watch.state is LimitState.OUT:
                        findings.append(_no_longer_limited(channel, one, now_ns))
                if all(one.watch.state is LimitState.NORMAL for one in fresh.watched[at]):
                    self.near.discard(channel.name)
            fresh.count_busy()
            self._blocks[place] = fresh
        return findings

    def feed(self, scan: Scan) -> list[LimitFinding]:
        """Return what this scan changed."""
        block = self._blocks[scan.block]
        if not block.busy and not block.silent and scan.statuses == block.good:
            block.heard_ns = max(block.heard_ns, scan.received_ns)
            values = np.frombuffer(block.unpack_as.pack(*scan.values), dtype=np.float64)
            if bool(np.all((values > block.low) & (values < block.high))):
                return []
        return self._look_closely(block, scan)

    def tick(self, now_ns: int) -> list[LimitFinding]:
        """Return the channels whose last valid reading has become too old."""
        findings: list[LimitFinding] = []
        for block in self._blocks:
            for channel in block.channels:
                silence = self._silences[channel.name]
                silence.valid_ns = max(silence.valid_ns, block.heard_ns)
                if silence.overdue(now_ns):
                    findings.append(_silent(channel, silence.valid_ns, now_ns))
            block.silent = sum(self._silences[channel.name].alarmed for channel in block.channels)
        return findings

    def _look_closely(self, block: _JudgedBlock, scan: Scan) -> list[LimitFinding]:
        t_ns = (scan.sent_ns + scan.received_ns) // 2
        findings: list[LimitFinding] = []
        for at, channel in enumerate(block.channels):
            value, status = scan.values[at], scan.statuses[at]
            if status == Status.GOOD:
                silence = self._silences[channel.name]
                if silence.heard(scan.received_ns):
                    findings.append(
                        LimitFinding(
                            kind=EventKind.VALID_AGAIN,
                            boot_ns=scan.received_ns,
                            channel=channel.name,
                            text=f"{channel.name}: valid readings again",
                        )
                    )
                findings += [_orphaned(channel, one) for one in block.orphans.pop(at, ())]
            for watched in block.watched[at]:
                findings.extend(self._step(channel, watched, t_ns, value, status))
            if all(watched.watch.state is LimitState.NORMAL for watched in block.watched[at]):
                self.near.discard(channel.name)
            else:
                self.near.add(channel.name)
        block.count_busy()
        if scan.statuses == block.good:
            block.heard_ns = max(block.heard_ns, scan.received_ns)
        block.silent = sum(self._silences[channel.name].alarmed for channel in block.channels)
        return findings

    def _step(
        self, channel: Channel, watched: _Watched, t_ns: int, value: float, status: int
    ) -> list[LimitFinding]:
        bound = watched.bound
        watched.watch, changes = limits.step(watched.watch, bound, t_ns, value, status)
        findings: list[LimitFinding] = []
        again = watched.left_open
        if watched.left_open and bound.zone(value, status) is Zone.INSIDE:
            watched.left_open = False
            findings.append(_crossing(EventKind.LIMIT_IN, channel, watched, t_ns, value))
        for change in changes:
            if change is LimitChangeKind.BEGAN and not bound.early:
                self.crossed_units.add(channel.unit)
            kind = _OUT_KINDS.get((bound.early, change))
            if kind is not None:
                findings.append(_crossing(kind, channel, watched, t_ns, value, again=again))
                watched.left_open = False
        return findings


def _block(channels: Sequence[Channel]) -> _JudgedBlock:
    watched = tuple(tuple(_Watched(bound) for bound in limits.bounds(channel)) for channel in channels)
    low = np.full(len(channels), -np.inf)
    high = np.full(len(channels), np.inf)
    for at, group in enumerate(watched):
        for one in group:
            bound = one.bound
            if bound.side is Side.HIGH:
                high[at] = min(high[at], np.nextafter(bound.value, np.inf))
            else:
                low[at] = max(low[at], np.nextafter(bound.value, -np.inf))
    return _JudgedBlock(
        channels=tuple(channels),
        watched=watched,
        low=low,
        high=high,
        good=bytes(len(channels)),
        unpack_as=struct.Struct(f"{len(channels)}d"),
    )


def _take_over(block: _JudgedBlock, left_open: Collection[Key], start_ns: int) -> None:
    """Note what an earlier session left out of the limits of a block's channels."""
    for at, channel in enumerate(block.channels):
        for side in (side for name, side in left_open if name == channel.name):
            mine = [one for one in block.watched[at] if str(one.bound.side) == side and not one.bound.early]
            for one in mine:
                one.left_open = True
            if not mine:
                orphan = _Orphan(side=side, limit=None, ceased_ns=start_ns)
                block.orphans.setdefault(at, []).append(orphan)
    block.count_busy()


def _orphaned(channel: Channel, one: _Orphan) -> LimitFinding:
    return LimitFinding(
        kind=EventKind.LIMIT_IN,
        boot_ns=one.ceased_ns,
        channel=channel.name,
        text=f"{channel.name} has no {one.side} limit any more: the excursion of a session before ends here",
        data={"side": one.side, "limit": one.limit, "cause": LIMIT_CEASED},
    )


def _crossing(
    kind: EventKind, channel: Channel, watched: _Watched, t_ns: int, value: float, *, again: bool = False
) -> LimitFinding:
    bound, watch = watched.bound, watched.watch
    unit = channel.unit_of_measure
    bound_text = f"{bound.side} {_BOUND_WORDS[bound.early]} {setting(bound.value, unit)}"
    reading = beside_limit(value, bound.value, unit, channel.resolution)
    if kind in (EventKind.LIMIT_OUT, EventKind.EARLY_OUT):
        side = "above" if bound.side is Side.HIGH else "below"
        text = f"{channel.name} {side} {bound_text}: {reading}"
    else:
        text = f"{channel.name} returned to normal ({bound_text}): {reading}"
    data: dict[str, Any] = {"side": str(bound.side), "limit": bound.value, "value": value, "unit": unit}
    if kind in (EventKind.LIMIT_OUT, EventKind.EARLY_OUT):
        data |= {"began_boot_ns": watch.began_ns, OUT_FOR: t_ns - watch.began_ns}
        data |= {"trip": bound.limit.trip and not bound.early}
        if again:
            data[AGAIN] = True
    return LimitFinding(kind=kind, boot_ns=t_ns, channel=channel.name, text=text, data=data)


def _no_longer_limited(channel: Channel, watched: _Watched, now_ns: int) -> LimitFinding:
    bound = watched.bound
    bound_text = f"{bound.side} {_BOUND_WORDS[bound.early]} {setting(bound.value, channel.unit_of_measure)}"
    return LimitFinding(
        kind=EventKind.EARLY_IN if bound.early else EventKind.LIMIT_IN,
        boot_ns=now_ns,
        channel=channel.name,
        text=f"{channel.name}: {bound_text} not in force any more, the excursion ends here",
        data={"side": str(bound.side), "limit": bound.value, "cause": LIMIT_CEASED},
    )


def _silent(channel: Channel, valid_ns: int, now_ns: int) -> LimitFinding:
    silent_s = (now_ns - valid_ns) / 1e9
    return LimitFinding(
        kind=EventKind.NO_VALID,
        boot_ns=now_ns,
        channel=channel.name,
        text=f"{channel.name}: no valid reading for {duration(silent_s)}",
        data={"last_valid_boot_ns": valid_ns, "allowed_s": channel.silence_s},
    )
