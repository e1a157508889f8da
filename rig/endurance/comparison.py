"""Comparison of two units or runs, phase by phase, with uncertainty.

Only time within a phase's targets is compared, so the stimuli of both sides were alike; remaining differences
are listed. The uncertainty of a difference joins the scatter of batch means (``averages``: readings are
autocorrelated) and what the rig file states for both sensors, taken as independent of each other; it is
expanded by Student's factor with the effective degrees of freedom (JCGM 100:2008, G.4).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from rig.domain.model import Channel, Side
from rig.domain.uncertainty import MeasurementModel, combined
from rig.endurance.averages import Mean, mean
from rig.endurance.coverage import Held
from rig.endurance.drift import Drift, drift
from rig.endurance.exposure import phase_time
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Installation, Phase, named, time_of
from rig.endurance.stretches import Stretches, stretch

RANKING = (
    "significant differences as a share of the first side's distance to its nearest limit (of its value "
    "where it has no limit); the largest of each quantity"
)
_DECIBELS = {"V": 20.0, "A": 20.0, "W": 10.0}
_OVER_AMBIENT = " over ambient"


@dataclass(frozen=True, slots=True, kw_only=True)
class Party:
    """One side of a comparison: a serial number in its place in a recording, with a name for the report.

    ambient: channel that temperature rises are taken over; may hold ``{unit}``.
    phases: the program; called: the other side's name of a phase, where it differs.
    """

    name: str
    readings: HeldReadings
    installation: Installation
    phases: Sequence[Phase] = ()
    ambient: str | None = None
    called: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One quantity in one phase: second less first, in its unit of measure.

    expanded_uncertainty: at the stated confidence; decibel: of the ratio, for V, A and W with positive
    means; significant: larger than its expanded uncertainty; weight: see ``RANKING``. correlated: readings
    autocorrelated, uncertainty approximate.
    """

    quantity: str
    phase: str
    unit_of_measure: str
    first: Mean
    second: Mean
    difference: float
    expanded_uncertainty: float
    decibel: float | None
    significant: bool
    weight: float
    correlated: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseDrift:
    """Drift of one side's quantity within one phase, its targets met."""

    party: str
    phase: str
    drift: Drift


@dataclass(frozen=True, slots=True, kw_only=True)
class RunComparison:
    """All differences, the largest significant ones, drifts, and reservations.

    loads: what each side drove. matter: at most three, by ``ranking``. expected_false_positives:
    number of differences expected to be significant by chance. cautions: reservations, such as stimuli that
    differed, quantities and phases that only one side has.
    """

    first: str
    second: str
    loads: tuple[str, str]
    confidence: float
    differences: tuple[Difference, ...]
    matter: tuple[Difference, ...]
    drifts: tuple[PhaseDrift, ...]
    expected_false_positives: float
    cautions: tuple[str, ...]
    ranking: str = RANKING


def compare(first: Party, second: Party, confidence: float = 0.95) -> RunComparison:
    """Return the comparison of two parties; ``first`` is the reference."""
    cautions: list[str] = []
    pairs = _pairs(first, second, cautions)
    differences: list[Difference] = []
    short: dict[str, list[str]] = {}
    drifts: list[PhaseDrift] = []
    for one, two in _phases(first, second, cautions):
        here, there = _time(first, one), _time(second, two)
        if not len(here) or not len(there):
            cautions.append(f"phase {one.name or 'all'}: no time within targets on both sides")
            continue
        drifts.extend(_drifts(first, one.name, here, pairs, confidence))
        drifts.extend(_drifts(second, one.name, there, pairs, confidence))
        cautions.extend(_stimuli(first, second, (one, two), (here, there), confidence))
        for quantity in pairs:
            sides = (_Side.of(first, quantity, one, here), _Side.of(second, quantity, two, there))
            found = _difference(quantity, one.name, sides, confidence)
            if found is None:
                short.setdefault(quantity, []).append(one.name or "all")
            else:
                differences.append(found)
    where: dict[str, list[str]] = {}
    for quantity, phases in short.items():
        where.setdefault(", ".join(phases), []).append(quantity)
    for names, quantities in where.items():
        cautions.append(f"too few readings to compare in phase {names}: {', '.join(quantities)}")
    return RunComparison(
        first=first.name,
        second=second.name,
        loads=(_load(first), _load(second)),
        confidence=confidence,
        differences=tuple(differences),
        matter=_matter(differences),
        drifts=tuple(drifts),
        expected_false_positives=len(differences) * (1 - confidence),
        cautions=tuple(cautions),
    )


