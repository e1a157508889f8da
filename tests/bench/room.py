"""A room of six units and sixty channels, as a rig file and as a physics of its own.

What a long recording needs: mains wound up and down, temperatures that follow power with a lag, readings
rounded as instruments round them, a few short excursions, and one unit that dies at the end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

UNITS = ("A1", "A2", "A3", "A4", "A5", "A6")
DYING = "A3"
STEP_S = 60
"""The slow quantities are worked out once a minute, readings lie between."""
DAY_S = 86_400
NANO = 1_000_000_000

_TEMPLATE = """
      heatsink: {{from: scanner.hs{place}, unit: degC, high: 95 degC, early-high: 88 degC, deadband: 2 K,
        on-delay: 5 s, lag: 8 s, lag-tolerance: 10 %, resolution: 0.1 K, accuracy: 0.5 K}}
      transformer: {{from: scanner.tr{place}, unit: degC, high: 120 degC, deadband: 2 K, on-delay: 5 s,
        resolution: 0.1 K, accuracy: 0.5 K}}
      output_stage: {{from: scanner.os{place}, unit: degC, high: 125 degC, deadband: 2 K, on-delay: 5 s,
        resolution: 0.1 K, accuracy: 0.5 K}}
      volts: {{from: outputs.volts{place}, unit: V, low: 24 V, deadband: 500 mV, on-delay: 2 s}}
      amps: {{from: outputs.amps{place}, unit: A, low: 2.5 A, high: 9 A, deadband: 200 mA, on-delay: 2 s}}
      rail_plus: {{from: rails.plus{place}, unit: V, low: 40 V, high: 78 V, deadband: 500 mV,
        on-delay: 2 s}}
      rail_minus: {{from: rails.minus{place}, unit: V, low: 40 V, high: 78 V, deadband: 500 mV,
        on-delay: 2 s}}
      current: {{from: mains.amps{place}, unit: A, high: 6 A, deadband: 100 mA, on-delay: 2 s}}
      power: {{formula: {unit}.volts * {unit}.amps, unit: W, limits: none}}
"""

_ROOM = """channels:
  mains: {from: mains.volts, unit: V, kind: stimulus, low: 190 V, high: 262 V, deadband: 1 V,
    resolution: 0.01 V}
  frequency: {from: mains.frequency, unit: Hz, kind: stimulus, low: 49 Hz, high: 51 Hz, deadband: 100 mHz}
  ambient: {from: scanner.room, unit: degC, kind: stimulus, high: 60 degC, deadband: 1 K, resolution: 0.1 K}
  exhaust: {from: scanner.exhaust, unit: degC, high: 70 degC, deadband: 1 K, resolution: 0.1 K}
  drive: {from: outputs.drive, unit: V, kind: stimulus, high: 1.5 V, deadband: 50 mV}
  load: {formula: "A1.power + A2.power + A3.power + A4.power + A5.power + A6.power", unit: W, limits: none}
