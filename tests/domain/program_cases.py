"""Random courses of a test program: what was seen and what a person ordered, made from a seed.

`recorded_courses.json` holds what became of them while a rig had one program for all of its units: a table
of cases, written once. Where all units share one source and all take part, nothing may differ from it.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from pathlib import Path

from rig.domain.phase_monitor import PhaseObservation
from rig.domain.program import Phase, PhaseCondition, PhaseTarget, Program, Steady

RECORDED = Path(__file__).with_name("recorded_courses.json")
SEEDS = range(48)
LOOKS = 260
S = 1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One look; order: what a person ordered just before it, '' for nothing."""

    now_ns: int
    sight: PhaseObservation
    cycles: int
    order: str


def program_of(seed: int) -> Program:
    dice = random.Random(seed)
    phases = []
    for name in ("low", "nominal", "high")[: dice.randint(1, 3)]:
        phase = Phase(
            name=name,
            targets={"mains": PhaseTarget(value=230.0, tolerance=3.0)},
            settle_s=dice.choice([0.0, 1.0, 2.0]),
            warm_up_s=dice.choice([0.0, 0.0, 3.0]),
            steady=dice.choice([(), (Steady(channel="A1.heat", within=1.0, over_s=5.0),)]),
            once=dice.random() < 0.2,
        )
        ending = dice.choice(["time", "time", "count", "until", "both", "hand"])
        if ending in {"time", "both"}:
            phase = replace(phase, duration_s=float(dice.randint(2, 12)))
        if ending in {"count", "both"}:
            phase = replace(phase, count=dice.randint(1, 4))
        if ending == "until":
            phase = replace(phase, until=(PhaseCondition(channel="A1.heat", high=50.0),))
        phases.append(phase)
    return Program(phases=tuple(phases), order=tuple(one.name for one in phases), passes=dice.randint(1, 2))


def looks_of(seed: int) -> list[Look]:
    dice = random.Random(1000 + seed)
    names = program_of(seed).order
    looks: list[Look] = []
    now_ns, steady = 100 * S, True
    met: bool | None = True
    for _ in range(LOOKS):
        # 6 s is longer than what may count between two looks
        now_ns += round(dice.choice([0.1, 0.1, 0.3, 0.5, 1.0, 1.0, 6.0]) * S) + dice.randint(0, 1000)
        met = met if dice.random() < 0.9 else dice.choice([True, True, False, None])
        steady = steady if dice.random() < 0.9 else dice.random() < 0.7
        sight = PhaseObservation(
            met=met, missed="" if met else "mains reads 200", steady=steady, ended=dice.random() < 0.05
        )
        chance = dice.random()
        order = "" if chance < 0.97 else dice.choice(["hold", "go", "go", "next", *names])
        looks.append(Look(now_ns=now_ns, sight=sight, cycles=dice.random() < 0.15, order=order))
    return looks
