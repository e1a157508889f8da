"""Thermal resistance of each stage in steady state, and winding temperature from resistance."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from rig.domain.uncertainty import MeasurementModel, combined
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Installation, named
from rig.endurance.stretches import stretch, stretches
from rig.errors import UsageError

COPPER_C = 234.5
"""Where the resistance of copper, extrapolated, would be zero: at -234.5 degC."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatStage:
    """Stage of a heat path: from a hot channel to a cold one (both degC), driven by a power (W).

    window_s: readings are averaged over windows of this length, longer than the drive's duty cycle.
    steady_k_per_h: a window counts if neither temperature's window mean changes faster to the next window.
    Names may hold ``{unit}``.
    """

    name: str
    hot: str
    cold: str
    power: str
    window_s: float = 600.0
    steady_k_per_h: float = 1.0

    def of(self, unit: str) -> HeatStage:
        """Return the stage as it stands for one unit."""
        return replace(
            self, hot=named(self.hot, unit), cold=named(self.cold, unit), power=named(self.power, unit)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Resistance:
    """Thermal resistance of a stage, in K/W, from its steady windows.

    standard_uncertainty: scatter between windows and the accuracy stated for the sensors.
    power_w, rise_k: means over the windows that count; windows, of_all: how many counted, of how many.
    """

    stage: str
    unit: str
    serial: str
    k_per_w: float
    standard_uncertainty: float
    power_w: float
    rise_k: float
    windows: int
    of_all: int


def resistance(readings: HeldReadings, stage: HeatStage, installation: Installation) -> Resistance | None:
    """Return the thermal resistance of a stage, rise by power, or None without a steady window.

    Only steady windows with power count: stored heat and other heat paths are not included.
    """
    stage = stage.of(installation.unit)
    hot, cold, power = readings(stage.hot), readings(stage.cold), readings(stage.power)
    step_ns = round(stage.window_s * 1e9)
    edges = np.arange(installation.start_ns, installation.end_ns + 1, step_ns, dtype=np.int64)
    if len(edges) < 3:
        return None
    known = (
        stretch(installation.start_ns, installation.end_ns).both(hot.known).both(cold.known).both(power.known)
    )
    means = [one.means(edges, known) for one in (hot, cold, power)]
    full = np.diff(known.before_s(edges)) >= 0.9 * stage.window_s
    allowed = stage.steady_k_per_h * stage.window_s / 3600
    steady = full & (means[2] > 0)
    for temps in means[:2]:
        change = np.abs(np.diff(temps, append=np.nan))
        steady &= np.nan_to_num(change, nan=np.inf) <= allowed
    if not steady.any():
        return None
    rise, watts = (means[0] - means[1])[steady], means[2][steady]
    value = float(rise.sum() / watts.sum())
    scatter = float(np.std(rise / watts, ddof=1) / math.sqrt(len(rise))) if len(rise) > 1 else 0.0
    model = MeasurementModel(
        f"({stage.hot} - {stage.cold}) / {stage.power}", readings.recording.layout.channels
    )
    sensors = readings.standard_over(model, known.both(stretches(edges[:-1][steady], edges[1:][steady])))
    return Resistance(
        stage=stage.name,
        unit=installation.unit,
        serial=installation.serial,
        k_per_w=value,
        standard_uncertainty=combined([scatter, sensors]),
        power_w=float(watts.mean()),
        rise_k=float(rise.mean()),
        windows=int(steady.sum()),
        of_all=len(edges) - 1,
    )


def winding_c(cold_ohm: float, cold_c: float, hot_ohm: float, zero_c: float = COPPER_C) -> float:
    """Return the temperature of a winding in degC from its resistance cold and hot.

    T = (R/r)(k + t) - k, k = 234.5 for copper, 225 for aluminium. Raises UsageError for resistances that are
    not positive.
    """
    if not (cold_ohm > 0 and hot_ohm > 0):
        raise UsageError(f"winding of {cold_ohm!r} ohm cold, {hot_ohm!r} ohm hot: expected more than 0 ohm")
    return hot_ohm / cold_ohm * (zero_c + cold_c) - zero_c


def winding_rise_k(
    cold_ohm: float, cold_c: float, hot_ohm: float, ambient_c: float, zero_c: float = COPPER_C
) -> float:
    """Return the rise of a winding over the ambient at the end: (R2-R1)/R1 (k + t1) - (t2 - t1), in K.

    ambient_c: t2, the ambient when hot; it may differ from ``cold_c``, at which R1 was read.
    """
    return winding_c(cold_ohm, cold_c, hot_ohm, zero_c) - ambient_c


def winding_uncertainty_k(
    cold_ohm: float,
    cold_c: float,
    hot_ohm: float,
    *,
    share_cold: float,
    share_hot: float,
    uncertainty_cold_k: float,
    zero_c: float = COPPER_C,
) -> float:
    """Return the standard uncertainty of ``winding_c`` in K (first order, GUM 5.1.2).

    share_cold, share_hot: relative standard uncertainties of the resistances; uncertainty_cold_k: of the cold
    temperature, in K. Uncorrected lead resistance is not included.
    """
    ratio = hot_ohm / cold_ohm
    span = ratio * (zero_c + cold_c)
    return combined([span * share_cold, span * share_hot, ratio * uncertainty_cold_k])
