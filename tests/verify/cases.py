"""One simulated case: a room, what went wrong, what the instruments saw of it, and the truth."""

from __future__ import annotations

import copy
from dataclasses import dataclass, replace

import numpy as np

from rig.domain.model import Layout, Unit
from rig.domain.recording import MemoryRecording
from tests.verify.derived import add_rises
from tests.verify.instruments import START_NS, UNITS, Made, Stratum, Truth, schemes
from tests.verify.physics import MEASURE, QUANTITIES, Build, Room, course
from tests.verify.scenarios import KINDS, Trouble
from tests.verify.signals import Signal, smooth, switch

__all__ = ["START_NS", "Case", "Stratum", "Truth", "make"]


@dataclass(kw_only=True)
class Case(MemoryRecording):
    """A recording and what is true of it."""

    seed: int
    kind: str
    stratum: Stratum
    dt: float
    trouble: Trouble
    truth: dict[str, Truth]
    victim: str


def draw_stratum(rng: np.random.Generator, slow: bool) -> Stratum:
    polls = [10.0, 20.0, 60.0, 120.0] if slow else [0.25, 0.5, 1.0, 2.0, 5.0]
    return Stratum(
        poll_s=float(rng.choice(polls)),
        jitter=str(rng.choice(["none", "small", "large"])),
        noise=str(rng.choice(["tiny", "small", "medium", "large"])),
        resolution=str(rng.choice(["fine", "coarse"])),
        lag=str(rng.choice(["none", "short", "long"])),
        drops=str(rng.choice(["none", "few", "many", "bursts"])),
        accuracy=str(rng.choice(["none", "none", "stated"])),
    )


def make_room(rng: np.random.Generator, slow: bool, quiet: bool) -> Room:
    dt, n = (2.0, 43201) if (slow or quiet) else (0.05, 72001)
    t = np.arange(n) * dt
    span = n * dt
    wander = sum(
        rng.uniform(0.2, 1.0) * np.sin(2 * np.pi * t / (span / rng.uniform(1, 25)) + rng.uniform(0, 6))
        for _ in range(4)
    )
    mains = smooth(230.0 + np.asarray(wander))
    for _ in range(int(rng.integers(0, 4))):
        mains *= switch(n, int(rng.uniform(0.05, 0.95) * n), 1.0, rng.uniform(0.96, 1.04))
    mains = np.clip(mains, 212.0, 248.0)
    ambient = smooth(
        rng.uniform(28, 42) + rng.uniform(0.3, 2.0) * np.sin(2 * np.pi * t / (span / rng.uniform(0.5, 4)))
    )
    drive = np.ones((2, n))
    if rng.random() < 0.4:
        every = max(int(span / rng.uniform(30, 70) / dt), 10)
        rest = max(int(every * 0.1), 2)
        index = np.arange(n) % every
        drive = np.stack(
            [np.where((index > 0) & (index <= rest), 0.93, 1.0), np.where(index < rest, 0.93, 1.0)]
        )
    return Room(n=n, dt=dt, mains=mains, ambient=ambient, drive=drive, cold_start=bool(rng.random() < 0.5))


def _true_signals(courses: list[dict[str, Signal]], room: Room) -> dict[tuple[int, str], Signal]:
    signals = {(u, q): courses[u][q] for u in range(UNITS) for q in QUANTITIES}
    signals[(-1, "mains")] = room.mains
    signals[(-1, "ambient")] = room.ambient
    return signals


HOT_KINDS = ("fan", "runaway", "hot room", "protection cycling", "mains surge")
"""Troubles that move a heatsink, or the air about it, out of its limits."""


def make(seed: int, kind: str | None = None, *, derived: bool = False) -> Case:
    """Return the case of one seed; the same seed gives the same case.

    derived: heatsinks lag, and each unit has a rise over ambient that is computed from its readings.
    """
    rng = np.random.default_rng(seed)
    kind = kind or str(rng.choice(list(HOT_KINDS if derived else KINDS)))
    slow = kind in {"bias drift", "dried capacitor"} or (kind != "nothing" and rng.random() < 0.15)
    stratum = draw_stratum(rng, slow or kind == "nothing")
    if derived:
        stratum = replace(stratum, lag=str(rng.choice(["eight", "eight", "long"])))
    room = make_room(rng, slow, kind == "nothing")
    builds = [
        Build(
            gain=28 * rng.uniform(0.97, 1.03),
            conductance=1.8 * rng.uniform(0.95, 1.05),
            bias_ma=50 * rng.uniform(0.9, 1.1),
        )
        for _ in range(UNITS)
    ]
    nominal_builds, nominal_room = copy.deepcopy(builds), copy.deepcopy(room)
    nominal = [course(b, nominal_room) for b in nominal_builds]
    trouble = KINDS[kind](rng, room, builds)
    if kind == "protection cycling":
        _arm_protection(rng, builds[0], nominal[0], room)
        nominal[0] = course(Build(**{**vars(builds[0]), "trip_at_degc": None, "fan_at": None}), nominal_room)
    return _observe(rng, seed, kind, stratum, room, builds, nominal_room, nominal, trouble, derived)


def _arm_protection(rng: np.random.Generator, build: Build, nominal: dict[str, Signal], room: Room) -> None:
    """Let a weak fan drive the unit over a trip point that lies above its limit."""
    k = int(room.n * rng.uniform(0.3, 0.5))
    hot = float(nominal["heatsink"].max())
    build.fan_at, build.fan_left = k, rng.uniform(0.35, 0.5)
    build.trip_at_degc = hot + 16.0
    build.rearm_at_degc = hot - rng.uniform(4, 15)


def _observe(
    rng: np.random.Generator,
    seed: int,
    kind: str,
    stratum: Stratum,
    room: Room,
    builds: list[Build],
    nominal_room: Room,
    nominal: list[dict[str, Signal]],
    trouble: Trouble,
    derived: bool,
) -> Case:
    signals = _true_signals([course(b, room) for b in builds], room)
    normal = _true_signals(nominal, nominal_room)
    unit_names = [f"{rng.choice(list('ABCDEFG'))}{k + 1}" for k in range(UNITS)]
    words = {q: f"q{i}" for i, q in enumerate(rng.permutation(sorted(MEASURE)))}
    order = rng.permutation(UNITS)
    made = Made(rng, stratum, room, trouble, signals, normal, unit_names, words)
    for scheme in schemes(rng, stratum.poll_s):
        made.poll(scheme)
    if derived:
        add_rises(made, rng)
    units = {
        unit_names[u]: Unit(
            name=unit_names[u],
            serial=f"{seed}-{u}",
            load="8 ohm",
            channels=tuple(c for c, ch in made.channels.items() if ch.unit == unit_names[u]),
        )
        for u in order
    }
    layout = Layout(rig="verify", units=units, channels=made.channels, instruments=made.instruments)
    return Case(
        seed=seed,
        kind=kind,
        stratum=stratum,
        dt=room.dt,
        trouble=trouble,
        layout=layout,
        data=made.data,
        truth=made.truth,
        victim=unit_names[trouble.victim],
    )
