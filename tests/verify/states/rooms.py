"""A random room: its program, what befell each unit, and what people and soakrig recorded of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.random import Generator

from tests.verify.states.steps import Steps, steps

WIRINGS = ("all", "all", "all", "all", "all", "no supply", "no mains", "output and drive")
"""Which signals the rooms read; most read all four."""
DEATHS = (
    "output",
    "fuse",
    "short, fuse",
    "short, trip",
    "in a pause",
    "meter lost",
    "logger down",
    "near the end",
    "at switch-on",
)
BURSTS = {"continuous": None, "55 on 5 off": (55.0, 5.0), "20 on 10 off": (20.0, 10.0)}
NOTE_S = 110.0
"""How far a note is from the switching that it tells of: people write within two minutes of it."""


@dataclass
class Program:
    """Mains and drive of one source: what the test program did."""

    mains: Steps
    drive: Steps


@dataclass
class Tale:
    """What befell one place: the truth about who sat there, switched it and died.

    occupants: (from, serial) in order. off: when it was switched off, and why ("note", "order", "unknown").
    mutes: when protection held its output back. died_s: when its occupant of that moment died; shorted_s:
    until when an output stage that failed short drew its current. unnoted: serials
    switched off without a note.
    """

    name: str
    source: int
    delay_s: float
    occupants: list[tuple[float, str]]
    off: list[tuple[float, float, str]] = field(default_factory=list)
    mutes: list[tuple[float, float]] = field(default_factory=list)
    death: str = ""
    died_s: float = np.inf
    fuse: bool = False
    shorted_s: float = -1.0
    dead_serial: str = ""
    unnoted: set[str] = field(default_factory=set)
    removed_s: float = np.inf


@dataclass
class Told:
    """Something recorded: kind, moment of recording, place, words, data; about_s becomes its ``at_ns``."""

    kind: str
    at_s: float
    unit: str
    text: str
    data: dict[str, Any]
    about_s: float | None = None


@dataclass
class Room:
    """A room and all that is true of it."""

    seed: int
    end_s: float
    wiring: str
    bursts: str
    programs: list[Program]
    drive_of: list[int]
    tales: list[Tale]
    told: list[Told]
    failed_after_s: float
    idle_after_s: float
    logger_down: list[tuple[float, float, bool]]
    pauses: list[tuple[float, float]]
    blind: list[tuple[float, float, str]]
    """Meters lost: from, to, signal (``output``, ``supply``, ``mains``, ``drive``)."""
    rng: Generator


def make(seed: int) -> Room:
    """Return the room of a seed."""
    rng = np.random.default_rng(seed)
    end_s = float(rng.uniform(20, 90)) * 60
    bursts = str(rng.choice(list(BURSTS)))
    count = int(rng.integers(1, 3))
    programs = [program(rng, end_s, BURSTS[bursts]) for _ in range(count)]
    common = count == 1 or rng.random() < 0.5
    room = Room(
        seed=seed,
        end_s=end_s,
        wiring=str(rng.choice(WIRINGS)),
        bursts=bursts,
        programs=programs,
        drive_of=[0] * count if common else list(range(count)),
        tales=[],
        told=[],
        failed_after_s=float(rng.choice([60.0, 60.0, 90.0, 120.0])),
        idle_after_s=float(rng.choice([30.0, 30.0, 40.0])),
        logger_down=[],
        pauses=[],
        blind=[],
        rng=rng,
    )
    _disturb(room)
    for k in range(int(rng.integers(3, 13))):
        _befall(room, k)
    orders = [one.at_s for one in room.told if one.kind == "switch"]
    room.logger_down = _apart([one for one in room.logger_down if _idle(one, orders)], end_s)
    return room


def _idle(down: tuple[float, float, bool], orders: list[float]) -> bool:
    """Return whether soakrig had nothing to switch while it was down: it could not have."""
    return not any(down[0] - 10 < at < down[1] + 10 for at in orders)


def program(rng: Generator, end_s: float, bursts: tuple[float, float] | None) -> Program:
    """Return mains and drive of one source over a record."""
    mains: list[tuple[float, float]] = []
    drive: list[tuple[float, float]] = []
    on_s = 0.0 if rng.random() < 0.6 else float(rng.uniform(5, 60))
    if on_s:
        mains.append((on_s, 1.0))
    ends = rng.random() < 0.6
    stop_s = end_s - float(rng.uniform(80, 400)) if ends else end_s
    t = on_s + float(rng.uniform(10, 120))
    while t < stop_s - 200:
        until = min(t + float(rng.uniform(180, 1200)), stop_s)
        drive += _driven(t, until, bursts)
        what = rng.choice(["zero", "mains", "mains, drive off", "next"])
        gap = float(rng.uniform(90, 300))
        if until + gap + 60 >= stop_s or what == "next":
            t = until
        elif what == "zero":
            t = until + gap
        else:
            gap = float(rng.uniform(10, 240))
            mains += [(until, 0.0), (until + gap, 1.0)]
            left_on = what == "mains"
            if left_on:
                drive += _driven(until, until + gap, bursts)
            t = until + gap + (0.0 if left_on else float(rng.uniform(90, 150)))
    if ends:
        # a program ends by setting the drive to nothing; the mains follows at once or later
        mains.append((stop_s + (0.0 if rng.random() < 0.3 else float(rng.uniform(30, 70))), 0.0))
    first = 0.0 if on_s else 1.0
    return Program(steps(first, mains), steps(0.0, _joined(drive)))


def _driven(start: float, end: float, bursts: tuple[float, float] | None) -> list[tuple[float, float]]:
    if bursts is None:
        return [(start, 1.0), (end, 0.0)]
    found, t = [], start
    while t < end - 1:
        found += [(t, 1.0), (min(t + bursts[0], end), 0.0)]
        t += sum(bursts)
    return found


def _joined(changes: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return changes of drive; a phase that begins where another ends goes on."""
    return list(dict(sorted(changes)).items())


