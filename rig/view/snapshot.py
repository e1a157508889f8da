"""State of the room at one moment: all that a screen shows, as frozen values."""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from rig.domain.model import ChannelKind, Side
from rig.domain.program_state import PhaseClock, time_to_go
from rig.view.state_words import StateWord, UnitState


class ChannelCondition(enum.Enum):
    """Condition of a channel, in the order of severity; the value is the word on the screen."""

    OUT = "OUT"
    """Beyond a limit for its whole on-delay, and not yet back inside the deadband."""
    PENDING = "pending"
    """Beyond a limit now; the on-delay is still running."""
    SILENT = "SILENT"
    """No valid reading for longer than the channel's allowed silence."""
    NOT_READ = "not read"
    """Its instrument does not reply."""
    NO_NUMBER = "no value"
    """The last reading carries no number; its status says why."""
    WARNING = "warning"
    """Beyond a warning value."""
    SUSPECT = "suspect"
    """The last number is not plausible."""
    WAITING = "waiting"
    """Nothing has been recorded yet."""
    OK = "ok"
    UNJUDGED = "unjudged"
    """Read, but its limits sleep because of the state of its unit."""

    @property
    def rank(self) -> int:
        """0 is the worst."""
        return _RANK[self]

    @property
    def is_trouble(self) -> bool:
        """True where attention is needed."""
        return self.rank < ChannelCondition.WAITING.rank

    @property
    def is_blind(self) -> bool:
        """Whether nothing can be said of the channel now."""
        return self in {ChannelCondition.SILENT, ChannelCondition.NOT_READ, ChannelCondition.NO_NUMBER}


_RANK = {condition: rank for rank, condition in enumerate(ChannelCondition)}


class RunState(enum.Enum):
    """State of the recording."""

    RUNNING = "RUNNING"
    STOPPED = "STOPPED"
    """The last session was stopped on purpose; the run may go on."""
    FINISHED = "FINISHED"
    PAST = "PAST"
    """A past moment is shown, whatever the recording is doing now."""
    CRASHED = "CRASHED"
    """No logger runs, and the last session ended without a recorded stop."""