"""

_BUSES = {"scanner": "7001", "outputs": "7002", "rails": "7003", "mains": "7004"}
_FIELDS = {
    "scanner": [*(f"{kind}{k}" for kind in ("hs", "tr", "os") for k in range(1, 7)), "room", "exhaust"],
    "outputs": [*(f"{kind}{k}" for kind in ("volts", "amps") for k in range(1, 7)), "drive"],
    "rails": [f"{kind}{k}" for kind in ("plus", "minus") for k in range(1, 7)],
    "mains": ["volts", "frequency", *(f"amps{k}" for k in range(1, 7))],
}
EXCHANGE_S = {
    "scanner": (0.300, 0.004),
    "outputs": (0.012, 0.001),
    "rails": (0.012, 0.001),
    "mains": (0.041, 0.002),
}
"""Seconds from question to reply, and their scatter."""


def rig_text(days: int) -> str:
    """Return the rig file of the room."""
    lines = ["rig: month-room", "runs: runs", f"planned: {days} d", "buses:"]
    lines += [f'  {name}-line: {{tcp: "127.0.0.1:{port}"}}' for name, port in _BUSES.items()]
    lines.append("instruments:")
    for name, fields in _FIELDS.items():
        lines.append(
            f"  {name}: {{bus: {name}-line, driver: lines, poll: 1 s, timeout: 800 ms, terminator: LF,"
        )
        lines.append(f'    reads: [{{ask: "READ?", fields: [{", ".join(fields)}]}}]}}')
    lines.append("units:")
    for place, unit in enumerate(UNITS, 1):
        lines.append(f'  {unit}:\n    serial: "01{place:02d}"\n    load: 8 ohm resistor\n    channels:')
        lines.append(_TEMPLATE.format(place=place, unit=unit).strip("\n"))
    return "\n".join(lines) + "\n" + _ROOM


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """The slow quantities of a whole run, one value a minute: name -> row."""

    rows: dict[str, Floats]

    def at(self, name: str, seconds: Floats) -> Floats:
        """Return a quantity at moments, seconds from the start."""
        row = self.rows[name]
        return np.interp(seconds, np.arange(len(row)) * STEP_S, row)


def course(days: int, seed: int, excursions: int = 0) -> Course:
    """Return the slow quantities of a run of so many days; the last hours are those of a death.

    excursions: how often the exhaust air is too hot for some minutes, spread over the run.
    """
    rng = np.random.default_rng(seed)
    count = days * DAY_S // STEP_S + 2
    minute = np.arange(count)
    levels = np.array([230.0, 253.0, 207.0, 259.0])
    mains = levels[(minute // 180) % 4] + 0.4 * np.sin(minute / 37.0)
    for share in (0.2, 0.45, 0.7):  # the variac overshoots for three minutes
        begin = int(share * count)
        mains[begin : begin + 3] = 263.5
    ambient = 48 + 3 * np.sin(2 * np.pi * minute / 1440) + 0.5 * np.sin(minute / 211.0)
    drive = np.where(minute % 60 < 54, 1.0, 0.0)  # six minutes of rest each hour
    rows = {"mains": mains, "ambient": ambient, "drive": drive}
    end = (count - 2) - 60
    drift = np.clip((minute - (end - 540)) / 540.0, 0.0, None)
    for place, unit in enumerate(UNITS):
        heat = (mains / 230.0) ** 2 * drive * (1 + 0.02 * place)
        slow, fast = _lagged(heat, 25.0), _lagged(heat, 4.0)
        worse = 1 + 0.9 * drift**2 if unit == DYING else 1.0
        alive = np.ones(count)
        if unit == DYING:
            alive[end + 20 :] = 0.0
        rows[f"{unit}.heatsink"] = ambient + 26 * slow * worse
        rows[f"{unit}.transformer"] = ambient + 40 * slow
        rows[f"{unit}.output_stage"] = ambient + 42 * fast * worse
        rows[f"{unit}.alive"] = alive
        rows[f"{unit}.wander"] = _lagged(rng.normal(0, 0.1, count), 600.0)
    rows["exhaust"] = ambient + 6 * _lagged(drive, 30.0)
    if excursions:
        gap = (count - 200) // excursions
        rows["exhaust"][100 : 100 + gap * excursions : gap] = 80.0
    return Course(rows)


def _lagged(row: Floats, minutes: float) -> Floats:
    from scipy.signal import lfilter

    keep = np.exp(-1 / minutes)
    return np.asarray(lfilter([1 - keep], [1, -keep], row))


def values(made: Course, seconds: Floats, rng: np.random.Generator) -> dict[str, Floats]:
    """Return the readings of every channel at moments (seconds from the start), rounded as displayed."""

    def noisy(row: Floats, sigma: float, digits: int) -> Floats:
        return np.asarray(np.round(row + rng.normal(0, sigma, len(row)), digits))

    mains, drive = made.at("mains", seconds), np.round(made.at("drive", seconds))
    found = {
        "mains": noisy(mains, 0.15, 2),
        "frequency": noisy(50 + 0.02 * np.sin(seconds / 613), 0.005, 2),
        "ambient": noisy(made.at("ambient", seconds), 0.05, 1),
        "exhaust": noisy(made.at("exhaust", seconds), 0.08, 1),
        "drive": noisy(drive, 0.0004, 4),
    }
    for unit in UNITS:
        alive = np.round(made.at(f"{unit}.alive", seconds))
        level = 1 + made.at(f"{unit}.wander", seconds)
        for kind, sigma in (("heatsink", 0.06), ("transformer", 0.06), ("output_stage", 0.09)):
            found[f"{unit}.{kind}"] = noisy(made.at(f"{unit}.{kind}", seconds), sigma, 1)
        playing = (28.3 + 6 * drive) * level * alive
        found[f"{unit}.volts"] = noisy(playing, 0.002, 4)
        found[f"{unit}.amps"] = noisy(playing / 8, 0.0006, 4)
        for rail, sign in (("rail_plus", 1.0), ("rail_minus", 1.003)):
            found[f"{unit}.{rail}"] = noisy((mains / 230 * 62 - 3 * drive * alive) * sign, 0.01, 4)
        found[f"{unit}.current"] = noisy(0.4 + (2.1 * drive + 0.6) * alive * 230 / mains, 0.002, 3)
        found[f"{unit}.power"] = found[f"{unit}.volts"] * found[f"{unit}.amps"]
    found["load"] = sum((found[f"{unit}.power"] for unit in UNITS), np.zeros(len(seconds)))
    return found