def _disturb(room: Room) -> None:
    """Let the logger be restarted, meters be lost, readings be missing."""
    rng, end_s = room.rng, room.end_s
    for _ in range(int(rng.choice([0, 0, 1, 2]))):
        at = float(rng.uniform(60, end_s - 240))
        room.logger_down.append((at, at + float(rng.uniform(3, 180)), bool(rng.random() < 0.5)))
    for _ in range(int(rng.choice([0, 1, 2]))):
        at = float(rng.uniform(60, end_s - 60))
        room.pauses.append((at, at + float(rng.uniform(5, 60))))
    for _ in range(int(rng.choice([0, 0, 1, 2, 3]))):
        at = float(rng.uniform(30, end_s - 60))
        signal = str(rng.choice(["output", "supply", "mains", "drive"]))
        room.blind.append((at, at + float(rng.uniform(60, 420)), signal))


def _apart(down: list[tuple[float, float, bool]], end_s: float) -> list[tuple[float, float, bool]]:
    """Return stops of the logger that leave each session some time."""
    found: list[tuple[float, float, bool]] = []
    for one in sorted(down):
        if one[0] > (found[-1][1] if found else 0.0) + 30 and one[1] < end_s - 30:
            found.append(one)
    return found


def _befall(room: Room, k: int) -> None:
    """Add a place and what befell it."""
    rng, end_s = room.rng, room.end_s
    name = f"A{k + 1}"
    source = int(rng.integers(len(room.programs)))
    delay_s = 0.0 if rng.random() < 0.2 else float(rng.uniform(0, 8))
    tale = Tale(name, source, delay_s, [(-1.0, f"{k + 1:04d}")])
    room.tales.append(tale)
    kind = rng.choice(["present", "absent", "late"], p=[0.9, 0.04, 0.06])
    free_s = 60.0
    if kind != "present":
        tale.occupants = [(-1.0, "")]
        if kind == "absent":
            return
        free_s = _put_in(room, tale, float(rng.uniform(60, end_s / 2)), f"{k + 1:04d}", "")
    doomed = rng.random() < 0.3
    dies_s = float(rng.uniform(free_s + 60, max(end_s - 150, free_s + 61))) if doomed else end_s
    t = free_s + float(rng.exponential(1000))
    while t < min(dies_s, end_s) - 60:
        t = _incident(room, tale, t) + 120 + float(rng.exponential(1000))
    if doomed and not (tale.off and tale.off[-1][1] > dies_s):
        _die(room, tale, max(dies_s, free_s))
    if rng.random() < 0.2:
        at = float(rng.uniform(1, end_s))
        if abs(at - tale.died_s) > 300:
            room.told.append(Told("note", at, name, "looked at it: nothing to see", {}))


