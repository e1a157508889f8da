"""Headline of a post-mortem in sentences, and the limitations of the analysis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

from rig.domain.formatting import counted, duration
from rig.domain.model import Event
from rig.domain.operating_state import Certainty, StateChange
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
from rig.forensics.episodes import Episode
from rig.forensics.fault_rule import SensorFault

SILENCES = 5
"""Number of instruments with a silence that are named."""
OPEN_PAIRS = 5
"""Number of undetermined pairs that are listed one by one."""


def moment(t_ns: int) -> str:
    """Return a moment as UTC text to the millisecond."""
    return datetime.fromtimestamp(t_ns / 1e9, tz=UTC).strftime("%Y-%m-%d %H:%M:%S.%f")[:-3] + " UTC"


def headline(
    main: Attribution,
    ranking: ExcursionOrder,
    firsts: Mapping[str, CrossingExcursion],
    onsets: Sequence[Onset],
    cycles: Sequence[Cycling],
    *,
    outcome: str,
    room: str = "",
) -> Headline:
    """Return the headline: result, time, first out, confidence, what to check first.

    outcome: see ``outcome_words``. room: what became of the other units, in words.
    """
    result = _result(main, ranking, firsts, outcome)
    if cycles:
        result += f"; {cycles[0].text}"
    result += f"; {room}" if room else ""
    if not ranking.channels:
        when = moment(main.evidence[0].t_ns) if main.evidence and main.evidence[0].t_ns else ""
        first = main.subject if main.role is not Role.NONE else "none"
        return Headline(
            result=result, when=when, first_out=first, confidence=_cause(main),
            check_first=_check_first(main, (), None),
        )  # fmt: skip
    tier = ranking.tiers[0]
    return Headline(
        result=result,
        when=_when(firsts[tier[0]]),
        first_out=" or ".join(tier),
        confidence=f"{_order(ranking)}; {_cause(main)}",
        check_first=_check_first(
            main, tier, min(onsets, key=lambda o: o.interval.best_ns or 0, default=None)
        ),
    )


def outcome_words(episode: Episode | None, failed: StateChange | None) -> str:
    """Return in words how a unit's excursions ended; failed: the failure of the unit that is on record."""
    if episode is None:
        return ""
    end_ns = episode.end_ns
    late = failed is not None and end_ns is not None and failed.earliest_ns > end_ns
    if failed is not None and failed.latest_ns >= episode.start_ns and not late:
        certain = failed.certainty is Certainty.CERTAIN
        return "failed" if certain else f"suspected to have failed ({failed.certainty})"
    if end_ns is None:
        return "failed"
    if not all(one.came_back for one in episode.excursions):  # its limit went to sleep, or was taken away
        return "out of limits, not seen back within all of them"
    return "out of limits, returned to normal"


def _result(
    main: Attribution, ranking: ExcursionOrder, firsts: Mapping[str, CrossingExcursion], outcome: str
) -> str:
    """Return the failure in one sentence."""
    if main.role is not Role.UNIT or not ranking.channels:
        return main.text
    tier = ranking.tiers[0]
    if len(tier) == 1:
        return f"{main.subject} {outcome}; first out: {tier[0]} ({firsts[tier[0]].side} limit)"
    names = " or ".join(tier) if len(tier) == 2 else f"undetermined among {len(tier)} channels"
    return f"{main.subject} {outcome}; first out: {names}"


def listed(names: Sequence[str], most: int = 3) -> str:
    """Return names in words, the first ``most`` of many: ``a, b, c and 4 more``."""
    rest = len(names) - most
    return ", ".join(names) if rest <= 0 else f"{', '.join(names[:most])} and {rest} more"


def _when(excursion: CrossingExcursion) -> str:
    interval = excursion.interval
    if interval.best_ns is None or interval.earliest_ns is None:
        return f"before {moment(interval.latest_ns or 0)}: out at the first reading"
    half = interval.width_s / 2
    return f"{moment(interval.best_ns)} (± {duration(half)})"


def _order(ranking: ExcursionOrder) -> str:
    tier = ranking.tiers[0]
    if len(ranking.channels) == 1:
        return "only one channel out of limits"
    if len(tier) == 1:
        return "first-out certain"
    near = [p for p in ranking.open_pairs if p.first in tier and p.second in tier]
    finest = min((p.resolvable_at_s for p in near if p.resolvable_at_s), default=None)
    hint = f", resolvable at {duration(finest)} sampling" if finest else ""
    best = max(tier, key=lambda n: _chance_first(ranking, n, tier))
    return f"first-out undetermined among {len(tier)} channels, {best} most likely{hint}"


