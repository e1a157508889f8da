"""What it costs the logger to follow the operating states: twelve units, 62 channels at 1 Hz."""

from __future__ import annotations

import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rig.clock import SystemClock
from rig.daemon.intake import Intake
from rig.daemon.observers.record_observer import Announcer, LimitsInForce
from rig.daemon.observers.unit_states import UnitStates
from rig.daemon.resume import Keeper
from rig.domain.accounting import LevelPlan
from rig.domain.layout_json import to_json
from rig.domain.limit_evaluation import Evaluation
from rig.domain.model import (
    Channel,
    ChannelKind,
    ChannelSource,
    EventKind,
    InstrumentFacts,
    Layout,
    Scan,
    Signals,
    Unit,
)
from rig.store import rundir
from tests.bench.figures import Figure, at_most

UNITS = [f"A{number}" for number in range(1, 13)]
VALUES = {"volts": 20.0, "supply": 1.0, "heat": 70.0, "device": 80.0, "fan": 1500.0}
MOST_PERCENT = 0.2
"""Of a core (own choice: what the readings themselves cost is several times that)."""
TICKS = 5
"""Looks a second, at least; the recorder takes more when more comes in."""


class SetClock(SystemClock):
    """A clock that stands where it was set."""

    now_ns = 1_000_000_000_000

    def boot_ns(self) -> int:
        """Return where it stands."""
        return self.now_ns


def states(scratch: Path, *, short: bool) -> list[Figure]:
    """Return the processor time that states take, as a share of a core."""
    channels = ["mains", "level", *(f"{unit}.{name}" for unit in UNITS for name in VALUES)]
    layout = _layout(channels)
    run = rundir.create(scratch, rig="bench", created_ns=10**18, software="bench")
    keeper = Keeper(run, layout, rundir.freeze_config(run, "rig: bench\n", to_json(layout)), "bench")
    clock, told = SetClock(), list[str]()
    limits = LimitsInForce(
        layout=layout,
        evaluation=Evaluation([tuple(channels)], layout.channels, clock.boot_ns()),
        announce=Announcer(Intake(), clock),
        clock=clock,
    )

    def announce(
        kind: EventKind, subject: str, text: str, data: Mapping[str, Any], boot_ns: int | None = None
    ) -> None:
        del kind, text, data, boot_ns
        told.append(subject)

    observer = UnitStates(
        layout=layout, blocks=[tuple(channels)], keeper=keeper, limits=limits, announce=announce, clock=clock,
        offset_ns=0,
    )  # fmt: skip
    room = {"mains": 230.0, "level": 1.2}
    values = tuple(room[name] if name in room else VALUES[name.partition(".")[2]] for name in channels)
    seconds = 500 if short else 5000
    begun_s = time.process_time()
    for _ in range(seconds):
        observer.scan(
            Scan(
                block=0, sent_ns=clock.now_ns - 10_000_000, received_ns=clock.now_ns, values=values,
                statuses=bytes(len(values)),
            )
        )  # fmt: skip
        for _ in range(TICKS):
            clock.now_ns += 1_000_000_000 // TICKS
            observer.tick()
    percent = (time.process_time() - begun_s) / seconds * 100
    assert sorted(told) == sorted(UNITS), "each unit is driven, and nothing else happens"
    return [
        at_most(f"states of 12 units, {len(channels)} channels at 1 Hz", percent, MOST_PERCENT, "% of a core")
    ]


def _layout(channels: list[str]) -> Layout:
    return Layout(
        rig="bench",
        units={
            unit: Unit(
                name=unit, serial=f"S{unit}", load="8 ohm",
                channels=tuple(f"{unit}.{name}" for name in VALUES),
                signals=Signals(
                    mains=LevelPlan(channel="mains", on_above=150, off_below=100),
                    supply=LevelPlan(channel=f"{unit}.supply", on_above=0.1, off_below=0.05),
                    output=LevelPlan(channel=f"{unit}.volts", on_above=5, off_below=3),
                    drive=LevelPlan(channel="level", on_above=0.5, off_below=0.3),
                ),
            )
            for unit in UNITS
        },
        channels={
            name: Channel(
                name=name, unit_of_measure="V", unit=name.partition(".")[0] if "." in name else None,
                kind=ChannelKind.RESPONSE, source=ChannelSource(instrument="meter", field=name),
            )
            for name in channels
        },
        instruments={
            "meter": InstrumentFacts(name="meter", bus="b", driver="scpi", poll_s=1.0, timeout_s=0.5)
        },
    )  # fmt: skip
