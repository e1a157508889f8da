"""What the account, the verdict and the comparison are asked for, as plain values of a recording.

They stand in the rig file under ``account`` and are frozen with the layout, so that nobody parses a rig
file to account for a run. Names of channels may hold ``{unit}``. Values are in the channel's own unit of
measure; ``*_s`` in seconds, ``*_w`` in watts, ``*_c`` in degrees Celsius.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from rig.domain.jsonmap import made


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelPlan:
    """When a channel counts as on: above ``on_above``, until it falls below ``off_below``."""

    channel: str
    on_above: float
    off_below: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PartPlan:
    """A part with the corner of its data sheet: ``rating_w`` up to ``rated_c``, nothing at ``zero_c``.

    power, temperature: channels in W and degC. factor: rule of the trade, rating over dissipation.
    """

    rating_w: float
    rated_c: float
    zero_c: float
    power: str
    temperature: str
    factor: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StagePlan:
    """A stage of the way that heat takes, from channel ``hot`` to ``cold`` (degC), driven by ``power`` (W).

    window_s: readings are averaged over windows so long; steady_k_per_h: a window counts if both
    temperatures change more slowly than this to the next one.
    """

    hot: str
    cold: str
    power: str
    window_s: float = 600.0
    steady_k_per_h: float = 1.0


COLD_HALF_C = 1.0
"""A winding that stood overnight is at the room's temperature to within 1 K (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WindingPlan:
    """A winding that is its own thermometer: ``cold_ohm`` at ``cold_c``, its resistance in a channel (ohm).

    zero_c: 234.5 for copper, 225 for aluminium. cold_half_c: how far ``cold_c`` may be off either way.
    """

    resistance: str
    cold_ohm: float
    cold_c: float
    zero_c: float = 234.5
    cold_half_c: float = COLD_HALF_C


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """What a pass takes, beside the phases' hours and the channels' limits.

    least_share: of each phase's planned hours and cycles. unlogged_share: most of a unit's time that may be
    unlogged. trips: protection trips allowed. guard_k: guard band in standard uncertainties. trade_rule:
    whether parts must keep the rule of the trade as well as their data sheet.
    """

    least_share: float = 0.99
    unlogged_share: float = 0.02
    trips: int = 0
    guard_k: float = 0.0
    trade_rule: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Accounting:
    """All that is asked for. None and empty mappings leave a part out.

    ambient: channel that temperature rises are taken over. energy: channel in W whose integral is the energy.
    output: when a unit counts as giving output; drive: when it counts as driven. trip_least_s: how long
    driven time without output must last to be a protection trip. bands: edges of bands, ascending, by
    channel. cycles: smallest swing that is listed, by channel. dead_after_s: a unit without output although
    driven for so long up to its end is held for dead.
    """

    ambient: str | None = None
    energy: str | None = None
    output: LevelPlan | None = None
    drive: LevelPlan | None = None
    trip_least_s: float | None = None
    dead_after_s: float = 60.0
    bands: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    cycles: Mapping[str, float] = field(default_factory=dict)
    parts: Mapping[str, PartPlan] = field(default_factory=dict)
    stages: Mapping[str, StagePlan] = field(default_factory=dict)
    windings: Mapping[str, WindingPlan] = field(default_factory=dict)
    asked: Pass = Pass()


def from_json(values: Mapping[str, Any]) -> Accounting:
    """Return what was frozen with a layout. Raises ValueError if these are not such values."""
    return made(Accounting, values)
