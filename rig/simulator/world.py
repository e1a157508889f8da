"""The room as it happens: amplifiers, stimuli and faults step by step.

Between two steps every true quantity runs in a straight line, for the probes as for the record of
crossings, so the moment at which a quantity leaves its limit is exact by construction. The room is
computed up to the instant that somebody asks for, however late the asking thread got the processor.
"""

from __future__ import annotations

import cmath
import math
import random
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from rig.simulator.crossing_ledger import Crossing, CrossingLedger, Row
from rig.simulator.physics import KNOBS, Amplifier, Design, Load, Stimulus
from rig.simulator.probes import MODES, Probes
from rig.simulator.quantities import POWER
from rig.simulator.room_plan import RoomPlan
from rig.simulator.scenarios import Scenario, SimulatedFault

SPREAD = 0.02
"""Relative spread of the amplifiers' parts (uniform)."""
_SPREAD_PARTS = ("junction_kw", "case_kw", "sink_fan_kw", "sink_jk", "transformer_kw", "farad", "winding_ohm")
NEVER_NS = 2**62
"""When a fault begins that is still held back."""
_SOFT = 0.85
"""The test signal is this much softer for the last tenth of every 900 s of heat."""

_OF_UNIT: dict[str, Callable[[Amplifier], float]] = {
    "heatsink": lambda amplifier: amplifier.heatsink_c,
    "device": lambda amplifier: amplifier.case_c,
    "transformer": lambda amplifier: amplifier.transformer_c,
    "volts": lambda amplifier: amplifier.out_v,
    "offset": lambda amplifier: amplifier.offset_v,
    "supply": lambda amplifier: amplifier.supply_a,
    "bias": lambda amplifier: 1000.0 * amplifier.bias_a,
    "ripple": lambda amplifier: amplifier.ripple_v,
    "fan": lambda amplifier: amplifier.fan_rpm,
}
_OF_ROOM: dict[str, Callable[[Stimulus], float]] = {
    "ambient": lambda stimulus: stimulus.ambient_c,
    "intake_air": lambda stimulus: stimulus.ambient_c + 0.6,
    "mains": lambda stimulus: stimulus.mains_v,
    "frequency": lambda stimulus: stimulus.mains_hz,
    "level": lambda stimulus: stimulus.level_v,
    "tone": lambda stimulus: stimulus.tone_hz,
}


