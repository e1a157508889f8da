"""Kinds of death (and of things that only look like one), each with the role the answer must give."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from tests.verify.physics import Build, Room
from tests.verify.signals import pulse, smooth, switch

SENSOR, INSTRUMENT, RIG, UNIT, NONE = "sensor", "instrument", "rig", "unit", "none"


@dataclass
class Trouble:
    """What one scenario does.

    roles: answers that are right; victim: index of the unit; begins: fault's grid point;
    open_channel, fallen_channel, stuck_channel: (unit index, quantity); hang, jolt: instrument name;
    independent: channels whose crossings have nothing to do with each other (two failures at once).
    """

    kind: str
    roles: frozenset[str]
    victim: int = 0
    begins: int = 0
    open_channel: tuple[int, str] | None = None
    fallen_channel: tuple[int, str] | None = None
    stuck_channel: tuple[int, str] | None = None
    hang: str | None = None
    jolt: str | None = None
    jolt_by: float = 0.0
    blind: set[tuple[int, str]] = field(default_factory=set)


Maker = Callable[[np.random.Generator, Room, list[Build]], Trouble]


def _begin(rng: np.random.Generator, room: Room, low: float = 0.45, high: float = 0.7) -> int:
    return int(room.n * rng.uniform(low, high))


def _growth(room: Room, k: int, tau: float, scale: float, most: float) -> np.ndarray:
    late = np.maximum(np.arange(room.n) - k, 0) * room.dt
    return np.minimum(scale * np.expm1(np.minimum(late / tau, 50.0)), most)


def runaway(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room)
    tau = rng.uniform(20, 120) * max(room.dt / 0.05, 1) ** 0.5
    extra = _growth(room, k, tau, 0.5, 130.0)
    dead = int(np.argmax(extra >= 129.9)) or room.n - 5
    b = builds[0]
    extra[dead:] = 130.0 * np.exp(-np.arange(room.n - dead) * room.dt / 60.0)
    b.extra_device, b.extra_bias = smooth(extra), smooth(extra * rng.uniform(1.0, 4.0))
    blow = min(dead + max(1, int(rng.uniform(0.05, 2.0) / room.dt)), room.n - 3)
    b.extra_offset = switch(room.n, dead, 0.0, 45.0)
    b.extra_current = pulse(room.n, dead, blow, rng.uniform(10, 25), 0.0)
    b.fuse_at, b.rail_tau = blow, rng.uniform(0.3, 3.0)
    return Trouble("runaway", frozenset({UNIT}), begins=k)


def fan(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room)
    builds[0].fan_at, builds[0].fan_left = k, rng.uniform(0.25, 0.6)
    return Trouble("fan", frozenset({UNIT}), begins=k)


def bias_drift(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room, 0.3, 0.5)
    late = np.maximum(np.arange(room.n) - k, 0) / (room.n - k)
    builds[0].extra_bias = smooth(rng.uniform(60, 200) * late ** rng.choice([1.0, 1.0, 1.5]))
    builds[0].extra_device = smooth(rng.uniform(2, 10) * late)
    return Trouble("bias drift", frozenset({UNIT}), begins=k)


def short_and_fuse(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room)
    blow = min(k + max(1, int(rng.uniform(0.05, 6.0) * max(1, room.dt) / room.dt)), room.n - 3)
    b = builds[0]
    b.extra_offset = switch(room.n, k, 0.0, 45.0)
    b.extra_current = pulse(room.n, k, blow, rng.uniform(8, 25), 0.0)
    b.fuse_at, b.rail_tau = blow, rng.uniform(0.3, 3.0)
    return Trouble("output short", frozenset({UNIT}), begins=k)


def dried_capacitor(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room, 0.3, 0.6)
    late = np.maximum(np.arange(room.n) - k, 0) * room.dt
    span = (room.n - k) * room.dt
    builds[0].capacity = smooth(np.maximum(1 / (1 + rng.uniform(2, 6) * (late / span)), 0.1))
    return Trouble("dried capacitor", frozenset({UNIT}), begins=k)


def cycling(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    b = builds[0]
    b.tau_sink = room.n * room.dt * rng.uniform(0.01, 0.03)
    b.trip_at_degc, b.rearm_at_degc = -1.0, rng.uniform(0.35, 0.6)  # filled in when limits are known
    return Trouble("protection cycling", frozenset({UNIT}), begins=0)


def surge(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room)
    stop = min(k + int(room.n * rng.uniform(0.03, 0.2)), room.n - 10)
    rise = pulse(room.n, k, stop, rng.uniform(1.16, 1.25), 1.0)
    room.mains *= rise
    if rng.random() < 0.6:
        dies = int(rng.uniform(k + 0.2 * (stop - k), stop))
        b = builds[0]
        b.extra_offset = switch(room.n, dies, 0.0, 45.0)
        b.fuse_at, b.rail_tau = min(dies + max(1, int(1 / room.dt)), room.n - 3), 1.0
        b.extra_current = pulse(room.n, dies, b.fuse_at, 15.0, 0.0)
    return Trouble("mains surge", frozenset({RIG}), begins=k)


def sag(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room)
    room.mains *= pulse(
        room.n, k, min(k + int(room.n * rng.uniform(0.02, 0.2)), room.n - 5), rng.uniform(0.6, 0.72), 1.0
    )
    return Trouble("mains sag", frozenset({RIG}), begins=k)


def hot_room(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room, 0.3, 0.5)
    late = np.maximum(np.arange(room.n) - k, 0) * room.dt
    tau = room.n * room.dt * rng.uniform(0.03, 0.15)
    room.ambient = room.ambient + smooth(rng.uniform(25, 35) * (1 - np.exp(-late / tau)))
    return Trouble("hot room", frozenset({RIG}), begins=k)


def open_thermocouple(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room)
    where = (0, str(rng.choice(["heatsink", "device", "transformer"])))
    return Trouble("thermocouple open", frozenset({SENSOR}), begins=k, open_channel=where, blind={where})


def fallen_thermocouple(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room)
    where = (0, str(rng.choice(["heatsink", "device"])))
    return Trouble(
        "thermocouple fallen off", frozenset({SENSOR}), begins=k, fallen_channel=where, blind={where}
    )


def stuck(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room, 0.4, 0.6)
    where = (0, str(rng.choice(["heatsink", "device", "vout", "rail"])))
    return Trouble("stuck reading", frozenset({SENSOR}), begins=k, stuck_channel=where, blind={where})


def hang(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room)
    return Trouble(
        "instrument hang", frozenset({INSTRUMENT}), begins=k, hang=str(rng.choice(["scanner", "meter0"]))
    )


def jolt(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room)
    by = float(rng.choice([-1, 1]) * rng.uniform(60, 120))
    blind = {(u, q) for u in range(len(builds)) for q in ("heatsink", "device", "transformer")} | {
        (-1, "ambient")
    }
    return Trouble(
        "instrument jolt", frozenset({INSTRUMENT}), begins=k, jolt="scanner", jolt_by=by, blind=blind
    )


def drive_lost(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room)
    builds[0].drive_factor = switch(room.n, k, 1.0, rng.uniform(0.0, 0.2))
    return Trouble("drive lost", frozenset({RIG}), begins=k)


def load_open(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room)
    builds[0].ohms = switch(room.n, k, 8.0, rng.uniform(60, 500))
    return Trouble("load open", frozenset({RIG}), begins=k)


def load_short(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room)
    b = builds[0]
    b.ohms = switch(room.n, k, 8.0, rng.uniform(0.8, 2.0))
    b.fuse_at = min(k + max(2, int(rng.uniform(2, 30) * max(1, room.dt) / room.dt)), room.n - 3)
    b.rail_tau = rng.uniform(0.3, 3.0)
    return Trouble("load short", frozenset({RIG}), begins=k)


def two_at_once(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    k = _begin(rng, room)
    other = min(k + int(rng.integers(1, 8)), room.n - 5)
    b = builds[0]
    b.extra_bias = switch(room.n, k, 0.0, rng.uniform(60, 200))
    b.extra_offset = switch(room.n, other, 0.0, rng.uniform(5, 20))
    return Trouble("two at once", frozenset({UNIT}), begins=k)


def nothing(rng: np.random.Generator, room: Room, builds: list[Build]) -> Trouble:
    return Trouble("nothing", frozenset({NONE}), begins=room.n)


KINDS: dict[str, Maker] = {
    "runaway": runaway, "fan": fan, "bias drift": bias_drift, "output short": short_and_fuse,
    "dried capacitor": dried_capacitor, "protection cycling": cycling, "mains surge": surge, "mains sag": sag,
    "hot room": hot_room, "thermocouple open": open_thermocouple,
    "thermocouple fallen off": fallen_thermocouple,
    "stuck reading": stuck, "instrument hang": hang, "instrument jolt": jolt, "drive lost": drive_lost,
    "load open": load_open, "load short": load_short, "two at once": two_at_once, "nothing": nothing,
}  # fmt: skip
