"""Runs made through the real writer and the real sealing, with a truth that follows from their recipe."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from rig.domain.accounting import Accounting, LevelPlan
from rig.domain.layout_json import to_json
from rig.domain.model import (
    Channel,
    ChannelKind,
    ChannelSource,
    EventKind,
    InstrumentFacts,
    Layout,
    Limit,
    Scan,
    Side,
    Unit,
)
from rig.store import rundir
from rig.store.rundir import RunDir
from rig.store.seal import seal
from rig.store.writer import RunWriter

S = 1_000_000_000
BOOT_NS = 9_000_000_000_000
YEAR_2031_NS = 1_925_000_000 * S
"""2031-01-01 02:13:20 UTC."""
LIMIT_C = 95.0
POLL_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """What one run shall hold.

    Every unit gives output and is driven; its heatsink is at 70 degC, and at 100 degC during ``hot`` (s from
    the start: first and last second). dies_s: from then on the first unit gives no output.
    """

    name: str
    rig: str = "room"
    start_ns: int = YEAR_2031_NS
    seconds: int = 120
    serials: Sequence[str] = ("0001", "0002")
    hot: tuple[int, int] | None = None
    dies_s: int | None = None
    stopped: bool = True
    sealed: bool = True
    mains_v: float = 230.0


def layout(rig: str, serials: Sequence[str]) -> Layout:
    """Return a rig of as many units as there are serial numbers, A1 and so on."""
    units = {
        f"A{n}": Unit(
            name=f"A{n}", serial=serial, load="8 ohm",
            channels=tuple(f"A{n}.{one}" for one in ("heatsink", "volts", "power")),
        )
        for n, serial in enumerate(serials, start=1)
    }  # fmt: skip
    limit = Limit(side=Side.HIGH, value=LIMIT_C, deadband=2.0)
    channels = [_channel("mains", None, "V"), _channel("level", None, "V")]
    for name in units:
        channels += [
            _channel(f"{name}.heatsink", name, "degC", limit),
            _channel(f"{name}.volts", name, "V"),
            _channel(f"{name}.power", name, "W"),
        ]
    return Layout(
        rig=rig,
        units=units,
        channels={one.name: one for one in channels},
        instruments={
            "meter": InstrumentFacts(name="meter", bus="bus", driver="lines", poll_s=POLL_S, timeout_s=0.5)
        },
        accounting=Accounting(
            energy="{unit}.power",
            output=LevelPlan(channel="{unit}.volts", on_above=5.0, off_below=3.0),
            drive=LevelPlan(channel="level", on_above=0.5, off_below=0.3),
            trip_least_s=10.0,
            dead_after_s=20.0,
            bands={"mains": (207.0, 253.0), "{unit}.heatsink": (60.0, 80.0)},
            cycles={"{unit}.heatsink": 5.0},
        ),
    )


def _channel(name: str, unit: str | None, symbol: str, *limits: Limit) -> Channel:
    kind = ChannelKind.RESPONSE if unit else ChannelKind.STIMULUS
    return Channel(
        name=name, unit_of_measure=symbol, unit=unit, kind=kind, limits=limits,
        source=ChannelSource(instrument="meter", field=name),
    )  # fmt: skip


def make(folder: Path, recipe: Recipe) -> RunDir:
    """Return a run made after the recipe."""
    plan = layout(recipe.rig, recipe.serials)
    run = rundir.create(
        folder,
        rig=recipe.rig,
        created_ns=recipe.start_ns,
        software="test",
        name=recipe.name,
        planned_s=3600.0,
    )
    blocks = [tuple(plan.channels)]
    writer = RunWriter(
        run, session=1, boot_id=f"boot of {recipe.name}", boot_ns=BOOT_NS, utc_ns=recipe.start_ns,
        synchronised=True, blocks=blocks, software="test", host="rack",
        config=rundir.freeze_config(run, f"rig: {recipe.rig}\n", to_json(plan)),
    )  # fmt: skip
    for second in range(recipe.seconds):
        at_ns = BOOT_NS + second * S
        for kind, text in _events(recipe, second):
            writer.event(kind, at_ns, "A1.heatsink", text, {"side": "high", "limit": LIMIT_C})
        values = tuple(_values(recipe, plan, second))
        writer.scan(
            Scan(block=0, sent_ns=at_ns, received_ns=at_ns + 20_000_000, values=values,
                 statuses=bytes(len(values)))
        )  # fmt: skip
    if recipe.stopped:
        writer.event(EventKind.SESSION_STOP, BOOT_NS + recipe.seconds * S, "run", "stopped")
    writer.sync()
    if recipe.stopped:
        writer.close()
        rundir.end_run(run, recipe.start_ns + recipe.seconds * S, "a test")
    if recipe.sealed:
        seal(rundir.open_run(run.path), finish=True)
    return run


def _events(recipe: Recipe, second: int) -> Iterator[tuple[EventKind, str]]:
    if recipe.hot is not None and second == recipe.hot[0]:
        yield EventKind.LIMIT_OUT, "A1.heatsink above high limit"
    if recipe.hot is not None and second == recipe.hot[1] + 1:
        yield EventKind.LIMIT_IN, "A1.heatsink returned to normal (high limit)"


def _values(recipe: Recipe, plan: Layout, second: int) -> Iterator[float]:
    yield recipe.mains_v
    yield 1.0
    for name in plan.units:
        dead = name == "A1" and recipe.dies_s is not None and second >= recipe.dies_s
        hot = name == "A1" and recipe.hot is not None and recipe.hot[0] <= second <= recipe.hot[1]
        yield 100.0 if hot else 70.0
        yield 0.0 if dead else 20.0
        yield 0.0 if dead else 50.0


def fleet(folder: Path, count: int, *, seconds: int = 120, seed: int = 1) -> list[RunDir]:
    """Return ``count`` runs of three rigs in a tree of folders, one day apart.

    Ten units wander through them; every fifth run has an excursion, every seventh a death.
    """
    dice = random.Random(seed)
    made = []
    for number in range(count):
        rig = f"room-{number % 3 + 1}"
        died = number % 7 == 6
        first = dice.randrange(20, seconds // 2)
        made.append(
            make(
                folder / rig,
                Recipe(
                    name=f"{rig}-{number:04d}",
                    rig=rig,
                    start_ns=YEAR_2031_NS + number * 86_400 * S,
                    seconds=seconds,
                    serials=(f"D{number}" if died else f"{number % 10:04d}", f"B{number % 10:03d}"),
                    hot=(first, first + dice.randrange(5, 20)) if number % 5 == 4 else None,
                    dies_s=seconds - 30 if died else None,
                    mains_v=dice.choice((207.5, 230.0, 252.5)),
                ),
            )
        )
    return made
