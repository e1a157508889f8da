"""A logger without a bus: readings made up second by second, recorded and judged as the real one does it.

The store's own writer, the live evaluation and the one place that says which limits count; only the pollers,
the threads and the clock are made up.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from rig.daemon.intake import Intake
from rig.daemon.observers.record_observer import Announcer, LimitsInForce
from rig.domain.derived import DerivedChannels
from rig.domain.layout_json import to_json
from rig.domain.limit_evaluation import Evaluation, LimitFinding
from rig.domain.limit_history import Rest, awake, change_data, limit_changes
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
    Status,
    Unit,
)
from rig.domain.recorded_excursions import left_open_data
from rig.store import rundir, seal
from rig.store.reader import RunReader
from rig.store.rundir import RunDir
from rig.store.writer import RunWriter

S = 1_000_000_000
UTC_NS = 1_900_000_000 * S
"""2030-03-17 17:46:40 UTC."""
BOOT_NS = 5_000 * S


def limit(side: str, value: float, **more: Any) -> Limit:
    return Limit(side=Side(side), value=value, **more)


def channel(name: str, *limits: Limit, measure: str = "degC") -> Channel:
    """Return a channel of the unit before the dot, or of the room: a stimulus then."""
    unit = name.partition(".")[0] if "." in name else None
    return Channel(
        name=name,
        unit_of_measure=measure,
        unit=unit,
        kind=ChannelKind.RESPONSE if unit else ChannelKind.STIMULUS,
        source=ChannelSource(instrument="meter", field=name),
        limits=limits,
    )


def layout(*channels: Channel, **more: Any) -> Layout:
    """Return the room of these channels, all read by one meter once a second."""
    units = {
        name: Unit(
            name=name, serial=f"00{name}", load="8 ohm",
            channels=tuple(one.name for one in channels if one.unit == name),
        )
        for name in sorted({one.unit for one in channels if one.unit})
    }  # fmt: skip
    meter = InstrumentFacts(name="meter", bus="bus", driver="lines", poll_s=1.0, timeout_s=0.5)
    return Layout(
        rig="room", units=units, channels={one.name: one for one in channels}, instruments={"meter": meter},
        **more,
    )  # fmt: skip


class _Clock:
    """The time of the recording; moved by hand."""

    def __init__(self) -> None:
        self.now_ns = BOOT_NS

    def boot_ns(self) -> int:
        return self.now_ns

    monotonic_ns = boot_ns

    def utc_ns(self) -> int:
        return self.now_ns - BOOT_NS + UTC_NS

    def boot_id(self) -> str:
        return "a boot"


class _Announcer(Announcer):
    """Writes at once what the real one hands to the recorder's queue."""

    def __init__(self, recorder: Recorder) -> None:
        super().__init__(Intake(), recorder.clock)
        self._recorder = recorder

    def __call__(
        self, kind: EventKind, subject: str, text: str, data: Mapping[str, Any], boot_ns: int | None = None
    ) -> None:
        self._recorder.event(kind, subject, text, boot_ns, **data)


