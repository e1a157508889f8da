"""Fault scenarios of the simulated room: affected unit, fault, and expected first-out.

Times are seconds of heat: they are divided by the room's pace, as all thermal time constants are. A
fault on an amplifier turns one of its knobs from where it stands to ``to`` within ``over_s``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rig.errors import UsageError

Role = Literal["unit", "rig", "sensor", "instrument", "none"]
Where = Literal["victim", "room", "sensor", "instrument"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedFault:
    """One fault.

    where: an amplifier's knob (victim), a stimulus (room), a probe on the victim (sensor) or a whole
    instrument. what: knob, stimulus, probe's quantity or instrument. to: final value of the knob;
    change of the stimulus. mode: how a probe fails. lasts_s: None for ever.
    ``at_s``, ``over_s``, ``lasts_s``: seconds of heat, except for instruments: seconds of the clock.
    """

    where: Where
    what: str
    at_s: float = 0.0
    over_s: float = 0.0
    to: float = 0.0
    mode: str = ""
    lasts_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """Sequence of faults.

    fault_s: seconds of heat from the start to the first fault. first: the quantity (of the victim, or
    of the room) whose limit should be left first, None for none. role: what the first fault is a fault
    of. dies: whether the victim is dead at the end. weak_c: heatsink temperature at which the victim's
    output device breaks down (None: as designed). end_s: seconds of heat after which all has been shown.
    """

    name: str
    text: str
    faults: tuple[SimulatedFault, ...] = ()
    first: str | None = None
    role: Role = "unit"
    dies: bool = False
    weak_c: float | None = None
    fault_s: float = 600.0
    end_s: float = 1800.0


_ALL = (
    Scenario(
        name="fan-failure",
        text="the fan of one unit seizes; heat builds up, its output device breaks down, the fuse blows",
        faults=(SimulatedFault(where="victim", what="fan_drive", over_s=180.0),),
        first="fan",
        dies=True,
        weak_c=97.0,
        fault_s=660.0,
        end_s=1900.0,
    ),
    Scenario(
        name="thermal-runaway",
        text="the bias of one unit stops following its heat; current and heat drive each other up",
        faults=(SimulatedFault(where="victim", what="tracking", over_s=1500.0, to=0.2),),
        first="bias",
        dies=True,
        fault_s=900.0,
        end_s=1900.0,
    ),
    Scenario(
        name="output-short-with-fuse",
        text="an output device of one unit shorts without warning; the fuse blows",
        faults=(SimulatedFault(where="victim", what="short", to=1.0),),
        first="offset",
        dies=True,
        fault_s=1560.0,
    ),
    Scenario(
        name="dried-capacitor",
        text="the reservoir of one unit dries out: ripple grows, at last an output device shorts",
        faults=(
            SimulatedFault(where="victim", what="capacity", over_s=720.0, to=0.035),
            SimulatedFault(where="victim", what="short", at_s=840.0, to=1.0),
        ),
        first="ripple",
        dies=True,
        fault_s=780.0,
        end_s=1900.0,
    ),
    Scenario(
        name="bias-drift",
        text="the bias of one unit drifts up slowly past its limit; nothing breaks",
        faults=(SimulatedFault(where="victim", what="bias_shift", over_s=1500.0, to=3.5),),
        first="bias",
        fault_s=300.0,
        end_s=2000.0,
    ),
    Scenario(
        name="protection-cycling",
        text="the air duct of one unit is blocked; its thermal protection mutes and recovers again and again",
        faults=(SimulatedFault(where="victim", what="duct", over_s=60.0),),
        first="heatsink",
        fault_s=300.0,
        end_s=3600.0,
    ),
    Scenario(
        name="mains-surge",
        text="the mains rises past its limit for a while; the output device of one unit does not survive it",
        faults=(
            SimulatedFault(where="room", what="mains_v", over_s=240.0, to=38.0, lasts_s=900.0),
            SimulatedFault(where="victim", what="short", at_s=360.0, to=1.0),
        ),
        first="mains",
        role="rig",
        dies=True,
        fault_s=1200.0,
        end_s=1900.0,
    ),
    Scenario(
        name="mains-sag",
        text="the mains falls past its limit and comes back; all units clip a little",
        faults=(SimulatedFault(where="room", what="mains_v", over_s=180.0, to=-55.0, lasts_s=600.0),),
        first="mains",
        role="rig",
        fault_s=900.0,
    ),
    Scenario(
        name="hot-room",
        text="the air of the room heats up past its limit; all units follow",
        faults=(SimulatedFault(where="room", what="ambient_c", over_s=900.0, to=18.0),),
        first="ambient",
        role="rig",
        fault_s=480.0,
        end_s=2400.0,
    ),
    Scenario(
        name="drive-lost",
        text="the test signal fails; every unit's output falls at once",
        faults=(SimulatedFault(where="room", what="level_v", to=-1.19),),
        first="level",
        role="rig",
        fault_s=1200.0,
    ),
    Scenario(
        name="load-open",
        text="the load of one unit comes off; its current falls and it cools",
        faults=(SimulatedFault(where="victim", what="load_open", to=1.0),),
        first="supply",
        fault_s=1200.0,
    ),
    Scenario(
        name="open-thermocouple",
        text="a thermocouple of one unit breaks; the unit is sound",
        faults=(SimulatedFault(where="sensor", what="heatsink", mode="open"),),
        role="sensor",
        fault_s=1200.0,
    ),
    Scenario(
        name="thermocouple-fallen-off",
        text="a thermocouple of one unit falls off and hangs in the air; the unit is sound",
        faults=(SimulatedFault(where="sensor", what="heatsink", mode="fallen-off"),),
        role="sensor",
        fault_s=900.0,
    ),
    Scenario(
        name="stuck-reading",
        text="a scanner channel of one unit repeats its last value; the unit is sound",
        faults=(SimulatedFault(where="sensor", what="transformer", mode="stuck"),),
        role="sensor",
        fault_s=600.0,
    ),
    Scenario(
        name="instrument-hang",
        text="a scanner stops answering for six seconds, twice; the units are sound",
        faults=(
            SimulatedFault(where="instrument", what="iron", lasts_s=6.0),
            SimulatedFault(where="instrument", what="iron", at_s=12.0, lasts_s=6.0),
        ),
        role="instrument",
        fault_s=480.0,
    ),
    Scenario(name="quiet", text="nothing happens", role="none"),
)

SCENARIOS = {scenario.name: scenario for scenario in _ALL}


def scenario(name: str) -> Scenario:
    """Return the scenario called ``name``. Raises UsageError with the names there are."""
    try:
        return SCENARIOS[name]
    except KeyError:
        raise UsageError(f"no scenario named {name!r}; there are: {', '.join(sorted(SCENARIOS))}") from None
