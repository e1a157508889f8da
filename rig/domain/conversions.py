"""Sensor curves: thermocouple emf and platinum resistance to degrees Celsius.

A curve is a function of the instrument's number and of the temperature of the cold junction; it returns
the temperature and a status. Outside of a curve's range there is no temperature, only OVER or UNDER.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final

from rig.domain.model import Status

Curve = Callable[[float, float | None], tuple[float, Status]]
"""(number of the instrument, cold junction in degC or None) -> (degC or NaN, status)."""

THERMOCOUPLES: Final = "BEJKNRST"
_TABLE_ROUNDING_MV: Final = 0.000501
"""NIST's tables print 3 decimals: their last rows may lie half a microvolt outside the exact range."""

_A: Final = 3.9083e-3
_B: Final = -5.775e-7
_C: Final = -4.183e-12
"""IEC 60751:2022, 4.2: R = R0 (1 + A t + B t^2 + C (t - 100) t^3), the last term only below 0 degC."""
PLATINUM_LOW_C: Final = -200.0
PLATINUM_HIGH_C: Final = 850.0
_PLATINUM: Final = {"pt100": 100.0, "pt1000": 1000.0}
_OHM_ROUNDING: Final = 0.0051
"""IEC 60751 prints 2 decimals for 100 ohm."""

NAMES: Final = (
    *(f"thermocouple {letter}" for letter in THERMOCOUPLES),
    *(f"thermocouple {letter} from V" for letter in THERMOCOUPLES),
    *_PLATINUM,
)
"""All curves. ``thermocouple K`` takes millivolts, ``thermocouple K from V`` volts, ``pt100`` ohms."""


def needs_cold_junction(name: str) -> bool:
    """Return whether a curve needs the temperature of the cold junction."""
    return name.startswith("thermocouple")


def curve(name: str) -> Curve:
    """Return the curve of that name. Raises ValueError, listing the names, if there is none."""
    if name not in NAMES:
        raise ValueError(f"no conversion named {name!r}; there are: {', '.join(NAMES)}")
    if name in _PLATINUM:
        return _platinum(_PLATINUM[name])
    letter = name.removeprefix("thermocouple ")[0]
    return _thermocouple(letter, 1e3 if name.endswith("from V") else 1.0)


def thermocouple_mv(letter: str, hot_c: float, junction_c: float = 0.0) -> float:
    """Return the emf in mV between a hot and a cold junction, both in degC (ITS-90, IEC 60584-1:2013).

    letter: one of ``THERMOCOUPLES``. Raises ValueError outside of the type's range.
    """
    couple = _couple(letter)
    return float(couple.emf(hot_c)) - float(couple.emf(junction_c))


def _couple(letter: str) -> Any:
    import thermocouple_its90

    return thermocouple_its90.get(letter)


def _thermocouple(letter: str, mv_per_number: float) -> Curve:
    couple = _couple(letter)
    low_mv, high_mv = couple.invertible_emf_range

    def convert(value: float, junction_c: float | None) -> tuple[float, Status]:
        status = _unusable(value)
        if status is not None:
            return math.nan, status
        if junction_c is None or not math.isfinite(junction_c):
            return math.nan, Status.NOT_COMPUTED
        try:
            # The junction's emf is added, never its degrees: the curve is not straight.
            emf_mv = value * mv_per_number + couple.emf(junction_c)
        except ValueError:  # a cold junction outside of the type's range cannot be right
            return math.nan, Status.NOT_COMPUTED
        if emf_mv > high_mv + _TABLE_ROUNDING_MV:
            return math.nan, Status.OVER
        if emf_mv < low_mv - _TABLE_ROUNDING_MV:
            return math.nan, Status.UNDER
        return float(couple.temperature(min(max(emf_mv, low_mv), high_mv))), Status.GOOD

    return convert


def _platinum(ohm_at_0c: float) -> Curve:
    low, high = _ratio(PLATINUM_LOW_C), _ratio(PLATINUM_HIGH_C)
    rounding = _OHM_ROUNDING / 100.0

    def convert(value: float, junction_c: float | None) -> tuple[float, Status]:
        del junction_c
        status = _unusable(value)
        if status is not None:
            return math.nan, status
        ratio = value / ohm_at_0c
        if ratio > high + rounding:
            return math.nan, Status.OVER
        if ratio < low - rounding:
            return math.nan, Status.UNDER
        return _platinum_c(min(max(ratio, low), high)), Status.GOOD

    return convert


def _ratio(temp_c: float) -> float:
    """Return R/R0 of a platinum sensor at a temperature in degC."""
    ratio = 1.0 + _A * temp_c + _B * temp_c**2
    return ratio if temp_c >= 0.0 else ratio + _C * (temp_c - 100.0) * temp_c**3


def _platinum_c(ratio: float) -> float:
    """Return the temperature in degC for R/R0: solved above 0 degC, by Newton's method below."""
    # sqrt(A^2 - 4B(1 - ratio)) in the form that loses no digits near 0 degC
    temp_c = 2.0 * (ratio - 1.0) / (_A + math.sqrt(_A**2 - 4.0 * _B * (1.0 - ratio)))
    if ratio >= 1.0:
        return temp_c
    for _ in range(8):
        slope = _A + 2.0 * _B * temp_c + _C * (4.0 * temp_c**3 - 300.0 * temp_c**2)
        step = (_ratio(temp_c) - ratio) / slope
        temp_c -= step
        if abs(step) < 1e-10:
            break
    return temp_c


def _unusable(value: float) -> Status | None:
    """Return the status of a number that is none, None for a finite one."""
    if math.isfinite(value):
        return None
    if math.isnan(value):
        return Status.NO_VALUE
    return Status.OVER if value > 0.0 else Status.UNDER
