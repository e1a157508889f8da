"""Roles before blame: sensor, instrument, rig, common cause, unit - each with evidence and its refutation.

Readings that are not to be believed are set aside first. Of what remains, a stimulus that left its limits
no later than the first response speaks for the rig; the same movement of like channels on other units
speaks for a common cause; only what is left is the unit's own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from rig.domain.model import ChannelKind
from rig.forensics.analysis_data import AnalysisData, instrument_of
from rig.forensics.answer import (
    Attribution,
    AttributionEvidence,
    CrossingExcursion,
    ExcursionOrder,
    Interval,
    Onset,
    Role,
)
from rig.forensics.onset import onset
from rig.forensics.order import certainly_before, probability_before
from rig.forensics.sensor_faults import INSTRUMENTAL, FaultType, SensorFault
from rig.forensics.short_answer import listed
from rig.forensics.spikes import in_words
from rig.forensics.stimulus import SHARED, Out, hollow, left_its_range, moved_alike, names_in, shifted_stimuli

AT_LEAST = 0.05
"""A stimulus counts as before (or with) the first response from this probability on: what is done to a unit
moves it at once, so the two mostly fall between the same polls."""

WORDS = {
    FaultType.OPEN: (
        "sensor open or out of range",
        "the same sensor read by another instrument gives a value",
    ),
    FaultType.FULL_SCALE: ("sensor at the end of its range", "the same place measured otherwise is as hot"),
    FaultType.STUCK: ("reading stuck", "the quantity measured otherwise holds as still"),
    FaultType.FALLEN: ("sensor fallen off", "the sensor is found in place"),
    FaultType.IMPOSSIBLE: ("moved faster than heat can", "the same place measured otherwise moved as fast"),
    FaultType.SILENT: ("stopped answering", "the instrument answers another computer on the same cable"),
    FaultType.JOLT: ("all its channels jumped in one scan", "another instrument saw the same jump"),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AttributionInput:
    """What the attribution starts from.

    firsts: excursions of the final episode that are to be believed; ranking: their order. strays: single
    readings that were out alone, by channel: nobody is blamed for these.
    """

    scene: AnalysisData
    unit: str | None
    firsts: Mapping[str, CrossingExcursion]
    ranking: ExcursionOrder
    ills: Sequence[SensorFault]
    confidence: float
    strays: Mapping[str, Sequence[CrossingExcursion]] = field(default_factory=dict)


def sick_channels(scene: AnalysisData, ills: Sequence[SensorFault]) -> dict[str, int]:
    """Return the channels not to be believed and from when (UTC ns): read or derived from something ill."""
    sick: dict[str, int] = {}
    for ill in ills:
        if ill.ailment is not FaultType.SILENT:
            for name in ill.channels:
                sick[name] = min(ill.from_ns, sick.get(name, ill.from_ns))
    for channel in scene.layout.channels.values():
        named = [sick[n] for n in list(sick) if channel.formula and n in names_in(channel.formula)]
        if named:
            sick[channel.name] = min(named)
    return sick


def believed(
    scene: AnalysisData, firsts: Mapping[str, CrossingExcursion], ills: Sequence[SensorFault]
) -> dict[str, CrossingExcursion]:
    """Return the excursions that do not come from an ill sensor or instrument."""
    sick = sick_channels(scene, ills)
    kept = {}
    for name, excursion in firsts.items():
        slack = 2 * excursion.first_outside.h_ns + 2_000_000_000
        if name not in sick or excursion.first_outside.t_ns < sick[name] - slack:
            kept[name] = excursion
    return kept


def findings(known: AttributionInput) -> list[Attribution]:
    """Return all attributions, the one that answers "what failed" marked, most telling first."""
    made = [_of_ill(ill) for ill in known.ills if _concerns(known, ill)]
    cause = _cause(known)
    if cause is not None:
        return [cause, *made]
    if made:
        first = min(range(len(made)), key=lambda k: made[k].evidence[0].t_ns or 0)
        made[first] = _as_main(made[first])
        return [made[first], *made[:first], *made[first + 1 :]]
    text = "no channel left its limits beyond doubt, and no sensor or instrument looks ill"
    if known.strays:
        spikes = [in_words(known.scene, name, found[0]) for name, found in known.strays.items()]
        text = f"no failure is shown: {listed(spikes, 1)}, and nothing else"
    nothing = Attribution(
        role=Role.NONE,
        subject=known.unit or known.scene.layout.rig,
        weight=0.95,
        text=text,
        refuted_by=("a channel without limits, or between two polls, that nobody watched",),
        main=True,
    )
    return [nothing]


def _as_main(finding: Attribution) -> Attribution:
    from dataclasses import replace

    return replace(finding, main=True)


def _concerns(known: AttributionInput, ill: SensorFault) -> bool:
    """Return whether an ailment touches the unit, or the room."""
    channels = known.scene.layout.channels
    return known.unit is None or any(channels[n].unit in {known.unit, None} for n in ill.channels)


def _of_ill(ill: SensorFault) -> Attribution:
    """Return the attribution an ailment stands for."""
    what, refutation = WORDS[ill.ailment]
    role = Role.INSTRUMENT if ill.ailment in INSTRUMENTAL else Role.SENSOR
    return Attribution(
        role=role,
        subject=ill.subject,
        weight=0.9,
        text=f"{ill.subject}: {what}",
        channels=ill.channels,
        evidence=ill.evidence,
        refuted_by=(refutation,),
    )


def _cause(known: AttributionInput) -> Attribution | None:
    """Return the attribution of the believed excursions; None when there are none."""
    if not known.firsts:
        return None
    stimulus = _stimulus_first(known)
    if stimulus is not None:
        return stimulus
    channels = known.scene.layout.channels
    responses = [n for n in known.ranking.channels if channels[n].kind is ChannelKind.RESPONSE]
    if not responses:
        return None
    return _shared(known, responses) or _stimulus_changed(known, responses) or _unit(known, responses)


def _stimulus_first(known: AttributionInput) -> Attribution | None:
    """Return the attribution to the rig where a stimulus was out no later than the first response."""
    channels = known.scene.layout.channels
    acting = [
        n for n in known.ranking.channels if channels[n].kind is ChannelKind.STIMULUS and not _empty(known, n)
    ]
    responses = [n for n in known.ranking.channels if channels[n].kind is ChannelKind.RESPONSE]
    if not acting:
        return None
    name = acting[0]
    mine = known.firsts[name].interval
    chance = min((probability_before(mine, known.firsts[r].interval) for r in responses), default=1.0)
    if chance < AT_LEAST:
        return None
    certain = all(known.ranking.certainly_before(name, r) for r in responses)
    weight = 0.97 if certain else 0.5 + 0.5 * chance
    excursion = known.firsts[name]
    evidence = [_left(known.scene, excursion)]
    evidence += [_left(known.scene, known.firsts[r]) for r in responses[:3]]
    others = _others_out(known, responses)
    if others:
        evidence.append(others)
    departed = _departed_before(known, responses[0], mine) if responses else None
    if departed is not None:
        text = "had departed from its own normal before the stimulus left its limit"
        evidence.append(AttributionEvidence(subject=responses[0], t_ns=departed.interval.best_ns, text=text))
        weight -= 0.3
    words = "before every response" if certain else f"before or with the first response (P = {chance:.2f})"
    return Attribution(
        role=Role.RIG,
        subject=name,
        weight=weight,
        text=f"stimulus {name} left its limits {words}",
        channels=(name, *responses),
        evidence=tuple(evidence),
        refuted_by=(
            f"a second instrument shows {name} steady at that moment",
            "a response found to have moved first",
        ),
        main=True,
    )


def _empty(known: AttributionInput, name: str) -> bool:
    """Return whether a derived stimulus was out for one reading only, or on inputs that were nothing."""
    excursion = known.firsts[name]
    found = known.scene.track(name)
    first, last = excursion.first_outside.index, excursion.last_outside.index
    return hollow(known.scene, found.channel, found, Out(first_outside=first, last_outside=last))


def _left(scene: AnalysisData, excursion: CrossingExcursion) -> AttributionEvidence:
    """Return the observation that a channel left its limit."""
    measure = scene.layout.channels[excursion.channel].unit_of_measure
    inside = excursion.last_inside
    before = f"last inside {inside.value:.6g}, " if inside else "out from the first reading on, "
    first = f"first outside {excursion.first_outside.value:.6g} {measure}"
    text = f"{before}{first} ({excursion.side} {excursion.limit:.6g})"
    return AttributionEvidence(subject=excursion.channel, t_ns=excursion.first_outside.t_ns, text=text)


def _others_out(known: AttributionInput, responses: Sequence[str]) -> AttributionEvidence | None:
    """Return what like channels of other units did in the same minutes, where they moved as well."""
    for name in responses[:3]:
        moved = moved_alike(known.scene, known.firsts[name])
        if moved is not None and moved[0] > SHARED:
            text = f"{', '.join(moved[1])} moved by {moved[0]:.0%} of what {name} did"
            return AttributionEvidence(subject=name, t_ns=known.firsts[name].first_outside.t_ns, text=text)
    return None


def _shared(known: AttributionInput, responses: Sequence[str]) -> Attribution | None:
    """Return the attribution to a common cause where other units moved as the first responses did."""
    name = responses[0]
    moved = moved_alike(known.scene, known.firsts[name])
    if moved is None or moved[0] < SHARED:
        return None
    share, others = moved
    shifted = shifted_stimuli(known.scene, known.unit, known.firsts[name].first_outside.t_ns)
    text = f"{name} and {', '.join(others)} moved together: something acted on several units"
    evidence = [_left(known.scene, known.firsts[name])]
    evidence.append(
        AttributionEvidence(
            subject=name, t_ns=None, text=f"like channels moved by {share:.0%} of what {name} did"
        )
    )
    evidence += [AttributionEvidence(subject=s, t_ns=None, text=text) for s, text in shifted]
    return Attribution(
        role=Role.COMMON,
        subject=shifted[0][0] if shifted else name,
        weight=0.9,
        text=text + (f"; {shifted[0][0]} had changed" if shifted else ""),
        channels=(name, *others),
        evidence=tuple(evidence),
        refuted_by=("the other units turn out to share no supply, air or signal with this one",),
        main=True,
    )


def _stimulus_changed(known: AttributionInput, responses: Sequence[str]) -> Attribution | None:
    """Return the attribution to the rig where a stimulus changed by far without leaving a limit."""
    first = known.firsts[responses[0]]
    for channel in known.scene.layout.channels.values():
        if (
            channel.kind is not ChannelKind.STIMULUS
            or channel.unit not in {known.unit, None}
            or channel.name in known.firsts
        ):
            continue
        left = left_its_range(known.scene, channel, first.first_outside.t_ns)
        if left is None or probability_before(left[0], first.interval) < AT_LEAST:
            continue
        if _departed_before(known, responses[0], left[0]) is not None:
            continue
        return Attribution(
            role=Role.RIG,
            subject=channel.name,
            weight=0.8,
            text=f"stimulus {channel.name} changed before or with the first response, inside any limit",
            channels=(channel.name, *responses),
            evidence=(
                AttributionEvidence(subject=channel.name, t_ns=left[0].best_ns, text=left[1]),
                _left(known.scene, first),
            ),
            refuted_by=(f"a second instrument shows {channel.name} steady at that moment",),
            main=True,
        )
    return None


def _departed_before(known: AttributionInput, name: str, stimulus: Interval) -> Onset | None:
    """Return the onset of a response if it lies certainly before a stimulus changed."""
    crossing = known.firsts[name]
    until = crossing.interval.earliest_ns
    if until is None:
        return None
    found, _ = onset(known.scene, name, until, crossing, known.confidence)
    return found if found is not None and certainly_before(found.interval, stimulus) else None


def _unit(known: AttributionInput, responses: Sequence[str]) -> Attribution:
    """Return the attribution to the unit itself."""
    scene = known.scene
    tier = [n for n in known.ranking.tiers[0] if n in responses] or [responses[0]]
    evidence = [_left(scene, known.firsts[n]) for n in tier]
    steady = [
        c.name
        for c in scene.layout.channels.values()
        if c.kind is ChannelKind.STIMULUS and c.unit in {None, known.unit} and c.name not in known.firsts
    ]
    instruments = {instrument_of(scene.layout.channels[n]) for n in responses} - {None}
    weight = 0.9
    if steady:
        evidence.append(
            AttributionEvidence(subject=", ".join(steady), t_ns=None, text="stayed within limits")
        )
    else:
        weight -= 0.2
    moved = moved_alike(scene, known.firsts[responses[0]])
    if moved is not None:
        text = f"like channels of other units moved by {max(moved[0], 0.0):.0%} of it"
        evidence.append(AttributionEvidence(subject=responses[0], t_ns=None, text=text))
    else:
        weight -= 0.1
    if len(responses) > 1 and len(instruments) < 2:
        weight -= 0.1
    return Attribution(
        role=Role.UNIT,
        subject=known.unit or "",
        weight=weight,
        text=f"unit {known.unit}: {_first_words(tier)}; nothing done to it explains it",
        channels=tuple(responses),
        evidence=tuple(evidence),
        refuted_by=(
            "a stimulus that is not measured changed at that moment",
            f"the sensor of {tier[0]} is found faulty",
        ),
        main=True,
    )


def _first_words(tier: Sequence[str]) -> str:
    if len(tier) > 2:
        return f"{len(tier)} channels left their limits first, which of them cannot be told"
    return f"{' or '.join(tier)} left its limits first"
