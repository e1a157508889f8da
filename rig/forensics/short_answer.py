"""The short answer in sentences, and the doubts that go with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

from rig.domain.formatting import counted, duration
from rig.domain.model import Event
from rig.domain.outages import absences
from rig.forensics.answer import (
    Attribution,
    Censoring,
    ChannelStory,
    CrossingExcursion,
    Cycling,
    ExcursionOrder,
    Headline,
    Onset,
    Role,
)
from rig.forensics.sensor_faults import SensorFault

SILENCES = 5
"""How many instruments that were silent for a while are named."""
OPEN_PAIRS = 5
"""How many pairs that cannot be told apart are named one by one."""


def moment(t_ns: int) -> str:
    """Return a moment as UTC text to the millisecond."""
    return datetime.fromtimestamp(t_ns / 1e9, tz=UTC).strftime("%Y-%m-%d %H:%M:%S.%f")[:-3] + " UTC"


def headline(
    main: Attribution,
    ranking: ExcursionOrder,
    firsts: Mapping[str, CrossingExcursion],
    onsets: Sequence[Onset],
    stories: Sequence[Cycling],
) -> Headline:
    """Return the short answer."""
    what = main.text
    if stories:
        what += f"; {stories[0].text}"
    if not ranking.channels:
        when = moment(main.evidence[0].t_ns) if main.evidence and main.evidence[0].t_ns else ""
        first = main.subject if main.role is not Role.NONE else "nothing"
        look_at = _look_at(main, (), None)
        return Headline(what=what, when=when, first=first, sure=_weight(main), look_at=look_at)
    tier = ranking.tiers[0]
    return Headline(
        what=what,
        when=_when(firsts[tier[0]]),
        first=" or ".join(tier),
        sure=f"{_order_doubt(ranking)}; {_weight(main)}",
        look_at=_look_at(main, tier, min(onsets, key=lambda o: o.interval.best_ns or 0, default=None)),
    )


def listed(names: Sequence[str], most: int = 3) -> str:
    """Return names in words, the first ``most`` of many: ``a, b, c and 4 more``."""
    rest = len(names) - most
    return ", ".join(names) if rest <= 0 else f"{', '.join(names[:most])} and {rest} more"


def _when(excursion: CrossingExcursion) -> str:
    interval = excursion.interval
    if interval.best_ns is None or interval.earliest_ns is None:
        return f"before {moment(interval.latest_ns or 0)}: out already at the first reading"
    half = interval.width_s / 2
    return f"{moment(interval.best_ns)} (+- {duration(half)})"


def _order_doubt(ranking: ExcursionOrder) -> str:
    tier = ranking.tiers[0]
    if len(ranking.channels) == 1:
        return "the only channel that left its limits"
    if len(tier) == 1:
        return f"first of {len(ranking.channels)} for certain"
    near = [p for p in ranking.open_pairs if p.first in tier and p.second in tier]
    told = [p.told_by_s for p in near if p.told_by_s]
    hint = f"; polling every {duration(min(told))} would have told them apart" if told else ""
    best = max(tier, key=lambda n: _chance_first(ranking, n, tier))
    return f"{len(tier)} channels cannot be told apart, {best} most likely first{hint}"


def _chance_first(ranking: ExcursionOrder, name: str, tier: Sequence[str]) -> float:
    """Return the least probability with which a channel is before each other one of its tier."""
    chances = [1.0]
    for pair in ranking.pairs:
        if pair.first == name and pair.second in tier:
            chances.append(pair.probability)
        elif pair.second == name and pair.first in tier:
            chances.append(1 - pair.probability)
    return min(chances)


def _weight(main: Attribution) -> str:
    word = "very likely" if main.weight >= 0.95 else "likely" if main.weight >= 0.8 else "doubtful"
    return f"attribution to {main.role.value} {word} ({main.weight:.2f})"


def _look_at(main: Attribution, tier: Sequence[str], onset: Onset | None) -> str:
    first = main.channels[0] if main.channels else main.subject
    where = f"{first} of unit {main.subject}"
    if len(tier) > 1:
        where = f"unit {main.subject} at {listed(tier)}: none of them can be singled out"
    hints = {
        Role.SENSOR: f"the sensor of {main.subject} and its wiring, before the unit",
        Role.INSTRUMENT: f"instrument {main.subject}, its cable and its bus, before any unit",
        Role.RIG: f"what drives {main.subject}: the rig, before the unit",
        Role.COMMON: f"what the units share ({main.subject}): supply, air, signal",
        Role.UNIT: where,
        Role.NONE: "nothing",
    }
    text = hints[main.role]
    if onset is not None and onset.interval.best_ns is not None and main.role is Role.UNIT:
        way = "rise" if onset.rising else "fall"
        text += f"; {onset.channel} had begun to {way} at {moment(onset.interval.best_ns)}, inside its limits"
    return text


def silences(events: Sequence[Event], end_ns: int) -> list[str]:
    """Return in words which instruments did not answer for a while, the longest silence first.

    events: lost and back, in recorded order; end_ns: where a silence ends that has no end on record.
    """
    found: dict[str, list[tuple[int, int]]] = {}
    for one in absences(events):
        start_ns = one.begun.t_ns
        until_ns = one.ended.t_ns if one.ended else max(start_ns, end_ns)
        found.setdefault(one.begun.subject, []).append((start_ns, until_ns))
    lengths = {name: sum(end - start for start, end in those) / 1e9 for name, those in found.items()}
    return [
        f"{name} did not answer for {duration(lengths[name])}, {counted(len(found[name]), 'time')}, the last "
        f"from {moment(max(found[name])[0])}: what its channels did then is not known"
        for name in sorted(found, key=lambda one: -lengths[one])[:SILENCES]
    ]


def _open_pairs(ranking: ExcursionOrder) -> list[str]:
    """Return the pairs that cannot be told apart, the closest calls first; the rest as a number."""
    pairs = sorted(ranking.open_pairs, key=lambda p: p.probability, reverse=True)
    said = []
    for pair in pairs[:OPEN_PAIRS]:
        told_by = f"; polling every {duration(pair.told_by_s)} would have" if pair.told_by_s else ""
        said.append(
            f"{pair.first} and {pair.second} cannot be told apart "
            f"(P = {pair.probability:.2f} that {pair.first} was first; {pair.obstacle}){told_by}"
        )
    if len(pairs) > OPEN_PAIRS:
        said.append(f"{len(pairs) - OPEN_PAIRS} more pairs cannot be told apart either")
    return said


def doubts(
    told: Sequence[ChannelStory], ranking: ExcursionOrder, ills: Sequence[SensorFault]
) -> tuple[str, ...]:
    """Return what limits this answer, one sentence each."""
    said: list[str] = []
    for story in told:
        if story.censoring is Censoring.LEFT:
            said.append(
                f"{story.channel} was out before the recording saw it; its place is open towards the start"
            )
        if story.censoring is Censoring.UNREAD:
            said.append(f"{story.channel} has not one usable reading")
        touched = [e for e in story.excursions if not e.sure and not e.moved]
        if touched:
            times = f"{len(touched)} times" if len(touched) > 1 else "once"
            said.append(
                f"{story.channel} touched its limit {times}, by no more than noise or accuracy explain"
            )
        if story.ordered is not None and story.ordered.lost:
            said.append(f"{story.ordered.lost} readings of {story.channel} were lost around its crossing")
    said += _open_pairs(ranking)
    said += [f"{', '.join(ill.channels)} set aside: {ill.evidence[0].text}" for ill in ills]
    return tuple(said)
