"""Made-up rooms for the view's tests: a layout, and a Room fed with it. Values are invented."""

from __future__ import annotations

import math
from collections.abc import Mapping

from rig.domain.model import (
    Channel,
    ChannelKind,
    ChannelSource,
    Event,
    EventKind,
    InstrumentFacts,
    Layout,
    Limit,
    Side,
    Status,
    Unit,
)
from rig.view.live_state import LiveState
from rig.view.snapshot import RunState, Snapshot
from rig.view.snapshot_maker import Surroundings, picture

SECOND = 1_000_000_000
START = 1_900_000_000 * SECOND
OFFSET = START - 500 * SECOND
"""UTC minus boot clock: the made-up machine had been up for 500 s."""

QUANTITIES = (
    ("heatsink", "degC", 95.0, 70.0, 0.1),
    ("transformer", "degC", 120.0, 88.0, 0.1),
    ("rail_plus", "V", 80.0, 61.2, 0.01),
    ("rail_minus", "V", 80.0, 61.1, 0.01),
    ("output", "V", 60.0, 40.1, 0.01),
    ("current", "A", 12.0, 6.25, 0.001),
    ("bias", "mA", 120.0, 52.0, 0.1),
    ("ripple", "V", 4.0, 1.2, 0.01),
    ("power", "W", 500.0, 201.0, 0.1),
)


def channel(
    name: str,
    unit: str | None,
    measure: str = "V",
    *,
    high: float | None = None,
    low: float | None = None,
    instrument: str = "meter",
    resolution: float = 0.0,
    kind: ChannelKind = ChannelKind.RESPONSE,
) -> Channel:
    limits = []
    if low is not None:
        limits.append(Limit(side=Side.LOW, value=low, deadband=abs(low) / 100))
    if high is not None:
        limits.append(
            Limit(
                side=Side.HIGH,
                value=high,
                early=high * (0.99 if low is not None else 0.9),
                deadband=abs(high) / 50,
            )
        )
    return Channel(
        name=name,
        unit_of_measure=measure,
        unit=unit,
        kind=kind,
        source=ChannelSource(instrument=instrument, field=name),
        limits=tuple(limits),
        resolution=resolution,
    )


def layout(units: int = 6, names: Mapping[int, str] | None = None) -> Layout:
    """Return a room of ``units`` units of nine channels, each read by its own meter, and six of the room."""
    channels: dict[str, Channel] = {}
    unit_table: dict[str, Unit] = {}
    instruments: dict[str, InstrumentFacts] = {}
    for k in range(units):
        name = (names or {}).get(k, f"A{k + 1}")
        own = []
        for quantity, measure, high, _, resolution in QUANTITIES:
            full = f"{name}.{quantity}"
            channels[full] = channel(
                full, name, measure, high=high, instrument=f"meter{k + 1}", resolution=resolution
            )
            own.append(full)
        unit_table[name] = Unit(name=name, serial=f"00{17 + k}", load="8 ohm resistor", channels=tuple(own))
        instruments[f"meter{k + 1}"] = InstrumentFacts(
            name=f"meter{k + 1}", bus=f"line{k // 2 + 1}", driver="scpi", poll_s=1.0, timeout_s=0.8
        )
    for name, low, high in (("mains", 207.0, 253.0), ("frequency", 49.0, 51.0), ("ambient", 10.0, 45.0)):
        channels[name] = channel(
            name,
            None,
            "V",
            low=low,
            high=high,
            instrument="supply",
            resolution=0.1,
            kind=ChannelKind.STIMULUS,
        )
    instruments["supply"] = InstrumentFacts(
        name="supply", bus="mains-line", driver="modbus", poll_s=0.5, timeout_s=0.3
    )
    return Layout(
        rig="hot-room",
        units=unit_table,
        channels=channels,
        instruments=instruments,
        planned_s=21 * 86400.0,
    )


class Feeder:
    """Feeds a Room the way a recording would; ``at_s`` counts from the start of the run."""

    def __init__(self, plan: Layout, run: str = "2030-03-17-soak") -> None:
        self.plan = plan
        self.live = LiveState(plan, run)
        self.seq = 0
        self.event(EventKind.SESSION_START, 0.0, "run", "session 1 begins")

    def event(self, kind: EventKind, at_s: float, subject: str, text: str = "", **data: object) -> None:
        self.seq += 1
        t_ns = START + round(at_s * SECOND)
        self.live.event(
            Event(
                kind=kind, t_ns=t_ns, session=data.pop("session", 1), seq=self.seq,  # type: ignore[arg-type]
                subject=subject, text=text or f"{subject}: {kind.value}", data=data,
            ),
            OFFSET,
        )  # fmt: skip

    def out(self, channel_name: str, at_s: float, side: str = "high", delay_s: float = 2.0) -> None:
        """Record a counted excursion that began at ``at_s``."""
        began = round((at_s + 500) * SECOND)
        self.event(EventKind.LIMIT_OUT, at_s + delay_s, channel_name,
                   f"{channel_name} out of its {side} limit", side=side, began_boot_ns=began)  # fmt: skip

    def scan(
        self, channels: tuple[str, ...], at_s: float, values: tuple[float, ...], statuses: bytes
    ) -> None:
        self.live.scan(channels, START + round(at_s * SECOND), values, statuses)

    def everything(
        self,
        at_s: float,
        changed: Mapping[str, float | Status] | None = None,
        skip: frozenset[str] = frozenset(),
    ) -> None:
        """Record a scan of each instrument: usual values but for ``changed`` (a number, or a status)."""
        changed = changed or {}
        usual = {quantity: value for quantity, _, _, value, _ in QUANTITIES}
        usual |= {"mains": 230.1, "frequency": 50.0, "ambient": 31.2}
        for instrument in self.plan.instruments:
            names = tuple(
                c.name for c in self.plan.channels.values() if c.source and c.source.instrument == instrument
            )
            if instrument in skip or not names:
                continue
            values, statuses = [], bytearray()
            for name in names:
                given = changed.get(name, usual.get(name.rsplit(".", 1)[-1], 1.0))
                is_status = isinstance(given, Status)
                values.append(math.nan if is_status else float(given))
                statuses.append(int(given) if is_status else 0)
            self.scan(names, at_s, tuple(values), bytes(statuses))

    def picture(self, at_s: float, state: RunState = RunState.RUNNING, **more: object) -> Snapshot:
        now_ns = START + round(at_s * SECOND)
        return picture(self.live, Surroundings(now_ns=now_ns, state=state, disk_free=118_000_000_000, **more))  # type: ignore[arg-type]


def busy_room() -> Feeder:
    """Return a room after 300 s: A3 has two channels out, meter6 is lost, A2 has an open sensor."""
    feeder = Feeder(layout())
    for at_s in range(300):
        changed: dict[str, float | Status] = {
            "A1.heatsink": 70 + at_s * 0.04,
            "A2.transformer": Status.NO_VALUE,
            "A3.heatsink": 60.0 + at_s * 0.15,
            "A3.bias": 60 + at_s * 0.25,
            "A5.ripple": 3.7,
        }
        if at_s > 200:
            changed |= dict.fromkeys(feeder.plan.units["A6"].channels, Status.NO_REPLY)
        feeder.everything(at_s + 0.2, changed)
        if at_s == 202:
            text = "meter6 on line3 does not answer: READ? to meter6 on /dev/serial/by-id/example: nothing"
            feeder.event(EventKind.INSTRUMENT_LOST, 202.0, "meter6", text)
        if at_s == 236:
            feeder.out("A3.heatsink", 234.4)
        if at_s == 243:
            feeder.out("A3.bias", 241.0)
    return feeder