KNOBS_OF_ROOM = {"mains": "mains_v", "ambient": "ambient_c", "level": "level_v"}
"""What somebody in the room can turn."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomEvent:
    """Something that was done to the room or that a unit did: a fault, a trip, a blown fuse."""

    at_ns: int
    subject: str
    text: str


def effective_ohm(load: Load, hertz: float) -> float:
    """Return the resistance that takes the same power as the load from the same voltage."""
    impedance = load.impedance(hertz)
    return abs(impedance) / math.cos(cmath.phase(impedance))


class World:
    """The room. All public methods may be called from any thread; times are CLOCK_BOOTTIME ns.

    start_ns: the instant of step 0, with all units soaked to their steady state, or ``cold``: switched off
    and at the temperature of the room. ``held``: the scenario's faults wait for ``fail``; else they come
    when it says. The sequence of events depends on plan, scenario, seed and step only, never on the reader.
    """

    def __init__(
        self,
        *,
        plan: RoomPlan,
        scenario: Scenario,
        seed: int,
        start_ns: int,
        step_ns: int = 5_000_000,
        cold: bool = False,
        held: bool = False,
    ) -> None:
        dice = random.Random(f"room {seed}")  # noqa: S311 - repeatable, not secret
        self.plan = plan
        self.scenario = scenario
        self.start_ns = start_ns
        self.step_ns = step_ns
        self.base = Stimulus()
        self.amplifiers = {
            name: _built(dice, load, plan.pace, self.base)
            for name, load in zip(plan.units, plan.loads, strict=True)
        }
        self.victim = self._chosen(seed)
        if cold:
            for amplifier in self.amplifiers.values():
                amplifier.cool_down(self.base)
        self.happenings: list[RoomEvent] = []
        self._lock = threading.Lock()
        self._phase = dice.uniform(0.0, 2.0 * math.pi)
        self._shift = {"mains_v": 0.0, "ambient_c": 0.0, "level_v": 0.0}
        self._readers: list[Callable[[Stimulus], float]] = [
            _OF_ROOM[probe.quantity.name]
            if probe.unit is None
            else partial(_read_unit, _OF_UNIT[probe.quantity.name], self.amplifiers[probe.unit])
            for probe in plan.probes
        ]
        tone_hz = self.base.tone_hz
        self._ohms = {name: effective_ohm(one.load, tone_hz) for name, one in self.amplifiers.items()}
        self._count = 0
        self._faults_ns = NEVER_NS if held else start_ns + round(scenario.fault_s / plan.pace * 1e9)
        self._waiting = sorted(scenario.faults, key=self._begins_ns)
        self._turning: list[tuple[SimulatedFault, float]] = []
        self._ledger = _ledger(plan)
        self._probes = Probes(plan.probes, step_ns=step_ns)
        self._true = self._row(self._stimulus(0))
        self._ledger.begin(self._true, start_ns)
        self._probes.begin(self._true[: len(plan.probes)], start_ns)

    @property
    def crossings(self) -> tuple[Crossing, ...]:
        """All true crossings so far, in the order in which they were noticed."""
        with self._lock:
            return tuple(replace(crossing) for crossing in self._ledger.crossings)

    @property
    def now_ns(self) -> int:
        """The instant up to which the room has been computed."""
        return self.start_ns + self._count * self.step_ns

    @property
    def dead(self) -> tuple[str, ...]:
        """The units whose fuse has blown."""
        return tuple(name for name, amplifier in self.amplifiers.items() if amplifier.blown)

    def ohm(self, unit: str) -> float:
        """Return the effective resistance of a unit's load at the test tone."""
        return self._ohms[unit]

    def advance(self, to_ns: int) -> None:
        """Compute the room up to ``to_ns`` at least."""
        with self._lock:
            self._advance(to_ns)

    def felt(self, channel: str, at_ns: int) -> float | None:
        """Return what a channel's probe delivers at an instant, before noise; None where it is open."""
        with self._lock:
            self._advance(at_ns)
            return self._probes.read(channel, at_ns)

    def true(self, channel: str) -> float:
        """Return the true quantity at the newest step."""
        return float(self._true[self._ledger.channels.index(channel)])

    def switch(self, unit: str, *, on: bool) -> None:
        """Open or close the contactor in a unit's mains."""
        with self._lock:
            self.amplifiers[unit].contactor = float(on)
            self._happen(self.now_ns, unit, f"contactor {'closes' if on else 'opens'}")

    def turn(self, what: str, value: float) -> None:
        """Turn a stimulus to another value: ``mains`` (V), ``ambient`` (degC) or ``level`` (V)."""
        with self._lock:
            self.base = replace(self.base, **{KNOBS_OF_ROOM[what]: value})
            self._happen(self.now_ns, what, f"turned to {value:g}")

    def fail(self) -> None:
        """Let the faults that were held come: the first one now, the others after it."""
        with self._lock:
            if self._faults_ns == NEVER_NS:
                self._faults_ns = self.now_ns

    def short(self, unit: str) -> None:
        """Short the output stage of a unit: its fuse blows. Raises KeyError if there is none of that name."""
        with self._lock:
            self.amplifiers[unit].short = 1.0
            self._happen(self.now_ns, unit, "output stage shorted")

    def switched_on(self, unit: str) -> bool:
        """Return whether a unit's contactor is closed."""
        return self.amplifiers[unit].contactor >= 0.5

    def hangs(self, instrument: str, at_ns: int) -> bool:
        """Return whether an instrument gives no answer at an instant, by the scenario."""
        return any(
            fault.where == "instrument"
            and fault.what == instrument
            and 0 <= (at_ns - self._begins_ns(fault)) / 1e9 < (fault.lasts_s or math.inf)
            for fault in self.scenario.faults
        )

    def _chosen(self, seed: int) -> str:
        """Return the unit that suffers: on a resistor, where limits and trip point are well apart."""
        dice = random.Random(f"victim {seed} {self.scenario.name}")  # noqa: S311 - repeatable, not secret
        plain = [name for name, one in self.amplifiers.items() if one.load.henry == 0.0]
        victim = dice.choice(plain or list(self.amplifiers))
        if self.scenario.weak_c is not None:
            one = self.amplifiers[victim]
            weak_c = one.junction_c + self.scenario.weak_c - one.heatsink_c
            one.design = replace(one.design, breakdown_c=weak_c)
        return victim

    def _begins_ns(self, fault: SimulatedFault) -> int:
        """Return when a fault begins: an instrument's delays run on the clock, all others with the heat."""
        pace = self.plan.pace
        delay_s = fault.at_s if fault.where == "instrument" else fault.at_s / pace
        return self._faults_ns + round(delay_s * 1e9)

    def _advance(self, to_ns: int) -> None:
        while self.now_ns < to_ns:
            self._step()

    def _step(self) -> None:
        last_ns = self.now_ns
        self._fault(last_ns)
        self._count += 1
        stimulus = self._stimulus(self.now_ns - self.start_ns)
        for name, amplifier in self.amplifiers.items():
            before = amplifier.muted, amplifier.blown, bool(amplifier.short)
            amplifier.step(self.step_ns / 1e9, stimulus)
            if before != (amplifier.muted, amplifier.blown, bool(amplifier.short)):
                self._tell(name, before, amplifier)
        last, self._true = self._true, self._row(stimulus)
        self._ledger.watch(last, self._true, last_ns, self.now_ns)
        self._probes.feel(self._true[: len(self.plan.probes)], stimulus.ambient_c)

    def _stimulus(self, since_ns: int) -> Stimulus:
        """Return what the rig does: slow waves of mains and air, now and then a softer stretch."""
        heat_s = since_ns / 1e9 * self.plan.pace
        slow = 2.0 * math.pi * heat_s / 1100.0 + self._phase
        level_v = self.base.level_v * (_SOFT if heat_s % 900.0 >= 810.0 else 1.0)
        return Stimulus(
            mains_v=max(self.base.mains_v + 2.0 * math.sin(slow) + self._shift["mains_v"], 0.0),
            mains_hz=self.base.mains_hz + 0.02 * math.sin(1.7 * slow),
            ambient_c=self.base.ambient_c + 0.3 * math.sin(0.6 * slow) + self._shift["ambient_c"],
            level_v=max(level_v + self._shift["level_v"], 0.001),
            tone_hz=self.base.tone_hz,
        )

    def _row(self, stimulus: Stimulus) -> Row:
        values = [read(stimulus) for read in self._readers]
        values += [one.out_v**2 / self._ohms[name] for name, one in self.amplifiers.items()]
        return np.array(values)

    def _fault(self, now_ns: int) -> None:
        """Begin what is due, and turn the knobs of what is under way."""
        while self._waiting and self._begins_ns(self._waiting[0]) <= now_ns:
            self._begin(self._waiting.pop(0))
        for fault, origin in list(self._turning):
            heat_s = (now_ns - self._begins_ns(fault)) / 1e9 * self.plan.pace
            share = min(heat_s / fault.over_s, 1.0) if fault.over_s > 0 else 1.0
            if fault.lasts_s is not None and heat_s > fault.lasts_s:
                share = max(1.0 - (heat_s - fault.lasts_s) / max(fault.over_s, 1e-9), 0.0)
            if fault.where == "room":
                self._shift[fault.what] = share * fault.to
            else:
                setattr(self.amplifiers[self.victim], fault.what, origin + share * (fault.to - origin))
                if share >= 1.0:
                    self._turning.remove((fault, origin))

    def _begin(self, fault: SimulatedFault) -> None:
        at_ns = self._begins_ns(fault)
        subject = fault.what
        if fault.where == "victim":
            assert fault.what in KNOBS
            subject = self.victim
            self._turning.append((fault, getattr(self.amplifiers[self.victim], fault.what)))
        elif fault.where == "room":
            self._turning.append((fault, 0.0))
        elif fault.where == "sensor":
            assert fault.mode in MODES
            subject = f"{self.victim}.{fault.what}"
            self._probes.fail(subject, fault.mode, at_ns)
        text = {"sensor": f"probe {fault.mode}", "instrument": "stops answering"}.get(fault.where, fault.what)
        self._happen(at_ns, subject, f"fault begins: {text}")

    def _tell(self, name: str, before: tuple[bool, bool, bool], now: Amplifier) -> None:
        texts = (
            ("protection lets the output go", "protection mutes the output"),
            ("the fuse is whole", "the fuse blows"),
            ("the short is gone", "an output device is shorted"),
        )
        for was, is_now, text in zip(before, (now.muted, now.blown, bool(now.short)), texts, strict=True):
            if was != is_now:
                self._happen(self.now_ns, name, text[is_now])

    def _happen(self, at_ns: int, subject: str, text: str) -> None:
        self.happenings.append(RoomEvent(at_ns=at_ns, subject=subject, text=text))


def _read_unit(read: Callable[[Amplifier], float], amplifier: Amplifier, _: Stimulus) -> float:
    return read(amplifier)


def _built(dice: random.Random, load: Load, pace: float, stimulus: Stimulus) -> Amplifier:
    nominal = Design()
    parts = {part: getattr(nominal, part) * (1.0 + dice.uniform(-SPREAD, SPREAD)) for part in _SPREAD_PARTS}
    amplifier = Amplifier(design=replace(nominal, **parts), load=load, pace=pace)
    amplifier.soak(stimulus)
    return amplifier


def _ledger(plan: RoomPlan) -> CrossingLedger:
    channels = [probe.channel for probe in plan.probes] + [f"{unit}.{POWER.name}" for unit in plan.units]
    quantities = [probe.quantity for probe in plan.probes] + [POWER] * len(plan.units)
    none = math.nan
    return CrossingLedger(
        channels,
        high=np.array([none if one.high is None else one.high for one in quantities]),
        low=np.array([none if one.low is None else one.low for one in quantities]),
        band=np.array([one.deadband for one in quantities]),
    )
