"""Hours of use that the hours of a unit are worth, by the temperature it really had (Arrhenius)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.endurance.acceleration import arrhenius, equivalent_h
from rig.endurance.held_readings import HeldReadings
from rig.endurance.phases_in_force import Installation
from rig.endurance.stretches import stretch
from rig.errors import UsageError

STEP_K = 0.1
"""Readings are taken together in steps so wide: at 1 eV and 40 degC the factor is off by 0.6 % at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InUseAt:
    """Use that a test is held against: its temperature, and which channel has the part's own in the test.

    quantity: of each unit, such as ``heatsink``, or the full name of a channel in degC. activation_ev:
    activation energy in eV, +- half_width_ev.
    """

    activation_ev: float
    use_c: float
    quantity: str
    half_width_ev: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HoursOfUse:
    """What the known hours of a unit are worth in use; least_h, most_h: at the ends of the activation energy.

    hours: with a GOOD reading of the channel, between low_c and high_c.
    """

    unit: str
    serial: str
    channel: str
    hours: float
    low_c: float
    high_c: float
    use_c: float
    use_h: float
    least_h: float
    most_h: float
    assumptions: tuple[str, ...]
    does_not_cover: str


def hours_of_use(readings: HeldReadings, use: InUseAt, installation: Installation) -> HoursOfUse | None:
    """Return what a installation is worth in use, None without a GOOD reading in it.

    Raises UsageError for a channel that does not exist or is not in degC, and below absolute zero.
    """
    channel = f"{installation.unit}.{use.quantity}"
    if channel not in readings.recording.layout.channels:
        channel = use.quantity
    facts = readings.facts(channel)
    if facts.unit_of_measure != "degC":
        raise UsageError(f"{channel} is in {facts.unit_of_measure}; hours of use need a channel in degC")
    held = readings(channel)
    inside = held.inside(stretch(installation.start_ns, installation.end_ns))
    if not inside.any():
        return None
    value = held.value[inside]
    hours = (held.end_ns - held.start_ns)[inside] / 3.6e12
    steps, which = np.unique(np.round(value / STEP_K), return_inverse=True)
    spent = np.bincount(which, weights=hours)
    bands = [(float(h), float(step) * STEP_K) for h, step in zip(spent, steps, strict=True)]

    def worth(activation_ev: float) -> float:
        return equivalent_h(bands, lambda test_c: arrhenius(activation_ev, use.use_c, test_c).factor)

    ends = sorted(worth(use.activation_ev + side * use.half_width_ev) for side in (-1, 1))
    model = arrhenius(use.activation_ev, use.use_c, use.use_c, half_width_ev=use.half_width_ev)
    return HoursOfUse(
        unit=installation.unit,
        serial=installation.serial,
        channel=channel,
        hours=float(hours.sum()),
        low_c=float(value.min()),
        high_c=float(value.max()),
        use_c=use.use_c,
        use_h=worth(use.activation_ev),
        least_h=ends[0],
        most_h=ends[1],
        assumptions=(
            model.assumptions[0],
            f"the part itself is at {use.use_c:g} degC in use, and in this run at what {channel} shows",
            "the same mechanism rules at all these temperatures",
            "damage adds up in whatever order it is done",
        ),
        does_not_cover=model.does_not_cover,
    )
