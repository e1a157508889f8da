"""Result of a post-mortem as frozen values: intervals, excursions, order, onsets, roles.

Times are UTC nanoseconds on the recording's own time line; None stands for "not bounded on this side".
Probabilities are between 0 and 1. ``postmortem_json.to_json`` turns it into plain data.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field

from rig.domain.model import ChannelKind, Event, Side


class Method(enum.StrEnum):
    """Method by which an interval was found."""

    BRACKET = "bracket"
    """Last reading inside and first reading outside. Holds whatever happened between them."""
    BEYOND_DOUBT = "guaranteed-bracket"
    """Last reading inside and first reading outside by more than noise can explain."""
    TREND = "curve-fit"
    """Curve fitted across the crossing."""
    CENSORED = "censored"
    """Out at the first reading: only the end of the interval is known."""


class Censoring(enum.StrEnum):
    """Position of a channel's crossing relative to the recording."""

    NONE = "none"
    LEFT = "left"
    """Out at the first usable reading: crossed before the recording began."""
    RIGHT = "right"
    """Never out while it was read."""
    UNREAD = "unread"
    """No usable reading."""
    UNLIMITED = "unlimited"
    """The channel has no limit."""


class Role(enum.StrEnum):
    """Place of the cause."""

    SENSOR = "sensor"
    INSTRUMENT = "instrument"
    RIG = "rig"
    COMMON = "common-cause"
    UNIT = "unit"
    NONE = "none"
    """No fault found."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One reading: taken within ``t_ns`` +- ``h_ns``; ``index`` counts the channel's readings as recorded."""

    index: int
    t_ns: int
    h_ns: int
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WideningReason:
    """Contribution to the width of an interval.

    code: stable word (``sampling``, ``lost``, ``noise``, ``resolution``, ``trend``, ``accuracy``, ``lag``,
    ``averaging``, ``stamp``, ``order-of-stamps``); text: for people;
    widened_s: seconds added to the interval (negative: taken off).
    """

    code: str
    text: str
    widened_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """Interval that holds a true moment at the stated confidence.

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
    """First deviation of a channel from its baseline, before any limit.

    interval: beginning of the deviation; baseline, scatter: in the channel's unit of measure;
    detected_ns: when the deviation was significant; reached: size of the deviation at the crossing, in
    scatters; corrected_for: channels whose effect was removed (stimuli, same channel of other units).
    """

    channel: str
    interval: Interval
    rising: bool
    baseline: float
    scatter: float
    detected_ns: int
    reached: float
    corrected_for: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelStory:
    """Findings about one channel.

    excursions: all of them, oldest first, over the whole recording; ordered: the one that takes part in
    the order (first counted one of the final episode); early: counted ones before that episode.
    onset: None where none was detected (``onset_note`` gives the reason, or the slope that is detectable).
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
    """Two channels that left their limits, ``first`` the one ranked earlier.

    certain: the first's interval ends before the second's begins. probability: P(first before second).
    resolvable_at_s: sampling interval that would have settled the order (None: certain already, or none
    would); obstacle: largest contribution to the uncertainty, in words.
    """

    first: str
    second: str
    certain: bool
    probability: float
    resolvable_at_s: float | None = None
    obstacle: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExcursionOrder:
    """Interval order over channels.

    channels: by most likely moment. tiers: those with nothing certainly before them, then those with
    only the first tier certainly before them, and so on; two of one tier are never certainly ordered.
    ranks: lowest and highest rank (from 1) each channel can have had. pairs: every pair once.
    """

    channels: tuple[str, ...] = ()
    tiers: tuple[tuple[str, ...], ...] = ()
    ranks: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    pairs: tuple[ChannelPair, ...] = ()

    @property
    def open_pairs(self) -> tuple[ChannelPair, ...]:
        """Return the pairs whose order is undetermined."""
        return tuple(pair for pair in self.pairs if not pair.certain)

    def certainly_before(self, a: str, b: str) -> bool:
        """Return whether ``a`` is certainly before ``b``."""
        return any(p.certain and p.first == a and p.second == b for p in self.pairs)


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributionEvidence:
    """One observation behind an attribution: channel (or bus, event), time, text."""

    subject: str
    t_ns: int | None
    text: str


_LIKELIHOODS = ((0.95, "very likely"), (0.8, "likely"))
"""Least weight for each word; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attribution:
    """Attribution of the failure to a cause, with its evidence and what would rule it out.

    subject: channel, instrument, unit or stimulus it is about; channels: those whose excursions it explains;
    weight: degree of belief, 0 to 1; main: the one that explains the failure.
    """

    role: Role
    subject: str
    weight: float
    text: str
    channels: tuple[str, ...] = ()
    evidence: tuple[AttributionEvidence, ...] = ()
    ruled_out_if: tuple[str, ...] = ()
    main: bool = False

    @property
    def likelihood(self) -> str:
        """Return the weight as a word."""
        for least, word in _LIKELIHOODS:
            if self.weight >= least:
                return word
        return "uncertain"


@dataclass(frozen=True, slots=True, kw_only=True)
class Consequence:
    """Excursion that follows from something earlier, with the reason."""

    channel: str
    of: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycling:
    """Repeated excursions and returns at an even period, as of a protection that opens and closes."""

    channels: tuple[str, ...]
    count: int
    period_s: float
    first_ns: int
    last_ns: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbour:
    """State of another unit, or of the room, in the minutes around the failure.

    subject: unit name, or channel name for the room's own.
    state: ``normal``, ``failed``, ``out``, ``changed`` or ``unread``.
    """

    subject: str
    state: str
    text: str
    channels: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """The short answer: one sentence each."""

    result: str
    when: str
    first_out: str
    confidence: str
    check_first: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PostMortem:
    """Result of the analysis for one unit.

    reference_ns: origin of all relative times (most likely first crossing of the final episode; end of the
    recording when nothing failed). episode_ns: start and end of the final episode. order: of the limit
    crossings; onset_order: of the onsets; early: excursions before the final episode. events: recorded
    events near the episode. limitations: of this analysis, a sentence each.
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
    limitations: tuple[str, ...] = ()

    def story(self, channel: str) -> ChannelStory:
        """Return the findings about one channel; raises KeyError."""
        for story in self.channels:
            if story.channel == channel:
                return story
        raise KeyError(channel)

    @property
    def main(self) -> Attribution | None:
        """Return the attribution that explains the failure."""
        return next((finding for finding in self.findings if finding.main), None)
