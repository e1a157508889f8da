"""One amplifier under test as electricity and heat, with every true quantity open to view.

The model is quasi-static: signals are represented by their rms and peak values, heat by first-order
nodes (junction, case, heatsink, transformer). Electrical things (rails, fuse, relay) run at the pace
of the clock; heat runs ``pace`` times as fast, which is how a room of hours fits into half a minute.
A clipped sine is taken as a smaller sine: good enough for dissipation within a few per cent.

First-order nodes are advanced by their exact solution over the step, so a coarse step is stable.
Class B figures follow from the half-sine of each rail: mean current per rail peak/pi, so that the
largest dissipation of an ideal stage is 4/pi^2 of its full output power.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, field

COPPER_PER_K = 0.00393
"""Rise of a copper winding's resistance per kelvin above 20 degC (handbook value)."""
_CREST = 1.8
"""Rms current of a winding that charges a reservoir, over the mean it delivers (common practice)."""
_HEATING_A = 2.5
"""Rail current beyond which a winding gets no hotter: only a short draws more, and only for a second."""
KNOBS = frozenset(
    {"fan_drive", "tracking", "capacity", "bias_shift", "duct", "load_open", "short", "contactor"}
)
"""What a fault may turn on an amplifier."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """What an amplifier drives: a resistor, or a loudspeaker's resonance and rising impedance.

    ohm: at direct current; henry: of the coil; peak_ohm: added at ``peak_hz`` with quality ``q``.
    """

    text: str
    ohm: float = 8.0
    henry: float = 0.0
    peak_ohm: float = 0.0
    peak_hz: float = 55.0
    q: float = 3.0

    def impedance(self, hertz: float) -> complex:
        """Return the complex impedance in ohm at a frequency above zero."""
        detune = hertz / self.peak_hz - self.peak_hz / hertz
        return self.ohm + 2j * math.pi * hertz * self.henry + self.peak_ohm / (1 + 1j * self.q * detune)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """What the rig does to a unit at one instant: volts rms, hertz, degC."""

    mains_v: float = 230.0
    mains_hz: float = 50.0
    ambient_c: float = 45.0
    level_v: float = 1.2
    tone_hz: float = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """The amplifier as built: 100 W into 8 ohm, class AB, fan-cooled, one time-lag fuse.

    Units: V, A, ohm, F, W, K/W (``*_kw``), J/K (``*_jk``), degC (``*_c``), s, rpm.
    """

    gain: float = 20.0
    rail_per_mains: float = 47.0 / 230.0
    supply_ohm: float = 0.8
    saturation_v: float = 3.0
    farad: float = 0.010
    bias_a: float = 0.060
    bias_per_k: float = 0.04
    junction_kw: float = 0.30
    case_kw: float = 0.25
    case_jk: float = 20.0
    sink_fan_kw: float = 0.55
    sink_still_kw: float = 1.50
    sink_jk: float = 900.0
    winding_ohm: float = 0.7
    core_w: float = 6.0
    transformer_kw: float = 2.0
    transformer_jk: float = 500.0
    fan_rpm: float = 1500.0
    fan_s: float = 1.0
    power_factor: float = 0.65
    fuse_a: float = 2.0
    fuse_s: float = 15.0
    fuse_heat: float = 2.1
    trip_c: float = 100.0
    recover_c: float = 92.0
    breakdown_c: float = 175.0
    short_ohm: float = 2.5
    short_w: float = 120.0
    short_s: float = 0.02
    rail_up_s: float = 0.02
    rail_down_s: float = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class StageHeat:
    """What a class-B output stage does with a sine of one peak value: A, W."""

    peak_a: float
    rail_a: float
    supply_w: float
    load_w: float
    dissipation_w: float


def stage(*, peak_v: float, rail_v: float, bias_a: float, impedance: complex) -> StageHeat:
    """Return the currents (A) and powers (W) of the stage for a sine of ``peak_v`` into a load.

    Each rail carries half-sines: mean peak/pi, plus the standing bias current through both.
    """
    peak_a = peak_v / abs(impedance)
    rail_a = peak_a / math.pi + bias_a
    supply_w = 2.0 * rail_v * rail_a
    load_w = 0.5 * peak_v * peak_a * math.cos(cmath.phase(impedance))
    return StageHeat(
        peak_a=peak_a, rail_a=rail_a, supply_w=supply_w, load_w=load_w, dissipation_w=supply_w - load_w
    )


def copper_ohm(ohm_at_20: float, temp_c: float) -> float:
    """Return the resistance of a copper winding at a temperature, from that at 20 degC."""
    return ohm_at_20 * (1.0 + COPPER_PER_K * (temp_c - 20.0))


def approach(now: float, end: float, dt_s: float, tau_s: float) -> float:
    """Return where a first-order quantity stands ``dt_s`` after ``now`` on its way to ``end``."""
    return end + (now - end) * math.exp(-dt_s / tau_s)


@dataclass(slots=True, kw_only=True)
class Amplifier:
    """One unit's state. ``step`` moves it on; the other attributes are its true quantities.

    Knobs (turned by faults, 1 = healthy): fan_drive, tracking (how well the bias follows the heat),
    capacity (of the reservoir), bias_shift, duct (of the cooling air); load_open, short, contactor
    are 0 or 1.
    """

    design: Design
    load: Load
    pace: float = 1.0
    fan_drive: float = 1.0
    tracking: float = 1.0
    capacity: float = 1.0
    bias_shift: float = 1.0
    duct: float = 1.0
    load_open: float = 0.0
    short: float = 0.0
    contactor: float = 1.0

    heatsink_c: float = 45.0
    case_c: float = 45.0
    junction_c: float = 45.0
    transformer_c: float = 45.0
    fan_rpm: float = 0.0
    rail_v: float = 0.0
    ripple_v: float = 0.0
    bias_a: float = 0.0
    out_v: float = 0.0
    offset_v: float = 0.0
    supply_a: float = 0.0
    dissipation_w: float = 0.0
    muted: bool = False
    blown: bool = False
    _fuse: float = field(default=0.0)
    _rail_a: float = field(default=0.0)
    _balance: float = field(default=0.0)

    @property
    def powered(self) -> bool:
        """True while mains reaches the transformer."""
        return self.contactor >= 0.5 and not self.blown

    def soak(self, stimulus: Stimulus, *, seconds: float = 40_000.0, step_s: float = 2.0) -> None:
        """Bring the unit to the steady state of a stimulus and trim the bias there, as a maker would."""
        design = self.design
        self.fan_rpm = design.fan_rpm
        self.heatsink_c, self.case_c = stimulus.ambient_c + 30.0, stimulus.ambient_c + 45.0
        self.junction_c, self.transformer_c = stimulus.ambient_c + 60.0, stimulus.ambient_c + 25.0
        pace, self.pace = self.pace, 1.0
        for _ in range(int(seconds / step_s / 4)):
            self._trim()
            self.step(step_s, stimulus)
        self.pace = pace

    def cool_down(self, stimulus: Stimulus) -> None:
        """Bring the unit to how it is found in the morning: switched off, as warm as the room."""
        self.contactor = 0.0
        self.heatsink_c = self.case_c = self.junction_c = self.transformer_c = stimulus.ambient_c
        self.rail_v = self.out_v = self.supply_a = self.bias_a = self.ripple_v = self.dissipation_w = 0.0

    def _trim(self) -> None:
        """Set the compensation so that the bias is right at this temperature."""
        self._balance = (self.junction_c - 25.0) / max(self.heatsink_c - 25.0, 1.0)

    def step(self, dt_s: float, stimulus: Stimulus) -> None:
        """Advance all quantities by ``dt_s`` of the clock under a constant stimulus."""
        self._supply(dt_s, stimulus)
        self._output(dt_s, stimulus)
        self._intake(dt_s, stimulus)
        self._heat(dt_s * self.pace, dt_s, stimulus)
        self._protect()

    def _supply(self, dt_s: float, stimulus: Stimulus) -> None:
        design = self.design
        if self.powered:
            no_load_v = stimulus.mains_v * design.rail_per_mains
            end_v = max(no_load_v - design.supply_ohm * self._rail_a, 0.0)
            self.rail_v = approach(self.rail_v, end_v, dt_s, design.rail_up_s)
        else:
            tau_s = design.rail_down_s * (0.1 if self.short else 1.0)
            self.rail_v = approach(self.rail_v, 0.0, dt_s, tau_s)

    def _output(self, dt_s: float, stimulus: Stimulus) -> None:
        design = self.design
        if self.short:
            self._shorted(dt_s)
        else:
            self.offset_v = 0.0
            self.bias_a = self._bias() if self.rail_v > 5.0 else 0.0
            wanted_v = 0.0 if self.muted else math.sqrt(2.0) * stimulus.level_v * design.gain
            room_v = max(self.rail_v - 0.5 * self.ripple_v - design.saturation_v, 0.0)
            peak_v = min(wanted_v, room_v)
            impedance = 1e6 + 0j if self.load_open else self.load.impedance(stimulus.tone_hz)
            now = stage(peak_v=peak_v, rail_v=self.rail_v, bias_a=self.bias_a, impedance=impedance)
            self._rail_a, self.dissipation_w = now.rail_a, now.dissipation_w
            self.out_v = peak_v / math.sqrt(2.0)
        drawn_a = self._rail_a if self.powered else 0.0
        ripple_v = drawn_a / (2.0 * stimulus.mains_hz * design.farad * max(self.capacity, 0.01))
        self.ripple_v = min(ripple_v, stimulus.mains_v * design.rail_per_mains)

    def _shorted(self, dt_s: float) -> None:
        """Let a short take its course: direct voltage at once, current and output within some 20 ms."""
        design = self.design
        self.offset_v = 0.3 * self.rail_v
        self._rail_a = approach(self._rail_a, self.rail_v / design.short_ohm, dt_s, design.short_s)
        self.out_v = approach(self.out_v, 0.0, dt_s, design.short_s)
        saturated_a = 2.0 if self.rail_v > 5.0 else 0.0
        self.bias_a = approach(self.bias_a, saturated_a, dt_s, 2.0 * design.short_s)
        self.dissipation_w = design.short_w if self.rail_v > 1.0 else 0.0

    def _bias(self) -> float:
        """Return the standing current in A: it rises with the junction unless the compensation tracks."""
        design = self.design
        excess_k = (self.junction_c - 25.0) - self.tracking * self._balance * (self.heatsink_c - 25.0)
        exponent = min(max(design.bias_per_k * excess_k, -6.0), 5.0)
        return min(design.bias_a * self.bias_shift * math.exp(exponent), 5.0)

    def _intake(self, dt_s: float, stimulus: Stimulus) -> None:
        design = self.design
        if not self.powered or stimulus.mains_v < 1.0:
            self.supply_a = 0.0
            return
        drawn_w = 2.0 * stimulus.mains_v * design.rail_per_mains * self._rail_a
        self.supply_a = (drawn_w + self._core_w(stimulus)) / (stimulus.mains_v * design.power_factor)
        self._fuse = approach(self._fuse, (self.supply_a / design.fuse_a) ** 2, dt_s, design.fuse_s)
        self.blown = self._fuse > design.fuse_heat

    def _core_w(self, stimulus: Stimulus) -> float:
        return self.design.core_w * (stimulus.mains_v / 230.0) ** 2

    def _heat(self, heat_s: float, dt_s: float, stimulus: Stimulus) -> None:
        """Advance the thermal nodes by ``heat_s``; a short's heat is bounded, since it lasts a second."""
        design = self.design
        self.fan_rpm = approach(self.fan_rpm, design.fan_rpm * self.fan_drive, dt_s, design.fan_s)
        sink_kw = self.sink_kw()
        sink_end_c = stimulus.ambient_c + self.dissipation_w * sink_kw
        self.heatsink_c = approach(self.heatsink_c, sink_end_c, heat_s, sink_kw * design.sink_jk)
        case_end_c = self.heatsink_c + self.dissipation_w * design.case_kw
        self.case_c = approach(self.case_c, case_end_c, heat_s, design.case_kw * design.case_jk)
        self.junction_c = self.case_c + self.dissipation_w * design.junction_kw
        copper_w = 0.0
        core_w = 0.0
        if self.powered:
            winding_a = _CREST * math.sqrt(2.0) * min(self._rail_a, _HEATING_A)
            copper_w = copper_ohm(design.winding_ohm, self.transformer_c) * winding_a**2
            core_w = self._core_w(stimulus)
        self.transformer_c = approach(
            self.transformer_c,
            stimulus.ambient_c + (copper_w + core_w) * design.transformer_kw,
            heat_s,
            design.transformer_kw * design.transformer_jk,
        )

    def sink_kw(self) -> float:
        """Return the heatsink's thermal resistance to the air in K/W at the present fan speed."""
        design = self.design
        air: float = self.duct * (max(self.fan_rpm, 0.0) / design.fan_rpm) ** 0.8
        still_wk, blown_wk = 1.0 / design.sink_still_kw, 1.0 / design.sink_fan_kw
        return 1.0 / (still_wk + (blown_wk - still_wk) * air)

    def _protect(self) -> None:
        design = self.design
        if self.heatsink_c > design.trip_c:
            self.muted = True
        elif self.heatsink_c < design.recover_c:
            self.muted = False
        if self.junction_c > design.breakdown_c and self.powered:
            self.short = 1.0