def _incident(room: Room, tale: Tale, t: float) -> float:
    """Let something happen to a place that is no failure; return when it is over."""
    rng = room.rng
    what = rng.choice(["mute", "hand", "trip", "vain trip", "swap"], p=[0.5, 0.23, 0.1, 0.02, 0.15])
    if what == "mute":
        for _ in range(int(rng.integers(1, 4))):
            end = t + float(rng.uniform(2, 45))
            tale.mutes.append((t, end))
            t = end + float(rng.uniform(10, 60))
        return t
    if what == "hand":
        return _by_hand(room, tale, t)
    if what == "swap":
        return _swap(room, tale, t)
    order = {"purpose": "switch-off"}
    room.told.append(Told("switch", t, tale.name, "switching off", {**order, "what": "ordered"}))
    room.told.append(Told("switch", t + 0.1, tale.name, "sent", {**order, "what": "sent"}))
    if what == "vain trip":
        room.told.append(Told("switch", t + 20, tale.name, "could not", {**order, "what": "failed"}))
        return t + 20
    off = t + float(rng.uniform(0.1, 1.5))
    on = np.inf if rng.random() < 0.5 else off + float(rng.uniform(60, 600))
    tale.off.append((off, on, "order"))
    room.told.append(Told("switch", off + 6, tale.name, "is off", {**order, "what": "confirmed"}))
    if np.isfinite(on):
        room.told.append(Told("switch", on + 6, tale.name, "is on again", {**order, "what": "on"}))
    return on


def _by_hand(room: Room, tale: Tale, t: float) -> float:
    """Switch a unit off by hand, with a note near it in time, one recorded much later, or none."""
    rng = room.rng
    on = np.inf if rng.random() < 0.3 else t + float(rng.uniform(60, 600))
    how = rng.choice(["near", "later", "none"], p=[0.65, 0.25, 0.1])
    text = "switched off to look at a connector"
    if how == "none":
        tale.unnoted.add(tale.occupants[-1][1])
        tale.off.append((t, on, "unknown"))
        return on
    about = max(t + float(rng.uniform(-NOTE_S, NOTE_S)), 1.0)
    written = about if how == "near" else t + float(rng.uniform(150, 1500))
    if written > room.end_s - 5:
        about = written = min(max(about, 1.0), t)
    tale.off.append((t, on, "note"))
    room.told.append(Told("note", written, tale.name, text, {}, about if how == "later" else None))
    return on


def _swap(room: Room, tale: Tale, t: float) -> float:
    """Take a unit out and put a spare in; the place reads nothing until it is switched on."""
    rng = room.rng
    old, new = tale.occupants[-1][1], f"S{tale.name}{len(tale.occupants)}"
    out = t + float(rng.uniform(2, 40))
    if rng.random() < 0.3:  # nobody told that the place was empty
        on = out + float(rng.uniform(5, 300))
        tale.off.append((t, on, "unknown"))
        tale.occupants.append((out, new))
        room.told.append(_installed(out, tale.name, new, old))
        return on
    tale.off.append((t, out, "unknown"))
    tale.occupants.append((out, ""))
    room.told.append(_installed(out, tale.name, "", old))
    return _put_in(room, tale, out + float(rng.uniform(60, 400)), new, "")