class LinkState(enum.Enum):
    """Connection of an instrument, in the order of severity."""

    OFFLINE = "OFFLINE"
    HUNG = "HUNG"
    """A call on its bus does not return."""
    SLOW = "slow"
    """Not declared offline, but the last good reply is older than a few polls."""
    WAITING = "waiting"
    ONLINE = "online"

    @property
    def rank(self) -> int:
        """0 is the worst."""
        return list(LinkState).index(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """Distance to the nearest limit.

    value: the limit; distance: in the channel's unit of measure, negative when beyond; used: share of
    the way to the limit that is used up, 0 to 1 (from the middle of the band where there are two
    limits, from zero where there is one); warning: the same share of the warning value, or None.
    """

    side: Side
    value: float
    distance: float
    used: float
    warning: float | None = None


class Pace(enum.Enum):
    """Change of slope from the minutes before to the last minute."""

    EVEN = "even"
    SLOWING = "slowing"
    QUICKENING = "quickening"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """Slope of the last minutes: unit of measure per second; ``window_s`` it was taken from.

    clear: the slope stands out of the scatter; otherwise the channel is to be called steady.
    error_per_s: standard error of the slope, allowing for readings that follow each other; scatter: of
    the readings about the line (unit of measure).
    """

    per_s: float
    window_s: float
    clear: bool
    error_per_s: float = 0.0
    scatter: float = 0.0
    pace: Pace = Pace.EVEN


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """Time to a limit if the trend continues, in seconds from now.

    best_s: along the line. low_s, high_s: bounds at about 95 %, as far as the line itself can be believed:
    0 where the movement quickens (it may be at any moment before high_s), infinite where it slows down
    (it is not before low_s, and perhaps never).
    """

    best_s: float
    low_s: float
    high_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseView:
    """A phase of the test program in force. stage: of the phase, '' where not recorded.

    done_s, planned_s: time that counted and time asked for; None where the phase has no such plan.
    group: the units for which it is in force, () for all. units: time done by those that differ from it.
    """

    name: str
    number: int = 0
    stage: str = ""
    done_s: float | None = None
    planned_s: float | None = None
    cycles: int | None = None
    planned_cycles: int | None = None
    group: tuple[str, ...] = ()
    units: Mapping[str, PhaseClock] = field(default_factory=dict)

    @property
    def left_s(self) -> float | None:
        """How long it still goes, if its targets stay met; None where that is not a matter of time."""
        return time_to_go(self.done_s, self.planned_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelView:
    """One channel now.

    value: the last number that came, NaN if none; status: of the very last reading; age_s: since the
    last reading that carried a number, None if none came; reach: when the nearest limit ahead is
    reached if the trend goes on, None where it does not lead there within two days; problem: what
    went wrong when this row was made ('' normally). history: the last ten minutes in equal pieces, oldest
    first: of each the value that strayed farthest, NaN where none came; least_span: a smaller range of
    the history than this means nothing (unit of measure). asleep: it has limits, and all of them sleep,
    because of the state of its unit.
    """

    name: str
    unit: str | None
    quantity: str
    kind: ChannelKind
    value: float
    unit_of_measure: str
    resolution: float
    status: int
    condition: ChannelCondition
    age_s: float | None
    margin: Margin | None = None
    trend: Trend | None = None
    reach: Reach | None = None
    problem: str = ""
    history: tuple[float, ...] = ()
    least_span: float = 0.0
    asleep: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitView:
    """One unit under test (or the room itself, with an empty serial): its channels, worst first.

    state: operating state, None where none is recorded, and for the room. first_out: of its present or last
    episode, more than one where their readings are of the same time; empty where it was let go.
    """

    name: str
    serial: str
    load: str
    channels: tuple[ChannelView, ...]
    state: UnitState | None = None
    first_out: tuple[ExcursionView, ...] = ()

    @property
    def word(self) -> StateWord | None:
        """The operating state in one word."""
        return None if self.state is None else self.state.word

    @property
    def is_down(self) -> bool:
        """Whether the unit gives no output and its limits sleep."""
        return self.word is not None and self.word.is_down

    @property
    def blind(self) -> tuple[ChannelView, ...]:
        """The channels of which nothing can be said now."""
        return tuple(channel for channel in self.channels if channel.condition.is_blind)

    @property
    def worst(self) -> ChannelView | None:
        """The channel in the most severe condition among those that are read; the worst where none is."""
        read = [channel for channel in self.channels if not channel.condition.is_blind]
        return next(iter(read or self.channels), None)

    @property
    def condition(self) -> ChannelCondition:
        """The condition of ``worst``."""
        return ChannelCondition.WAITING if self.worst is None else self.worst.condition

    @property
    def severity(self) -> tuple[int, int, int, bool]:
        """Sort key: failed, tripped and unexplained first, then by the worst channel, state, blindness."""
        word = self.word or StateWord.DRIVEN
        loss = word.rank if word.is_loss else len(StateWord)
        return (loss, min(self.condition.rank, ChannelCondition.OK.rank), word.rank, not self.blind)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExcursionView:
    """Excursion, as the recorder counted it.

    began_ns: first reading outside; ended_ns: None while active; place: first-out rank in its unit since
    all of it was inside, equal where the readings are; first_out: place 1.
    peak: the value farthest out that is known, NaN if unknown. latched: its episode is the present or last
    one of its unit. consequence: it began after the unit had shut down, and another one was first.
    """

    channel: str
    unit: str | None
    side: str
    limit: float
    unit_of_measure: str
    resolution: float
    began_ns: int
    ended_ns: int | None
    first_out: bool
    place: int
    peak: float
    latched: bool = False
    consequence: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentView:
    """One instrument: age of the last reply, recent failures, last fault of it or its bus."""

    name: str
    bus: str
    driver: str
    poll_s: float
    link: LinkState
    age_s: float | None
    failures: int
    """Exchanges without a usable reply in the last hour, as far as the view has read."""
    last_fault: str
    last_fault_ns: int | None
    channels: int
    """How many channels come from it."""
    numberless: int
    """How many of its channels have no number at present."""
    late_ms: float | None = None
    """99th percentile of how late polls began after their deadline; None while unknown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EventView:
    """One recorded event in words."""

    t_ns: int
    kind: str
    subject: str
    text: str
    trouble: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """The room at one moment.

    now_ns: UTC ns of the picture; newest_ns: middle of the newest record of readings, good or not, None
    before the first. good_ns: the same of the newest good reading; age_s: its age. blind_s: time without a
    good reading where none is known, None where one is. stale: no good reading for longer than the polls
    explain.
    started_ns, planned_s: of the run; elapsed_s: up to now, or to the end of a run that ended.
    gaps: recorded gaps so far. warnings: present faults of the recording itself, in words.
    skipped: what of the recording could not be read, and why. phases: of the test program, one for each
    group of units. alerts: status of the notifiers, '' where there are none.
    """

    rig: str
    run: str
    state: RunState
    now_ns: int
    newest_ns: int | None
    age_s: float | None
    stale: bool
    session: int
    started_ns: int | None
    elapsed_s: float
    planned_s: float
    disk_free: int | None
    units: tuple[UnitView, ...]
    excursions: tuple[ExcursionView, ...]
    instruments: tuple[InstrumentView, ...]
    events: tuple[EventView, ...]
    gaps: int = 0
    warnings: tuple[str, ...] = ()
    skipped: tuple[str, ...] = ()
    phases: tuple[PhaseView, ...] = ()
    alerts: str = ""
    good_ns: int | None = None
    blind_s: float | None = None

    @property
    def live(self) -> bool:
        """Whether the room is shown as it is now: a logger runs, and good readings come."""
        return self.state is RunState.RUNNING and not self.stale

    @property
    def channels(self) -> tuple[ChannelView, ...]:
        """All channels, worst first."""
        return tuple(sorted((c for u in self.units for c in u.channels), key=trouble))

    @property
    def as_of_ns(self) -> int:
        """Up to when things that last have lasted: now, or the last reading of a run that has ended."""
        running = self.state is RunState.RUNNING or self.newest_ns is None
        return self.now_ns if running else self.newest_ns or self.now_ns

    def counts(self) -> dict[ChannelCondition, int]:
        """Return how many channels are in each condition that occurs, worst first."""
        found: dict[ChannelCondition, int] = {}
        for channel in self.channels:
            found[channel.condition] = found.get(channel.condition, 0) + 1
        return found


_SOON_S = 3600.0


def trouble(channel: ChannelView) -> tuple[int, int, int]:
    """Return the sort key of a channel: condition, then the time left, then the margin used up.

    Time counts within the next hour and in doublings, margin in tenths: rows that changed place with
    every flicker of a digit could not be read. Equal keys keep the order of the rig file.
    """
    reach_s = math.inf if channel.reach is None else channel.reach.best_s
    doublings = max(0, round(reach_s)).bit_length() if reach_s < _SOON_S else 64
    used = channel.margin.used if channel.margin else 0.0
    return (channel.condition.rank, doublings, -round(used * 10))
