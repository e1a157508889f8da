"""An endurance room in a few equations: what the units really did, before any instrument looked.

Temperatures in degC, volts, amperes, ohms; time constants in seconds of the room's own time.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.verify.signals import Signal, lagged, smooth

QUANTITIES = (
    "heatsink", "device", "transformer", "vout", "iout", "rail", "ripple", "line", "bias", "offset", "load",
    "drive",
)  # fmt: skip
STIMULI = frozenset({"load", "drive"})
MEASURE = {
    "heatsink": "degC", "device": "degC", "transformer": "degC", "vout": "V", "iout": "A", "rail": "V",
    "ripple": "V", "line": "A", "bias": "mA", "offset": "V", "load": "ohm", "drive": "V", "mains": "V",
    "ambient": "degC",
}  # fmt: skip


@dataclass
class Room:
    """The room's own stimuli and its grid."""

    n: int
    dt: float
    mains: Signal
    ambient: Signal
    drive: Signal
    cold_start: bool


@dataclass
class Build:
    """What makes one unit differ from the next, and what is wrong with it (arrays over the grid)."""

    gain: float = 28.0
    conductance: float = 1.8
    resistance: float = 0.25
    bias_ma: float = 50.0
    tau_sink: float = 300.0
    tau_trafo: float = 1500.0
    # faults: each is neutral as it stands
    mains_factor: Signal | float = 1.0
    drive_factor: Signal | float = 1.0
    ohms: Signal | float = 8.0
    powered: Signal | float = 1.0
    fuse_at: int | None = None
    rail_tau: float = 0.8
    fan_at: int | None = None
    fan_left: float = 1.0
    extra_device: Signal | float = 0.0
    extra_bias: Signal | float = 0.0
    extra_offset: Signal | float = 0.0
    extra_current: Signal | float = 0.0
    capacity: Signal | float = 1.0
    trip_at_degc: float | None = None
    rearm_at_degc: float = 0.0
    switched_off: list[int] = field(default_factory=list)


def sink_course(build: Build, room: Room, source: Signal) -> Signal:
    """Return the heatsink's temperature for a power course, with a fan that may weaken at one point."""
    start = float(room.ambient[1, 0]) if room.cold_start else None
    goal = room.ambient + source / build.conductance
    if build.fan_at is None:
        return lagged(goal, build.tau_sink, room.dt, start)
    k = build.fan_at
    before = lagged(goal[:, : k + 1], build.tau_sink, room.dt, start)
    weak = room.ambient + source / (build.conductance * build.fan_left)
    after = lagged(weak[:, k:], build.tau_sink / build.fan_left, room.dt, float(before[1, -1]))
    return np.concatenate([before[:, :-1], after], axis=1)


def cycle(build: Build, room: Room, watts: Signal) -> tuple[Signal, Signal]:
    """Return (power gate, heatsink) of a unit whose protection opens and closes by temperature."""
    gate = np.ones((2, room.n))
    sink = sink_course(build, room, watts * gate)
    assert build.trip_at_degc is not None
    on, k = True, 0
    while True:
        hits = np.flatnonzero(sink[1, k:] > build.trip_at_degc if on else sink[1, k:] < build.rearm_at_degc)
        if not len(hits):
            return gate, sink
        k += int(hits[0])
        if k >= room.n - 2:
            return gate, sink
        if on:
            build.switched_off.append(k)
        on = not on
        gate[1, k:] = float(on)
        gate[0, k + 1 :] = float(on)
        sink = sink_course(build, room, watts * gate)


def course(build: Build, room: Room) -> dict[str, Signal]:
    """Return the true course of every quantity of one unit."""
    n, dt = room.n, room.dt
    mains = room.mains * build.mains_factor
    drive = room.drive * build.drive_factor
    ohms = build.ohms * np.ones((2, n))
    fuse = np.ones((2, n))
    if build.fuse_at is not None:
        index = np.arange(n)
        fuse = np.stack([(index <= build.fuse_at), (index < build.fuse_at)]).astype(float)
    decay = np.ones((2, n))
    if build.fuse_at is not None:
        late = np.maximum(np.arange(n) - build.fuse_at, 0) * dt
        decay = smooth(np.exp(-late / build.rail_tau))
    open_rail = 0.26 * mains
    wanted = build.gain * drive
    current = wanted / ohms
    rail = open_rail - 0.8 * np.minimum(current, 8.0) * build.powered * fuse
    vout = np.minimum(wanted, np.maximum(rail, 0.0) * 0.69) * build.powered
    vout = vout * np.where(decay < 0.35, 0.0, decay) if build.fuse_at is not None else vout
    vout = np.hypot(vout, build.extra_offset * decay)
    iout = vout / ohms
    heat = np.maximum(0.9 * rail * np.minimum(iout, 9.0) - vout * vout / ohms, 0.0) * fuse + 6.0
    gate = np.ones((2, n))
    if build.trip_at_degc is not None:
        gate, sink = cycle(build, room, heat)
        heat, vout, iout = heat * gate, vout * gate, iout * gate
        rail = open_rail - 0.8 * np.minimum(iout, 8.0)
    else:
        sink = sink_course(build, room, heat)
    device = sink + lagged(heat * build.resistance, 4.0, dt) + build.extra_device
    start = float(room.ambient[1, 0]) if room.cold_start else None
    delivered = vout * vout / ohms + heat
    trafo = lagged(room.ambient + 0.26 * delivered, build.tau_trafo, dt, start)
    return {
        "heatsink": sink,
        "device": device,
        "transformer": trafo,
        "vout": vout,
        "iout": iout,
        "rail": rail * decay,
        "ripple": 0.35 * np.minimum(iout, 9.0) / build.capacity * fuse,
        "line": (delivered + 15.0 + 30.0 * build.extra_current) / (np.maximum(mains, 20.0) * 0.75) * fuse,
        "bias": (build.bias_ma * (1 + 0.01 * (device - 60.0)) + build.extra_bias) * fuse * gate,
        "offset": np.abs(0.005 + build.extra_offset) * decay,
        "load": ohms,
        "drive": drive,
    }
