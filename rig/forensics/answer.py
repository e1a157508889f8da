"""What a post-mortem says, as frozen values: intervals, excursions, order, onsets, roles.

Times are UTC nanoseconds on the recording's own time line; None stands for "not bounded on this side".
Probabilities are between 0 and 1. ``record.to_json`` turns the whole into plain data.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field

from rig.domain.model import ChannelKind, Event, Side


class Method(enum.StrEnum):
    """What an interval rests on."""

    BRACKET = "bracket"
    """Two readings: the last inside and the first outside. Holds whatever happened between them."""
    BEYOND_DOUBT = "beyond-doubt"
    """The last reading inside and the first outside by more than the noise can explain."""
    TREND = "trend"
    """A curve fitted across the crossing, where the trend carries it."""
    CENSORED = "censored"
    """Out already at the first reading: only the end of the interval is known."""


class Censoring(enum.StrEnum):
    """Whether a channel's crossing lies within the recording."""

    NONE = "none"
    LEFT = "left"
    """Out at the first usable reading: it crossed before the recording saw it."""
    RIGHT = "right"
    """Never out while it was read."""
    UNREAD = "unread"
    """Not one usable reading."""
    UNLIMITED = "unlimited"
    """The channel has no limit to leave."""


class Role(enum.StrEnum):
    """Where the first thing that went wrong belongs."""

    SENSOR = "sensor"
    INSTRUMENT = "instrument"
    RIG = "rig"
    COMMON = "common-cause"
    UNIT = "unit"
    NONE = "none"
    """Nothing went wrong that needs a cause."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One reading: taken within ``t_ns`` +- ``h_ns``; ``index`` counts the channel's readings as recorded."""

    index: int
    t_ns: int
    h_ns: int
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WideningReason:
    """Why an interval is as wide as it is.

    code: stable word (``sampling``, ``lost``, ``noise``, ``resolution``, ``trend``, ``accuracy``, ``lag``,
    ``averaging``, ``stamp``, ``order-of-stamps``); text: for people;
    widened_s: seconds added to the interval (negative: taken off).
    """

    code: str
    text: str
    widened_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """Where a true moment lies at the stated confidence.

    best_ns: most likely moment; quantiles_ns: equally probable cuts of the distribution, lowest first
    (empty where it has an open end), from which P(A before B) follows.
    """

    earliest_ns: int | None
    latest_ns: int | None
    best_ns: int | None
    method: Method
    reasons: tuple[WideningReason, ...] = ()
    quantiles_ns: tuple[int, ...] = ()

    @property
    def width_s(self) -> float:
        """Return the width in seconds; infinity where one side is open."""
        if self.earliest_ns is None or self.latest_ns is None:
            return float("inf")
        return (self.latest_ns - self.earliest_ns) / 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossingExcursion:
    """One excursion that counts, by the rule of ``rig.domain.limits``: those that everybody counts.

    last_inside, first_outside, last_outside, returned: its readings (status good only); last_inside is None
    when it was out already; returned is None when it never came back, and the moment itself where its limit
    ceased to be in force. counted_ns: the reading at which its on-delay had run.
    worst: the reading farthest out. lost: readings without a good value before first_outside.
    pieces: how many excursions in a row noise about the limit makes of one stay beyond it, this one among
    them; part: which of them it is, from 1. The interval of the first is that of the stay's own crossing.
    sure: at least one reading (or mean of neighbours) of that stay is out by more than noise explains.
    moved: nothing was crossed; the limit was moved past the readings, or came into force beyond them.
    """

    channel: str
    side: Side
    limit: float
    last_inside: Mark | None
    first_outside: Mark
    last_outside: Mark
    returned: Mark | None
    worst: Mark
    counted_ns: int
    sure: bool
    pieces: int
    lost: int
    interval: Interval
    part: int = 1
    moved: bool = False

    @property
    def is_spike(self) -> bool:
        """Whether a single reading was out, between one inside before and one inside after it."""
        one = self.first_outside.index == self.last_outside.index
        return one and self.pieces == 1 and self.last_inside is not None and self.came_back

    @property
    def came_back(self) -> bool:
        """Whether a reading was seen back inside."""
        return self.returned is not None and self.returned.index > self.last_outside.index