def _chance_first(ranking: ExcursionOrder, name: str, tier: Sequence[str]) -> float:
    """Return the least probability with which a channel is before each other one of its tier."""
    chances = [1.0]
    for pair in ranking.pairs:
        if pair.first == name and pair.second in tier:
            chances.append(pair.probability)
        elif pair.second == name and pair.first in tier:
            chances.append(1 - pair.probability)
    return min(chances)


def _cause(main: Attribution) -> str:
    places = {
        Role.SENSOR: "cause in the sensor",
        Role.INSTRUMENT: "cause in the instrument or its bus",
        Role.RIG: "cause in the test rig",
        Role.COMMON: "common cause",
        Role.UNIT: "cause in the unit",
        Role.NONE: "no fault",
    }
    return f"{places[main.role]} {main.likelihood}"


def _check_first(main: Attribution, tier: Sequence[str], onset: Onset | None) -> str:
    first = main.channels[0] if main.channels else main.subject
    where = first
    if len(tier) > 1:
        where = f"{listed(tier)} (order undetermined)"
    hints = {
        Role.SENSOR: f"the sensor of {main.subject} and its wiring",
        Role.INSTRUMENT: f"instrument {main.subject}, its cable and its bus",
        Role.RIG: f"the {main.subject} source",
        Role.COMMON: f"what the units share: supply, air, signal ({main.subject})",
        Role.UNIT: where,
        Role.NONE: "nothing",
    }
    text = hints[main.role]
    if onset is not None and onset.interval.best_ns is not None and main.role is Role.UNIT:
        way = "rising" if onset.rising else "falling"
        text += f"; onset: {onset.channel} {way} from {moment(onset.interval.best_ns)}, within limits"
    return text


def silences(events: Sequence[Event], end_ns: int) -> list[str]:
    """Return the silences of instruments in words, the longest first.

    events: lost and back, in recorded order; end_ns: where a silence ends that has no end on record.
    """
    found: dict[str, list[tuple[int, int]]] = {}
    for one in absences(events):
        start_ns = one.begun.t_ns
        until_ns = one.ended.t_ns if one.ended else max(start_ns, end_ns)
        found.setdefault(one.begun.subject, []).append((start_ns, until_ns))
    lengths = {name: sum(end - start for start, end in those) / 1e9 for name, those in found.items()}
    return [
        f"{name} offline {counted(len(found[name]), 'time')}, {duration(lengths[name])} in all, last from "
        f"{moment(max(found[name])[0])}: its channels are unknown for that time"
        for name in sorted(found, key=lambda one: -lengths[one])[:SILENCES]
    ]


def _open_pairs(ranking: ExcursionOrder) -> list[str]:
    """Return the undetermined pairs, most probable order first; the rest as a number."""
    pairs = sorted(ranking.open_pairs, key=lambda p: p.probability, reverse=True)
    said = []
    for pair in pairs[:OPEN_PAIRS]:
        finer = pair.resolvable_at_s
        resolvable = f"; resolvable at {duration(finer)} sampling" if finer else ""
        said.append(
            f"order of {pair.first} and {pair.second} undetermined "
            f"(P = {pair.probability:.2f} that {pair.first} was first; {pair.obstacle}){resolvable}"
        )
    if len(pairs) > OPEN_PAIRS:
        said.append(f"{len(pairs) - OPEN_PAIRS} more pairs undetermined")
    return said


def limitations(
    stories: Sequence[ChannelStory], ranking: ExcursionOrder, faults: Sequence[SensorFault]
) -> tuple[str, ...]:
    """Return the limitations of the analysis, one sentence each."""
    said: list[str] = []
    for story in stories:
        if story.censoring is Censoring.LEFT:
            said.append(f"{story.channel} was out before the recording began: its rank has no lower bound")
        if story.censoring is Censoring.UNREAD:
            said.append(f"{story.channel}: no usable reading")
        touched = [e for e in story.excursions if not e.sure and not e.moved]
        if touched:
            times = f"{len(touched)} times" if len(touched) > 1 else "once"
            said.append(
                f"{story.channel} beyond its limit {times} within noise and accuracy: not significant"
            )
        if story.ordered is not None and story.ordered.lost:
            said.append(f"{story.ordered.lost} readings of {story.channel} lost around its crossing")
    said += _open_pairs(ranking)
    said += [
        f"{', '.join(fault.channels)} excluded ({_kind(fault)}): {fault.evidence[0].text}" for fault in faults
    ]
    return tuple(said)


def _kind(fault: SensorFault) -> str:
    return "instrument fault" if fault.fault_type.of_instrument else "sensor fault"
