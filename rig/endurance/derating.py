"""Measured dissipation of a part against its derated rating at its measured temperature."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Installation, named
from rig.endurance.stretches import Floats, stretch
from rig.errors import UsageError

TRADE_FACTOR = 2.0
"""A part that dissipates 0.5 W is specified for 1 W: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A part with its data-sheet corner, and the channels of its dissipation and temperature.

    rating_w: allowed up to ``rated_c``; from there it falls linearly to zero at ``zero_c`` (degC).
    power: channel in W (a derived one, such as V*V/R); temperature: channel in degC of the place the rating
    refers to (ambient, case or body). Names may hold ``{unit}``. factor: rule of the trade, rating over
    dissipation. Raises UsageError unless rated_c < zero_c and rating_w > 0.
    """

    name: str
    rating_w: float
    rated_c: float
    zero_c: float
    power: str
    temperature: str
    factor: float = TRADE_FACTOR

    def __post_init__(self) -> None:
        if not (self.rating_w > 0 and self.rated_c < self.zero_c):
            raise UsageError(
                f"part {self.name}: rating {self.rating_w:g} W up to {self.rated_c:g} degC, zero at "
                f"{self.zero_c:g} degC; expected a rating above 0 W and a zero at a higher temperature"
            )

    def allowed_w(self, temp_c: float) -> float:
        """Return the power in W that the data sheet allows at a temperature."""
        return float(derated(self, np.array([temp_c]))[0])

    def of(self, unit: str) -> Part:
        """Return the part as it stands for one unit."""
        return replace(self, power=named(self.power, unit), temperature=named(self.temperature, unit))


@dataclass(frozen=True, slots=True, kw_only=True)
class PartLoad:
    """Moment of the highest load of a part relative to its derated rating, and whether the rules are met.

    power_w, temp_c, allowed_w: then; share: power by allowed power (inf where nothing is allowed).
    within_rating: share <= 1. peak_w: highest power at any time; rule_kept: rating >= factor x peak_w, the
    rule of the trade. over_s: time beyond the rating; looked_s: time for which both readings are known.
    """

    part: str
    unit: str
    serial: str
    t_ns: int
    power_w: float
    temp_c: float
    allowed_w: float
    share: float
    within_rating: bool
    peak_w: float
    mean_w: float
    factor: float
    rule_kept: bool
    over_s: float
    looked_s: float


def derated(part: Part, temp_c: Floats) -> Floats:
    """Return the power in W that the data sheet allows at each temperature in degC."""
    share = (part.zero_c - temp_c) / (part.zero_c - part.rated_c)
    return np.asarray(part.rating_w * np.clip(share, 0.0, 1.0))


def part_load(readings: HeldReadings, part: Part, installation: Installation) -> PartLoad | None:
    """Return how a part of one unit was loaded during its installation, or None if not known.

    A power is judged with the temperature read nearest to it, so a temperature read slowly (a part heats
    up more slowly than power changes) is right; a pulse shorter than the polling is not seen.
    """
    part = part.of(installation.unit)
    power, heat = readings(part.power), readings(part.temperature)
    time = stretch(installation.start_ns, installation.end_ns).both(power.known).both(heat.known)
    inside = power.inside(time)
    middle = power.middle_ns[inside]
    watts, temps = power.value[inside], heat.at(middle)
    known = np.isfinite(temps)
    if not known.any():
        return None
    watts, temps, middle = watts[known], temps[known], middle[known]
    length_s = ((power.end_ns - power.start_ns)[inside] / 1e9)[known]
    allowed = derated(part, temps)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(watts <= 0, 0.0, watts / allowed)
    at = int(np.argmax(share))
    peak = float(watts.max())
    return PartLoad(
        part=part.name,
        unit=installation.unit,
        serial=installation.serial,
        t_ns=int(middle[at]),
        power_w=float(watts[at]),
        temp_c=float(temps[at]),
        allowed_w=float(allowed[at]),
        share=float(share[at]),
        within_rating=bool(share[at] <= 1),
        peak_w=peak,
        mean_w=power.integral(time) / time.total_s,
        factor=part.factor,
        rule_kept=part.rating_w >= part.factor * peak,
        over_s=float(np.sum(length_s[share > 1])),
        looked_s=time.total_s,
    )
