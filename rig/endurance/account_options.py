"""Options of the account, from the rig file of a recording."""

from __future__ import annotations

from dataclasses import dataclass

from rig.domain.accounting import Accounting, LevelPlan, WindingPlan
from rig.domain.model import Layout
from rig.endurance.bands import Bands
from rig.endurance.derating import Part
from rig.endurance.drive import Level, TripRule
from rig.endurance.exposure import ExposureOptions
from rig.endurance.heat import HeatStage
from rig.endurance.phases_in_force import Phase
from rig.endurance.verdict import Criteria


@dataclass(frozen=True, slots=True, kw_only=True)
class AccountOptions:
    """Options of the account of one recording.

    phases: the program, empty without one. ambient: channel that rises are taken over. windings: by name.
    stated: whether the rig file has a section ``account``.
    """

    phases: tuple[Phase, ...]
    exposure: ExposureOptions
    parts: tuple[Part, ...]
    stages: tuple[HeatStage, ...]
    windings: tuple[tuple[str, WindingPlan], ...]
    criteria: Criteria
    ambient: str | None
    stated: bool


def account_options(layout: Layout) -> AccountOptions:
    """Return the options from a recording's layout; defaults where its rig file has none."""
    plan = layout.accounting or Accounting()
    return AccountOptions(
        phases=layout.program.planned() if layout.program else (),
        exposure=_exposure(plan),
        parts=tuple(
            Part(
                name=name, rating_w=one.rating_w, rated_c=one.rated_c, zero_c=one.zero_c, power=one.power,
                temperature=one.temperature, factor=one.factor,
            )
            for name, one in plan.parts.items()
        ),
        stages=tuple(
            HeatStage(
                name=name, hot=one.hot, cold=one.cold, power=one.power, window_s=one.window_s,
                steady_k_per_h=one.steady_k_per_h,
            )
            for name, one in plan.stages.items()
        ),
        windings=tuple(plan.windings.items()),
        criteria=Criteria(
            least_share=plan.asked.least_share,
            unobserved_share=plan.asked.unlogged_share,
            trips=plan.asked.trips,
            guard_k=plan.asked.guard_k,
            trade_rule=plan.asked.trade_rule,
        ),
        ambient=plan.ambient,
        stated=layout.accounting is not None,
    )  # fmt: skip


def _exposure(plan: Accounting) -> ExposureOptions:
    output, drive = _level(plan.output), _level(plan.drive)
    trip = None
    if plan.trip_least_s is not None and output is not None and drive is not None:
        trip = TripRule(output=output, drive=drive, least_s=plan.trip_least_s)
    return ExposureOptions(
        power=plan.energy,
        output=output,
        drive=drive,
        trip=trip,
        bands=tuple(Bands(channel=name, edges=edges) for name, edges in plan.bands.items()),
        cycles=dict(plan.cycles),
    )


def _level(plan: LevelPlan | None) -> Level | None:
    if plan is None:
        return None
    return Level(channel=plan.channel, on_above=plan.on_above, off_below=plan.off_below)