class Recorder:
    """One run, second by second. ``trace``: the limits that the live evaluation judged by, with the time.

    begins_s: how long after ``UTC_NS`` it begins.
    """

    def __init__(self, folder: Path, plan: Layout, name: str = "run", *, begins_s: float = 0.0) -> None:
        self.clock = _Clock()
        self.clock.now_ns += round(begins_s * S)
        self.run: RunDir = rundir.create(
            folder, rig=plan.rig, created_ns=self.clock.utc_ns(), software="test", name=name, planned_s=3600.0
        )
        self.session = 0
        self.serials = {unit.name: unit.serial for unit in plan.units.values()}
        self.trace: list[tuple[int, dict[str, tuple[Limit, ...]]]] = []
        self.begin(plan)

    def begin(self, plan: Layout, *, knows: bool = True) -> None:
        """Begin a session; knows: it names what an earlier one left open, as older ones did not."""
        self.plan = plan
        self.session += 1
        open_keys = RunReader.open(self.run.path).event_summary().open_keys if self.session > 1 else []
        self.blocks = (tuple(plan.channels),)
        config = rundir.freeze_config(self.run, f"session: {self.session}\n", to_json(plan))
        self.writer = RunWriter(
            self.run, session=self.session, boot_id=self.clock.boot_id(), boot_ns=self.clock.boot_ns(),
            utc_ns=self.clock.utc_ns(), synchronised=True, blocks=self.blocks, software="test", host="rack",
            config=config,
        )  # fmt: skip
        self.evaluation = Evaluation(
            self.blocks, plan.channels, self.clock.boot_ns(), open_keys if knows else ()
        )
        self.derived = DerivedChannels(self.blocks, {})
        goes_on = left_open_data(open_keys) if knows else {}
        self.event(EventKind.SESSION_START, "run", "begins", boot_ns=self.clock.boot_ns(), **goes_on)
        self.limits = LimitsInForce(
            layout=plan, evaluation=self.evaluation, announce=_Announcer(self), clock=self.clock
        )
        self.limits.seat(self.serials)
        self.base = plan

    def event(
        self, kind: EventKind, subject: str, text: str = "", boot_ns: int | None = None, **data: Any
    ) -> None:
        """Record an event of now."""
        at_ns = self.clock.boot_ns() if boot_ns is None else boot_ns
        self.writer.event(kind, at_ns, subject, text or kind.value, data)

    # ---- a second of the room

    def scan(self, values: Mapping[str, float | Status]) -> None:
        """Record and judge one reading of each channel, then let a second pass."""
        now_ns = self.clock.boot_ns()
        given = [values[name] for name in self.plan.channels]
        scan = Scan(
            block=0, sent_ns=now_ns - 1_000_000, received_ns=now_ns + 1_000_000,
            values=tuple(math.nan if isinstance(one, Status) else float(one) for one in given),
            statuses=bytes(int(one) if isinstance(one, Status) else 0 for one in given),
        )  # fmt: skip
        self.writer.scans([scan])
        self._record(self.evaluation.feed(scan))
        empty = {unit: Rest.NONE if serial else Rest.ALL for unit, serial in self.serials.items()}
        judged = awake(self.limits.channels(), empty, self.plan)
        self.trace.append((self.clock.utc_ns(), {name: one.limits for name, one in judged.items()}))
        self.wait(1.0)

    def scans(self, values: Mapping[str, float | Status], **courses: Iterable[float | Status]) -> None:
        """Record a scan for each value of the courses (dots in names written as ``__``)."""
        named = {name.replace("__", "."): list(course) for name, course in courses.items()}
        for at in range(len(next(iter(named.values())))):
            self.scan({**values, **{name: course[at] for name, course in named.items()}})

    def _record(self, findings: Sequence[LimitFinding]) -> None:
        for one in findings:
            self.event(one.kind, one.channel, one.text, one.boot_ns, **one.data)

    def wait(self, seconds: float) -> None:
        """Let time pass in which nothing is read."""
        self.clock.now_ns += round(seconds * S)
        self._record(self.evaluation.tick(self.clock.boot_ns()))

    # ---- what is done to the room

    def phase(self, name: str, limits: Mapping[str, tuple[Limit, ...]] | None = None) -> None:
        """Begin a phase with limits of its own, '' to end the last one."""
        self.limits.enter(limits or {})
        data = {"what": "due" if name else "ended", "phase": name, "pass": 1, **self.limits.data()}
        self.event(EventKind.PHASE, name or "run", f"phase {name}", None, **data)
        self.wait(0.1)

    def reload(self, *channels: Channel) -> None:
        """Go by another rig file's limits of these channels."""
        fresh = replace(self.base, channels={**self.base.channels, **{one.name: one for one in channels}})
        data = change_data(limit_changes(self.base, fresh), self.base, "before", "after")
        self.base = fresh
        self.limits.reload(fresh.channels)
        self.event(EventKind.CONFIG_CHANGE, "run", "limits changed", None, **data, **self.limits.data())
        self.wait(0.1)

    def swap(self, unit: str, serial: str) -> None:
        """Take a unit out ('') or put another one in."""
        before, self.serials[unit] = self.serials[unit], serial
        self.event(EventKind.UNIT, unit, "swap", None, serial=serial, before=before, why="test")
        self.limits.seat(self.serials)
        self.wait(0.1)

    def stop(self) -> None:
        """End the session in good order."""
        self.event(EventKind.SESSION_STOP, "run", "stopped")
        self.writer.sync()
        self.writer.close()

    def crash(self, plan: Layout | None = None, *, gone_s: float = 30.0, knows: bool = True) -> None:
        """End without a word, and begin again after a while."""
        self.writer.sync()
        self.clock.now_ns += round(gone_s * S)
        self.begin(plan or self.plan, knows=knows)

    def finish(self, *, sealed: bool = True) -> RunReader:
        """Stop, end the run and return it opened."""
        self.stop()
        rundir.end_run(self.run, self.clock.utc_ns(), "a test")
        if sealed:
            seal.seal(rundir.open_run(self.run.path), finish=True)
        return RunReader.open(self.run.path)