def _put_in(room: Room, tale: Tale, at: float, serial: str, before: str) -> float:
    on = at + float(room.rng.uniform(5, 300))
    tale.off.append((tale.occupants[-1][0], on, "unknown"))
    tale.occupants.append((at, serial))
    room.told.append(_installed(at, tale.name, serial, before))
    return on


def _installed(at: float, unit: str, serial: str, before: str) -> Told:
    return Told("unit", at, unit, f"{serial or 'nobody'} installed", {"serial": serial, "before": before})


def _die(room: Room, tale: Tale, t: float) -> None:
    """Let the unit in a place die; perhaps it is replaced later."""
    rng, end_s = room.rng, room.end_s
    death = str(rng.choice(DEATHS))
    source = room.programs[tale.source]
    drive = room.programs[room.drive_of[tale.source]].drive
    if death == "near the end":
        t = max(end_s - float(rng.uniform(2, 200)), t)
    elif death == "in a pause":
        t = _in_a_pause(rng, drive, t, end_s)
    elif death == "at switch-on":
        t = next((a for a, b, v in source.mains.stretches(end_s) if v and a > t), t)
    elif death == "meter lost":
        seen = str(rng.choice(["output", "supply"]))
        room.blind.append((t - float(rng.uniform(5, 100)), t + float(rng.uniform(5, 200)), seen))
    elif death == "logger down":
        crashed = bool(rng.random() < 0.5)
        room.logger_down.append((t - float(rng.uniform(2, 60)), t + float(rng.uniform(2, 100)), crashed))
    if not source.mains(np.array([t]))[0]:  # what has no mains dies when it has it again
        t = next((a for a, _, v in source.mains.stretches(end_s) if v and a > t), end_s)
        if t >= end_s:
            return
    tale.death, tale.died_s, tale.dead_serial = death, t, tale.occupants[-1][1]
    tale.mutes = [(a, min(b, t)) for a, b in tale.mutes if a < t]
    tale.fuse = death in {"fuse", "short, fuse"} or (
        death not in {"output", "short, trip"} and rng.random() < 0.4
    )
    if death == "in a pause":
        tale.fuse = False
    if death.startswith("short"):
        tale.shorted_s = t + float(rng.uniform(0.2, 6))
    if death == "short, trip":
        order = {"purpose": "switch-off"}
        told_s = tale.shorted_s - 0.2
        tale.off.append((tale.shorted_s, np.inf, "order"))
        room.told.append(Told("switch", told_s, tale.name, "switching off", {**order, "what": "ordered"}))
        room.told.append(Told("switch", told_s + 6, tale.name, "is off", {**order, "what": "confirmed"}))
    if not death.startswith("short") and not tale.fuse and rng.random() < 0.3:
        off = t + float(rng.uniform(300, 900))  # somebody switches the dead unit off and says so
        if off < end_s - 150:
            tale.off.append((off, np.inf, "note"))
            about = off + float(rng.uniform(-NOTE_S, NOTE_S))
            room.told.append(Told("note", about, tale.name, "switched off: no output", {}))
    gone = t + float(rng.uniform(200, 1500))
    if gone < end_s - 300 and rng.random() < 0.4:
        tale.removed_s = gone
        tale.off = [(a, min(b, gone), why) for a, b, why in tale.off]
        tale.occupants.append((gone, ""))
        room.told.append(_installed(gone, tale.name, "", tale.dead_serial))
        if rng.random() < 0.6:
            _put_in(room, tale, gone + float(rng.uniform(20, 100)), f"S{tale.name}x", "")


def _in_a_pause(rng: Generator, drive: Steps, t: float, end_s: float) -> float:
    zeros = [(a, b) for a, b, v in drive.stretches(end_s) if not v and a > t and b < end_s]
    if not zeros:
        return t
    a, b = zeros[0]
    return float(rng.uniform(a, b))