@dataclass(frozen=True, slots=True, kw_only=True)
class Onset:
    """Departure of a channel from its own normal, before any limit.

    interval: where the departure began; baseline, scatter: the normal it left (channel's unit of measure);
    departed_ns: when it was beyond doubt; reached: how far it had gone (in scatters) at the crossing;
    against: what the normal was corrected for (stimulus channels, like channels of other units).
    """

    channel: str
    interval: Interval
    rising: bool
    baseline: float
    scatter: float
    departed_ns: int
    reached: float
    against: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelStory:
    """Everything found about one channel.

    excursions: all of them, oldest first, over the whole recording; ordered: the one that takes part in
    the order (first counted one of the final episode); early: counted ones before that episode.
    onset: None where none was seen (``onset_note`` says why or what slope could not have been seen).
    usable: readings of status good, of ``readings`` in all.
    """

    channel: str
    unit: str | None
    kind: ChannelKind
    unit_of_measure: str
    censoring: Censoring
    readings: int
    usable: int
    excursions: tuple[CrossingExcursion, ...] = ()
    ordered: CrossingExcursion | None = None
    early: tuple[CrossingExcursion, ...] = ()
    onset: Onset | None = None
    onset_note: str = ""
    period_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelPair:
    """Two channels that left their limits, ``first`` standing earlier in the list.

    certain: the first's interval ends before the second's begins. probability: P(first before second).
    told_by_s: the polling interval that would surely have told them apart (None: certain already, or no
    polling would); obstacle: what hides the order, in words.
    """

    first: str
    second: str
    certain: bool
    probability: float
    told_by_s: float | None = None
    obstacle: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExcursionOrder:
    """An interval order over channels.

    channels: by most likely moment. tiers: those with nothing certainly before them, then those with
    only the first tier certainly before them, and so on; two of one tier are never certainly ordered.
    places: lowest and highest place (from 1) each channel can have had. pairs: every pair once.
    """

    channels: tuple[str, ...] = ()
    tiers: tuple[tuple[str, ...], ...] = ()
    places: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    pairs: tuple[ChannelPair, ...] = ()

    @property
    def open_pairs(self) -> tuple[ChannelPair, ...]:
        """Return the pairs whose order cannot be told."""
        return tuple(pair for pair in self.pairs if not pair.certain)

    def certainly_before(self, a: str, b: str) -> bool:
        """Return whether ``a`` is certainly before ``b``."""
        return any(p.certain and p.first == a and p.second == b for p in self.pairs)


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributionEvidence:
    """One observation behind an attribution: which channel (or bus, event), when, what."""

    subject: str
    t_ns: int | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Attribution:
    """One attribution, with what speaks for it and what would refute it.

    subject: channel, instrument, unit or stimulus it is about; channels: those whose excursions it explains;
    weight: how sure, 0 to 1; main: the one that answers "what failed".
    """

    role: Role
    subject: str
    weight: float
    text: str
    channels: tuple[str, ...] = ()
    evidence: tuple[AttributionEvidence, ...] = ()
    refuted_by: tuple[str, ...] = ()
    main: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Consequence:
    """A channel whose excursion follows from something earlier, and why."""

    channel: str
    of: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycling:
    """Protection (or something like it) going out and coming back as one story."""

    channels: tuple[str, ...]
    count: int
    period_s: float
    first_ns: int
    last_ns: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbour:
    """What another unit, or the room, did in the minutes around the failure.

    subject: unit name, or channel name for the room's own.
    state: ``quiet``, ``out``, ``shifted`` or ``unread``.
    """

    subject: str
    state: str
    text: str
    channels: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """The short answer: one sentence each."""

    what: str
    when: str
    first: str
    sure: str
    look_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PostMortem:
    """The whole answer for one unit.

    reference_ns: the moment all relative times count from (most likely first departure of the final
    episode; end of the recording when nothing failed). episode_ns: start and end of the final episode.
    order: of leaving limits; onset_order: of departing from normal; early: excursions before the final
    episode. events: recorded events near the episode. doubts: what limits this answer.
    """

    rig: str
    unit: str | None
    serial: str
    confidence: float
    span_ns: tuple[int, int]
    reference_ns: int
    episode_ns: tuple[int, int] | None
    headline: Headline
    channels: tuple[ChannelStory, ...]
    order: ExcursionOrder
    onset_order: ExcursionOrder
    findings: tuple[Attribution, ...] = ()
    consequences: tuple[Consequence, ...] = ()
    cycling: tuple[Cycling, ...] = ()
    early: tuple[CrossingExcursion, ...] = ()
    neighbours: tuple[Neighbour, ...] = ()
    events: tuple[Event, ...] = ()
    doubts: tuple[str, ...] = ()

    def story(self, channel: str) -> ChannelStory:
        """Return the story of one channel; raises KeyError."""
        for story in self.channels:
            if story.channel == channel:
                return story
        raise KeyError(channel)

    @property
    def main(self) -> Attribution | None:
        """Return the attribution that answers "what failed"."""
        return next((finding for finding in self.findings if finding.main), None)
