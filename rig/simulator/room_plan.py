"""Plan of the simulated room: probes, instruments, lines.

Thermal lags are those of the real room divided by its pace, since the recording runs on the clock.
The lag that the rig file states is the plan's; the probe's true lag lies within ``LAG_TOLERANCE`` of it.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from rig.simulator.physics import Load
from rig.simulator.quantities import OF_ROOM, OF_UNIT, SimulatedQuantity

LAG_TOLERANCE = 0.10
GROUP = 8
"""Units that share one set of serial lines; a larger room has several sets."""


LOADS = (
    Load(text="8 ohm resistor"),
    Load(text="8 ohm resistor"),
    Load(text="loudspeaker model, 7 ohm and 0.4 mH", ohm=7.0, henry=0.4e-3, peak_ohm=20.0),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomProbe:
    """One measured channel of the room: its plan, its unit (None for the room) and its true lag."""

    channel: str
    unit: str | None
    quantity: SimulatedQuantity
    instrument: str
    field: str
    lag_s: float
    true_lag_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Gear:
    """One instrument: on which line, how it is asked, how long it thinks, which channels it reads."""

    name: str
    line: str
    protocol: str
    think_s: float
    channels: tuple[str, ...]
    device: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomBus:
    """One bus: a serial line (pty) without parity, or a TCP port (baud 0).

    A pty cannot have parity, so the Modbus line has two stop bits in its place, as its guide asks.
    """

    name: str
    baud: int = 0
    stop_bits: int = 1

    @property
    def serial(self) -> bool:
        """True for a pty."""
        return self.baud > 0


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomPlan:
    """Plan of the whole room."""

    units: tuple[str, ...]
    loads: tuple[Load, ...]
    probes: tuple[RoomProbe, ...]
    gear: tuple[Gear, ...]
    lines: tuple[RoomBus, ...]
    pace: float
    poll_s: float

    def probe(self, channel: str) -> RoomProbe:
        """Return the probe of a channel."""
        return next(probe for probe in self.probes if probe.channel == channel)

    def fields(self, gear: Gear) -> tuple[str, ...]:
        """Return the field names of an instrument in the order of its reply."""
        return tuple(self.probe(channel).field for channel in gear.channels)


def plan(*, units: int = 6, seed: int = 1, pace: float = 60.0, poll_s: float = 0.5) -> RoomPlan:
    """Return the room for a number of units: nine probes each, six for the room itself."""
    lags = random.Random(f"lags {seed}")  # noqa: S311 - repeatable, not secret
    names = tuple(f"A{number}" for number in range(1, units + 1))
    groups = [names[start : start + GROUP] for start in range(0, units, GROUP)]
    probes = list(_probes(groups, lags, pace))
    gear, lines = _gear(groups, probes)
    loads = tuple(LOADS[index % len(LOADS)] for index in range(units))
    return RoomPlan(
        units=names,
        loads=loads,
        probes=tuple(probes),
        gear=tuple(gear),
        lines=tuple(lines),
        pace=pace,
        poll_s=poll_s,
    )


def _probes(groups: Sequence[Sequence[str]], lags: random.Random, pace: float) -> Iterator[RoomProbe]:
    for number, group in enumerate(groups):
        for unit in group:
            for quantity in OF_UNIT:
                yield _probe(quantity, unit, _home(quantity.instrument, number, unit), lags, pace)
    for quantity in OF_ROOM:
        yield _probe(quantity, None, quantity.instrument, lags, pace)


def _home(instrument: str, group: int, unit: str) -> str:
    """Return the instrument's name: one per unit (out), one per group (serial) or one for all (TCP)."""
    if instrument == "out":
        return f"out_{unit}"
    if instrument in {"heat", "box"} and group:
        return f"{instrument}{group + 1}"
    return instrument


def _probe(
    quantity: SimulatedQuantity, unit: str | None, instrument: str, lags: random.Random, pace: float
) -> RoomProbe:
    lag_s = round(quantity.lag_s / pace, 4)
    shared = quantity.instrument != "out" and unit is not None
    field = f"{quantity.name}_{unit}" if shared else quantity.name
    if unit is not None:
        quantity = replace(quantity, follows=tuple(name.format(unit=unit) for name in quantity.follows))
    return RoomProbe(
        channel=quantity.name if unit is None else f"{unit}.{quantity.name}",
        unit=unit,
        quantity=quantity,
        instrument=instrument,
        field=field,
        lag_s=lag_s,
        true_lag_s=lag_s * (1.0 + lags.uniform(-0.8, 0.8) * LAG_TOLERANCE),
    )


_PROTOCOLS = {
    "heat": ("scpi", 0.06),
    "box": ("box", 0.04),
    "iron": ("scpi", 0.05),
    "out": ("modbus-rtu", 0.004),
    "intake": ("modbus-tcp", 0.003),
    "stage": ("scpi", 0.02),
    "fans": ("counter", 0.005),
    "mains": ("stream", 0.0),
    "tone": ("scpi", 0.01),
}


def _gear(groups: Sequence[Sequence[str]], probes: Sequence[RoomProbe]) -> tuple[list[Gear], list[RoomBus]]:
    gear: list[Gear] = []
    lines: list[RoomBus] = []

    def add(name: str, line: str, device: int = 0) -> None:
        protocol, think_s = _PROTOCOLS[name.split("_", maxsplit=1)[0].rstrip("0123456789")]
        channels = tuple(probe.channel for probe in probes if probe.instrument == name)
        gear.append(
            Gear(name=name, line=line, protocol=protocol, think_s=think_s, channels=channels, device=device)
        )

    for number, group in enumerate(groups):
        suffix = str(number + 1) if number else ""
        lines.append(RoomBus(name=f"heat{suffix}_line", baud=38400))
        add(f"heat{suffix}", f"heat{suffix}_line")
        lines.append(RoomBus(name=f"box{suffix}_line", baud=19200))
        add(f"box{suffix}", f"box{suffix}_line")
        lines.append(RoomBus(name=f"out{suffix}_line", baud=38400, stop_bits=2))
        for device, unit in enumerate(group, start=1):
            add(f"out_{unit}", f"out{suffix}_line", device)
    for name in ("mains", "tone"):
        lines.append(RoomBus(name=f"{name}_line", baud=9600))
        add(name, f"{name}_line")
    for name in ("iron", "stage", "intake", "fans"):
        lines.append(RoomBus(name=f"{name}_port"))
        add(name, f"{name}_port", 1 if name == "intake" else 0)
    return gear, lines