def rise(held: Held, ambient: Held) -> Held:
    """Return a temperature less the ambient of the same moment; unknown where the ambient is."""
    value = held.value - ambient.at(held.middle_ns)
    return replace(
        held, channel=held.channel + _OVER_AMBIENT, value=value, good=held.good & np.isfinite(value)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    held: Held
    time: Stretches
    facts: Channel
    limits: tuple[tuple[Side, float], ...]
    uncertainty: float

    @staticmethod
    def of(party: Party, quantity: str, phase: Phase, time: Stretches) -> _Side:
        plain = quantity.removesuffix(_OVER_AMBIENT)
        name = f"{party.installation.unit}.{plain}"
        facts = party.readings.facts(name)
        limits = phase.limits_of(name, party.installation.unit, facts.limits)
        held, model = party.readings(name), party.readings.model(name)
        if plain != quantity:
            ambient = named(party.ambient or "", party.installation.unit)
            held = rise(held, party.readings(ambient))
            model = MeasurementModel(f"{name} - {ambient}", party.readings.recording.layout.channels)
            limits = ()
        unsure = party.readings.standard_over(model, time)
        bounds = tuple((one.side, one.value) for one in limits)
        return _Side(held=held, time=time, facts=facts, limits=bounds, uncertainty=unsure)

    def scale(self, value: float) -> float:
        """Return the scale of a difference: the distance to the nearest limit ahead, or the value itself."""
        gaps = [bound - value if side is Side.HIGH else value - bound for side, bound in self.limits]
        ahead = [gap for gap in gaps if gap > 0]
        return min(ahead) if ahead else abs(value) or 1.0


def _pairs(first: Party, second: Party, cautions: list[str]) -> list[str]:
    """Return the quantities that both units have in the same unit of measure, rises among them."""
    ours, theirs = _quantities(first), _quantities(second)
    cautions.extend(
        f"{name}: only in {first.name if name in ours else second.name}"
        for name in sorted(ours.keys() ^ theirs.keys())
    )
    shared = []
    for name in sorted(ours.keys() & theirs.keys()):
        if ours[name] != theirs[name]:
            cautions.append(f"{name}: in {ours[name]} and in {theirs[name]}, not compared")
            continue
        shared.append(name)
        if ours[name] == "degC" and first.ambient and second.ambient:
            shared.append(name + _OVER_AMBIENT)
    return shared


def _quantities(party: Party) -> dict[str, str]:
    layout = party.readings.recording.layout
    prefix = f"{party.installation.unit}."
    return {
        name.removeprefix(prefix): layout.channels[name].unit_of_measure
        for name in layout.units[party.installation.unit].channels
        if name.startswith(prefix)
    }


def _phases(first: Party, second: Party, cautions: list[str]) -> list[tuple[Phase, Phase]]:
    if not first.phases and not second.phases:
        return [(Phase(name=""), Phase(name=""))]
    theirs = {phase.name: phase for phase in second.phases}
    found = []
    for phase in first.phases:
        other = theirs.get(first.called.get(phase.name, phase.name))
        if other is None:
            cautions.append(f"phase {phase.name}: not in {second.name}")
        else:
            found.append((phase, other))
    return found


def _time(party: Party, phase: Phase) -> Stretches:
    """Return the time of a phase in which its targets were met, within the installation."""
    time = stretch(party.installation.start_ns, party.installation.end_ns)
    if phase.name:
        time = time.both(time_of(phase.name, party.readings.forces(party.installation.unit)))
    targets = party.readings.targets(phase, party.installation.unit)
    if not targets:
        return time
    met, _ = phase_time(party.readings, {name: (one.low, one.high) for name, one in targets.items()})
    return time.both(met)


def _stimuli(
    first: Party,
    second: Party,
    phases: tuple[Phase, Phase],
    times: tuple[Stretches, Stretches],
    confidence: float,
) -> list[str]:
    """Return in words the stimuli that differed although both were within their targets."""
    found = []
    for name in phases[0].targets:
        if name not in phases[1].targets:
            continue
        one = mean(first.readings(named(name, first.installation.unit)), times[0])
        two = mean(second.readings(named(name, second.installation.unit)), times[1])
        if one is None or two is None:
            continue
        gap = two.value - one.value
        if abs(gap) > _expanded(
            [one.standard_uncertainty, two.standard_uncertainty], [one.freedom, two.freedom], 0.0, confidence
        ):
            unit = first.readings.facts(named(name, first.installation.unit)).unit_of_measure
            found.append(
                f"phase {phases[0].name or 'all'}: {name} was {abs(gap):.3g} {unit} "
                f"{'higher' if gap > 0 else 'lower'} for {second.name}"
            )
    return found


def _difference(
    quantity: str, phase: str, sides: tuple[_Side, _Side], confidence: float
) -> Difference | None:
    one, two = (mean(side.held, side.time) for side in sides)
    if one is None or two is None:
        return None
    stated = combined([side.uncertainty for side in sides])
    uncertainty = _expanded(
        [one.standard_uncertainty, two.standard_uncertainty], [one.freedom, two.freedom], stated, confidence
    )
    gap = two.value - one.value
    return Difference(
        quantity=quantity,
        phase=phase,
        unit_of_measure="K" if quantity.endswith(_OVER_AMBIENT) else sides[0].facts.unit_of_measure,
        first=one,
        second=two,
        difference=gap,
        expanded_uncertainty=uncertainty,
        decibel=_decibel(sides[0].facts.unit_of_measure, one.value, two.value),
        significant=abs(gap) > uncertainty,
        weight=abs(gap) / sides[0].scale(one.value),
        correlated=one.correlated or two.correlated,
    )


def _expanded(scatter: Sequence[float], freedom: Sequence[int], stated: float, confidence: float) -> float:
    """Return the expanded uncertainty after Welch and Satterthwaite; ``stated`` has infinite freedom."""
    from scipy.special import stdtrit

    joint = combined([*scatter, stated])
    if joint == 0:
        return 0.0
    small = math.fsum((u / joint) ** 4 / nu for u, nu in zip(scatter, freedom, strict=True))
    effective = 1 / small if small > 1e-9 else 1e9
    return joint * float(stdtrit(effective, (1 + confidence) / 2))


def _decibel(unit: str, first: float, second: float) -> float | None:
    factor = _DECIBELS.get(unit)
    if factor is None or first <= 0 or second <= 0:
        return None
    return factor * math.log10(second / first)


def _matter(differences: Sequence[Difference]) -> tuple[Difference, ...]:
    best: dict[str, Difference] = {}
    for one in differences:
        plain = one.quantity.removesuffix(_OVER_AMBIENT)
        if one.significant and (plain not in best or one.weight > best[plain].weight):
            best[plain] = one
    return tuple(sorted(best.values(), key=lambda one: -one.weight)[:3])


def _drifts(
    party: Party, phase: str, time: Stretches, quantities: Sequence[str], confidence: float
) -> list[PhaseDrift]:
    names = [f"{party.installation.unit}.{one}" for one in quantities if not one.endswith(_OVER_AMBIENT)]
    found = [drift(party.readings(name), time, confidence) for name in names]
    return [PhaseDrift(party=party.name, phase=phase, drift=one) for one in found if one is not None]


def _load(party: Party) -> str:
    return party.readings.recording.layout.units[party.installation.unit].load
