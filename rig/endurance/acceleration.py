"""Acceleration factors of a test, each with its assumptions.

Arrhenius and inverse power law: NIST/SEMATECH e-Handbook 8.1.5.1 and 8.1.5.2.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rig.errors import UsageError

BOLTZMANN_EV_PER_K = 8.617333262e-5
"""CODATA 2018."""
ZERO_CELSIUS_K = 273.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceleration:
    """Acceleration factor of a test over use, with its assumptions.

    low, high: the factor at the ends of what the assumed constant may be; equal to it if no range was given.
    """

    factor: float
    low: float
    high: float
    model: str
    assumptions: tuple[str, ...]
    does_not_cover: str = (
        "failures that this stress does not drive: loose screws, cracked joints, moisture, surges; and it "
        "does not hold if the test is hot enough to cause failures that use never would"
    )

    def times(self, other: Acceleration) -> Acceleration:
        """Return both factors together; adds the assumption that the stresses act independently."""
        return Acceleration(
            factor=self.factor * other.factor,
            low=self.low * other.low,
            high=self.high * other.high,
            model=f"{self.model} x {other.model}",
            assumptions=(
                *self.assumptions,
                *other.assumptions,
                "the stresses act independently of each other",
            ),
        )


def arrhenius(
    activation_ev: float,
    use_c: float,
    test_c: float,
    *,
    half_width_ev: float = 0.0,
    boltzmann: float = BOLTZMANN_EV_PER_K,
    zero_k: float = ZERO_CELSIUS_K,
) -> Acceleration:
    """Return the Arrhenius factor exp(Ea/k x (1/T_use - 1/T_test)) between two temperatures in degC.

    activation_ev: activation energy in eV, +- half_width_ev. Raises UsageError below absolute zero.
    """
    if min(use_c, test_c) <= -zero_k:
        raise UsageError(
            f"Arrhenius from {use_c:g} to {test_c:g} degC: expected temperatures above -273.15 degC"
        )
    per_ev = (1 / (use_c + zero_k) - 1 / (test_c + zero_k)) / boltzmann
    ends = sorted(math.exp((activation_ev + side * half_width_ev) * per_ev) for side in (-1, 1))
    return Acceleration(
        factor=math.exp(activation_ev * per_ev),
        low=ends[0],
        high=ends[1],
        model="Arrhenius",
        assumptions=(
            f"one failure mechanism with an activation energy of {activation_ev:g} eV"
            + (f" +- {half_width_ev:g} eV" if half_width_ev else " (no range stated)"),
            f"the part itself is at {use_c:g} degC in use and at {test_c:g} degC in the test",
            "the same mechanism dominates at both temperatures",
        ),
    )


def power_law(
    use: float, test: float, exponent: float, *, half_width_exponent: float = 0.0, what: str = "stress"
) -> Acceleration:
    """Return the inverse power law factor (test/use)^exponent, for voltage, load or temperature swings.

    use, test > 0, in the same unit. With temperature swings it is the Coffin-Manson form and counts
    cycles, not hours. Raises UsageError for values that are not positive.
    """
    if not (use > 0 and test > 0):
        raise UsageError(f"power law of {what} from {use!r} to {test!r}: expected values larger than 0")
    ends = sorted((test / use) ** (exponent + side * half_width_exponent) for side in (-1, 1))
    return Acceleration(
        factor=(test / use) ** exponent,
        low=ends[0],
        high=ends[1],
        model=f"power law of {what}",
        assumptions=(
            f"life falls with the power {exponent:g} of the {what}"
            + (f" (+- {half_width_exponent:g})" if half_width_exponent else " (no range stated)"),
            f"the {what} is {use:g} in use and {test:g} in the test",
        ),
    )


def equivalent_h(bands: Sequence[tuple[float, float]], factor: Callable[[float], float]) -> float:
    """Return the equivalent hours of use of hours at several stresses.

    bands: (hours, stress); factor: stress -> acceleration factor. Damage adds up whatever the order (linear
    accumulation), which is an assumption too.
    """
    return math.fsum(hours * factor(stress) for hours, stress in bands if hours > 0)
