"""A made-up post-mortem that has something in every section. Values are invented."""

from __future__ import annotations

from collections.abc import Sequence

from rig.domain.model import ChannelKind, Event, EventKind, Side
from rig.forensics.answer import (
    Attribution,
    AttributionEvidence,
    Censoring,
    ChannelPair,
    ChannelStory,
    Consequence,
    CrossingExcursion,
    Cycling,
    ExcursionOrder,
    Headline,
    Interval,
    Mark,
    Method,
    Neighbour,
    Onset,
    PostMortem,
    Role,
    WideningReason,
)

SECOND = 1_000_000_000
T0 = 1_900_000_000 * SECOND
"""2030-03-17 17:46:40 UTC."""


def interval(earliest_s: float | None, latest_s: float | None) -> Interval:
    known = [s for s in (earliest_s, latest_s) if s is not None]
    return Interval(
        earliest_ns=None if earliest_s is None else T0 + round(earliest_s * SECOND),
        latest_ns=None if latest_s is None else T0 + round(latest_s * SECOND),
        best_ns=T0 + round(sum(known) / len(known) * SECOND) if len(known) == 2 else None,
        method=Method.BRACKET if len(known) == 2 else Method.CENSORED,
        reasons=(
            WideningReason(code="sampling", text="readings 0.5 s apart", widened_s=0.5),
            WideningReason(code="lag", text="the sensor lags", widened_s=0.08),
        ),
        quantiles_ns=(T0,),
    )


def mark(at_s: float, value: float) -> Mark:
    return Mark(index=3, t_ns=T0 + round(at_s * SECOND), h_ns=1000, value=value)


def excursion(
    channel: str, earliest_s: float | None, latest_s: float, side: Side = Side.HIGH, limit: float = 95.0
) -> CrossingExcursion:
    return CrossingExcursion(
        channel=channel,
        side=side,
        limit=limit,
        last_inside=None if earliest_s is None else mark(earliest_s, limit - 0.5),
        first_outside=mark(latest_s, limit + 0.5),
        last_outside=mark(latest_s + 9, limit + 5),
        returned=None,
        worst=mark(latest_s + 5, limit + 9.87654),
        counted_ns=mark(latest_s, limit).t_ns,
        sure=True,
        pieces=1,
        lost=2,
        interval=interval(earliest_s, latest_s),
    )


def story(channel: str, ordered: CrossingExcursion | None = None, **more: object) -> ChannelStory:
    values: dict[str, object] = {
        "channel": channel, "unit": "A3", "kind": ChannelKind.RESPONSE, "unit_of_measure": "degC",
        "censoring": Censoring.NONE if ordered else Censoring.RIGHT, "readings": 100, "usable": 99,
        "excursions": (ordered,) if ordered else (), "ordered": ordered, "period_s": 0.5,
    }  # fmt: skip
    return ChannelStory(**(values | more))  # type: ignore[arg-type]


def event(kind: EventKind, at_s: float, text: str) -> Event:
    return Event(kind=kind, t_ns=T0 + round(at_s * SECOND), session=1, seq=1, subject="run", text=text)


def post_mortem(names: Sequence[str] = ("A3.fan", "A3.heatsink", "A3.volts", "A3.bias")) -> PostMortem:
    """Return an answer about unit A3: two certainly ordered, two not, the last of them censored."""
    fan, heat, volts, bias = names
    ranks = ((-0.2, 0.3), (10.0, 10.6), (12.6, 13.2), (None, 13.4))
    excursions = [excursion(name, *place) for name, place in zip(names, ranks, strict=True)]
    early = excursion(heat, -7201.0, -7200.0)
    stories = [story(name, one) for name, one in zip(names, excursions, strict=True)]
    onset = Onset(
        channel=heat, interval=interval(-30.0, -20.0), rising=True, baseline=70.04, scatter=0.1234,
        detected_ns=T0 - 10 * SECOND, reached=12.0, corrected_for=("ambient",),
    )  # fmt: skip
    stories[1] = story(heat, excursions[1], onset=onset, early=(early,))
    stories[2] = story(
        volts, excursions[2], onset_note="no onset seen before the limit: it fell within one poll"
    )
    stories += [
        story("A3.quiet"),
        story("A3.open", censoring=Censoring.UNREAD),
        story("tone", censoring=Censoring.UNLIMITED, unit=None),
    ]
    certain = [
        ChannelPair(first=fan, second=other, certain=True, probability=1.0) for other in (heat, volts, bias)
    ]
    pairs = (
        *certain,
        ChannelPair(first=heat, second=volts, certain=True, probability=1.0),
        ChannelPair(
            first=volts, second=bias, certain=False, probability=0.9999, resolvable_at_s=0.05, obstacle="gap"
        ),
        ChannelPair(first=heat, second=bias, certain=False, probability=0.63),
    )
    return PostMortem(
        rig="hot-room",
        unit="A3",
        serial="0019",
        confidence=0.95,
        span_ns=(T0 - 9000 * SECOND, T0 + 60 * SECOND),
        reference_ns=T0,
        episode_ns=(T0, T0 + 60 * SECOND),
        headline=Headline(
            result="unit A3 left its limits on 4 channels",
            when="2030-03-17T17:46:40.000+00:00",
            first_out=fan,
            confidence="certain: every other channel's interval begins after this one's has ended",
            check_first="the fan and what drives it",
        ),
        channels=tuple(stories),
        order=ExcursionOrder(
            channels=tuple(names),
            tiers=((fan,), (heat,), (volts, bias)),
            ranks={fan: (1, 1), heat: (2, 3), volts: (3, 4), bias: (2, 4)},
            pairs=pairs,
        ),
        onset_order=ExcursionOrder(channels=(heat,), tiers=((heat,),), ranks={heat: (1, 1)}),
        findings=(
            Attribution(
                role=Role.UNIT, subject="A3", weight=0.9, text="the fan stopped, then heat rose", main=True,
                channels=(fan, heat), ruled_out_if=("a fan supply that sagged at the same time",),
                evidence=(AttributionEvidence(subject=fan, t_ns=T0, text="speed fell from 980 to 760 rpm"),),
            ),
            Attribution(role=Role.RIG, subject="mains", weight=0.05, text="mains stayed within 1 V"),
        ),
        consequences=(
            Consequence(channel=volts, of="A3", reason="effect of A3 shutting down (protection tripped)"),
        ),
        cycling=(
            Cycling(channels=(volts,), count=5, period_s=42.0, first_ns=T0, last_ns=T0 + SECOND,
                    text="A3.volts: 5 excursions and returns, one every 42 s"),
        ),
        early=(early,),
        neighbours=(Neighbour(subject="A4", state="normal", text="within limits, unchanged"),),
        events=(
            event(EventKind.NOTE, -65.0, "fan guard touched"),
            event(EventKind.LIMIT_OUT, 0.3, "told elsewhere"),
            event(EventKind.GAP, 3.0, "3 polls of scanner passed over"),
        ),
        limitations=("the clock was not synchronised",),
    )  # fmt: skip


def nothing() -> PostMortem:
    """Return the answer about a recording in which nothing failed."""
    return PostMortem(
        rig="hot-room", unit=None, serial="", confidence=0.95, span_ns=(T0, T0 + SECOND),
        reference_ns=T0 + SECOND, episode_ns=None,
        headline=Headline(
            result="no channel left its limits", when="", first_out="none", confidence="",
            check_first="nothing"
        ),
        channels=(story("A3.quiet"),), order=ExcursionOrder(), onset_order=ExcursionOrder(),
    )  # fmt: skip
