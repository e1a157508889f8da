"""Limits as a table of states and one step function.

Evaluation has three results: inside, outside, unknown. A reading that is not GOOD is unknown and moves
nothing: no reading neither trips nor clears a limit. How long a channel has been without a valid
reading is a separate matter (`SilenceAlarm`).

Deadband and on-delay have the meaning of ISA-18.2 / IEC 62682: the deadband lies inside the limit and
must be crossed to come back; the value must stay beyond the limit for the whole on-delay to count.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass, replace

from rig.domain.model import Channel, Limit, Side, Status


class Zone(enum.Enum):
    """Where one reading lies with respect to a bound."""

    INSIDE = "inside"
    BAND = "band"
    """Not beyond the bound, and not far enough inside to count as back."""
    OUTSIDE = "outside"
    UNKNOWN = "unknown"


class LimitState(enum.Enum):
    """What is known of a channel with respect to a bound."""

    NORMAL = "normal"
    PENDING = "pending"
    """Outside, the on-delay is running."""
    OUT = "out"


TABLE: dict[tuple[LimitState, Zone], LimitState] = {
    (LimitState.NORMAL, Zone.INSIDE): LimitState.NORMAL,
    (LimitState.NORMAL, Zone.BAND): LimitState.NORMAL,
    (LimitState.NORMAL, Zone.OUTSIDE): LimitState.PENDING,
    (LimitState.NORMAL, Zone.UNKNOWN): LimitState.NORMAL,
    (LimitState.PENDING, Zone.INSIDE): LimitState.NORMAL,
    (LimitState.PENDING, Zone.BAND): LimitState.NORMAL,
    (LimitState.PENDING, Zone.OUTSIDE): LimitState.PENDING,
    (LimitState.PENDING, Zone.UNKNOWN): LimitState.PENDING,
    (LimitState.OUT, Zone.INSIDE): LimitState.NORMAL,
    (LimitState.OUT, Zone.BAND): LimitState.OUT,
    (LimitState.OUT, Zone.OUTSIDE): LimitState.OUT,
    (LimitState.OUT, Zone.UNKNOWN): LimitState.OUT,
}
"""Every transition but one: PENDING becomes OUT when the on-delay has run (see `step`)."""


class LimitChangeKind(enum.Enum):
    """What a step brought about that somebody should know."""

    BEGAN = "began"
    """First reading outside; the on-delay starts."""
    COUNTED = "counted"
    """Outside for the whole on-delay: the excursion counts."""
    PASSED = "passed"
    """Back before the on-delay had run: it does not count."""
    ENDED = "ended"
    """A counted excursion is over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """One value to watch: a limit proper, or its early warning."""

    side: Side
    value: float
    deadband: float
    on_delay_ns: int
    early: bool
    limit: Limit

    def zone(self, value: float, status: int) -> Zone:
        """Return where a reading lies. Anything but a GOOD finite number is UNKNOWN. Equal is not out."""
        if status != Status.GOOD or not math.isfinite(value):
            return Zone.UNKNOWN
        beyond = value - self.value if self.side is Side.HIGH else self.value - value
        if beyond > 0:
            return Zone.OUTSIDE
        return Zone.BAND if beyond > -self.deadband else Zone.INSIDE


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundState:
    """The state of one bound; ``began_ns`` is the first reading outside of the present excursion."""

    state: LimitState = LimitState.NORMAL
    began_ns: int = 0


NORMAL = BoundState()


def bounds(channel: Channel) -> tuple[Bound, ...]:
    """Return what has to be watched on a channel: each limit, and each early warning."""
    return tuple(bound for limit in channel.limits for bound in bounds_of(limit))


def bounds_of(limit: Limit) -> tuple[Bound, ...]:
    """Return the limit proper, and its early warning where it has one."""
    common = {"side": limit.side, "deadband": limit.deadband, "limit": limit}
    proper = Bound(value=limit.value, on_delay_ns=round(limit.on_delay_s * 1e9), early=False, **common)  # type: ignore[arg-type]
    if limit.early is None:
        return (proper,)
    return (proper, Bound(value=limit.early, on_delay_ns=0, early=True, **common))  # type: ignore[arg-type]


def step(
    watch: BoundState, bound: Bound, t_ns: int, value: float, status: int
) -> tuple[BoundState, tuple[LimitChangeKind, ...]]:
    """Return the new state after one reading taken at ``t_ns``, and what changed (up to two things)."""
    zone = bound.zone(value, status)
    state = TABLE[watch.state, zone]
    changes: list[LimitChangeKind] = []
    if state is LimitState.PENDING and watch.state is LimitState.NORMAL:
        watch = BoundState(state=LimitState.PENDING, began_ns=t_ns)
        changes.append(LimitChangeKind.BEGAN)
    if state is LimitState.PENDING and zone is Zone.OUTSIDE and t_ns - watch.began_ns >= bound.on_delay_ns:
        changes.append(LimitChangeKind.COUNTED)
        return replace(watch, state=LimitState.OUT), tuple(changes)
    if state is LimitState.NORMAL and watch.state is not LimitState.NORMAL:
        changes.append(LimitChangeKind.PASSED if watch.state is LimitState.PENDING else LimitChangeKind.ENDED)
        return NORMAL, tuple(changes)
    return watch, tuple(changes)  # the state that it had


@dataclass(slots=True, kw_only=True)
class SilenceAlarm:
    """How long a channel has been without a valid reading.

    ``valid_ns``: time of the last valid reading (or of the start); ``alarmed``: already said.
    """

    limit_ns: int
    valid_ns: int
    alarmed: bool = False

    def heard(self, t_ns: int) -> bool:
        """Note a valid reading; return True if that ends an alarm."""
        self.valid_ns = max(self.valid_ns, t_ns)
        ended, self.alarmed = self.alarmed, False
        return ended

    def overdue(self, now_ns: int) -> bool:
        """Return True once when the silence has lasted longer than allowed."""
        if self.alarmed or now_ns - self.valid_ns <= self.limit_ns:
            return False
        self.alarmed = True
        return True
