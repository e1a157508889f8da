"""Events, settings and recordings for tests of alerts; time stands still unless a test moves it."""

from __future__ import annotations

import json
import platform
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rig.alerts.alert_service import AlertService
from rig.alerts.settings import Settings
from rig.clock import Clock
from rig.domain.layout_json import to_json
from rig.domain.model import (
    Channel,
    ChannelKind,
    ChannelSource,
    Event,
    EventKind,
    InstrumentFacts,
    Layout,
    Scan,
    Unit,
)
from rig.rigfile.alerts_section import Alerts, CommandNotifier, Notifier
from rig.store import rundir
from rig.store.writer import RunWriter

SECOND = 1_000_000_000
MINUTE = 60 * SECOND
HOUR = 3600 * SECOND
START_NS = 1_900_000_000 * SECOND
"""2030-03-17 17:46:40 UTC."""


class FakeClock:
    """Clocks that move when told. Boot clock and wall clock can be set apart."""

    def __init__(self, utc_ns: int = START_NS) -> None:
        self.boot = 5000 * SECOND
        self.utc = utc_ns
        self.id = "boot-one"

    def forward(self, ns: int) -> None:
        self.boot += ns
        self.utc += ns

    def monotonic_ns(self) -> int:
        return self.boot

    def boot_ns(self) -> int:
        return self.boot

    def utc_ns(self) -> int:
        return self.utc

    def boot_id(self) -> str:
        return self.id


def layout() -> Layout:
    """Two units with a heatsink and a computed power each, one scanner and one mains meter."""
    channels: dict[str, Channel] = {}
    units: dict[str, Unit] = {}
    for number, name in enumerate(("A1", "A2"), 1):
        own = {
            f"{name}.heatsink": Channel(
                name=f"{name}.heatsink", unit_of_measure="degC", unit=name, kind=ChannelKind.RESPONSE,
                source=ChannelSource(instrument="scanner", field=f"t{number}"),
            ),
            f"{name}.margin": Channel(
                name=f"{name}.margin", unit_of_measure="K", unit=name, kind=ChannelKind.RESPONSE,
                formula=f"95 - {name}.heatsink",
            ),
        }  # fmt: skip
        channels |= own
        units[name] = Unit(name=name, serial=f"00{number}", load="8 ohm resistor", channels=tuple(own))
    channels["mains"] = Channel(
        name="mains", unit_of_measure="V", unit=None, kind=ChannelKind.STIMULUS,
        source=ChannelSource(instrument="meter", field="volts"),
    )  # fmt: skip
    facts = {
        name: InstrumentFacts(name=name, bus=bus, driver="scpi", poll_s=1.0, timeout_s=0.5)
        for name, bus in (("scanner", "scanner-line"), ("meter", "mains-line"))
    }
    return Layout(rig="hot-room", units=units, channels=channels, instruments=facts)


INPUTS = {"A1.margin": ("A1.heatsink",), "A2.margin": ("A2.heatsink",)}


class Story:
    """Events of a recording, one after another; times in seconds after ``START_NS``."""

    def __init__(self) -> None:
        self.seq = 0
        self.session = 1

    def event(self, kind: EventKind, at_s: float, subject: str, text: str = "", **data: Any) -> Event:
        self.seq += 1
        return Event(
            kind=kind, t_ns=START_NS + round(at_s * SECOND), session=self.session, seq=self.seq,
            subject=subject, text=text or f"{subject} {kind}", data=data,
        )  # fmt: skip

    def out(
        self, at_s: float, channel: str = "A1.heatsink", value: float = 96.2, side: str = "high"
    ) -> Event:
        return self.event(
            EventKind.LIMIT_OUT, at_s, channel, side=side, limit=95.0, value=value, unit="degC", trip=False
        )

    def back(self, at_s: float, channel: str = "A1.heatsink", side: str = "high") -> Event:
        return self.event(EventKind.LIMIT_IN, at_s, channel, side=side, limit=95.0, value=92.0, unit="degC")


def at(seconds: float) -> int:
    return START_NS + round(seconds * SECOND)


def appending(path: Path) -> Notifier:
    """Return a way that appends each message to a file, through a real program."""
    return Notifier(command=CommandNotifier(run=("/usr/bin/tee", "-a", str(path))), deadline_s=20.0)


def sent(path: Path) -> list[str]:
    """Return the messages in a file written by ``appending``, without their last lines about themselves."""
    if not path.exists():
        return []
    return [one for one in path.read_text("utf-8").split("duplicates carry the same ID)\n") if one.strip()]


def python(code: str, *words: str) -> Notifier:
    """Return a way that runs a few lines of Python."""
    return Notifier(command=CommandNotifier(run=(sys.executable, "-c", code, *words)), deadline_s=20.0)


class Recording:
    """A run written by the real writer, on a fake clock or the machine's."""

    def __init__(
        self, folder: Path, clock: Clock, text: str = "rig: hot-room\n", host: str = platform.node()
    ) -> None:
        self.clock = clock
        self.plan = layout()
        self.run = rundir.create(
            folder, rig="hot-room", created_ns=clock.utc_ns(), software="test", name="soak"
        )
        self.path = self.run.path
        self.session = 0
        self.text = text
        self.host = host
        self.begin()

    def begin(self) -> None:
        self.session += 1
        self.writer = RunWriter(
            self.run, session=self.session, boot_id=self.clock.boot_id(), boot_ns=self.clock.boot_ns(),
            utc_ns=self.clock.utc_ns(), synchronised=True,
            blocks=[("A1.heatsink", "A2.heatsink"), ("mains",)],
            software="test", host=self.host,
            config=rundir.freeze_config(self.run, self.text, to_json(self.plan)),
        )  # fmt: skip
        self.event(EventKind.SESSION_START, "run", f"session {self.session} started")

    def event(self, kind: EventKind, subject: str, text: str = "", **data: Any) -> None:
        self.writer.event(kind, self.clock.boot_ns(), subject, text or f"{subject} {kind}", data)
        self.writer.sync()

    def out(self, channel: str = "A1.heatsink", value: float = 96.2) -> None:
        self.event(
            EventKind.LIMIT_OUT, channel, side="high", limit=95.0, value=value, unit="degC",
            began_boot_ns=self.clock.boot_ns() - 5 * SECOND, trip=False,
        )  # fmt: skip

    def back(self, channel: str = "A1.heatsink") -> None:
        self.event(EventKind.LIMIT_IN, channel, side="high", limit=95.0, value=92.0, unit="degC")

    def scan(self, heatsink: float = 80.0) -> None:
        now_ns = self.clock.boot_ns()
        self.writer.scans(
            [
                Scan(
                    block=0, sent_ns=now_ns - 2000, received_ns=now_ns, values=(heatsink, 70.0),
                    statuses=b"\0\0",
                )
            ]
        )  # fmt: skip
        self.writer.sync()

    def stop(self) -> None:
        self.event(EventKind.SESSION_STOP, "run", f"session {self.session} stopped: signal SIGTERM")
        self.writer.close()


def settings(recording: Recording, **words: Any) -> Settings:
    """Return settings for a recording; ``words`` are keys of ``Alerts``. Nothing waits, nothing is tested."""
    usual: dict[str, Any] = {"gather_s": 0.0, "test_s": 0.0}
    return Settings(
        alerts=Alerts(**{**usual, **words}), rig="hot-room", run="soak", run_id=recording.run.id,
        place=str(recording.path), layout=recording.plan, inputs=INPUTS,
    )  # fmt: skip


def settled(service: AlertService, turns: int = 400) -> None:
    """Let a service work until nothing is under way and nothing due."""
    pause = threading.Event()
    for _ in range(turns):
        service.turn()
        if not service._deliveries:
            return
        pause.wait(0.01)
    raise AssertionError("messages are still under way")


def status(path: Path) -> Mapping[str, Any]:
    """Return what the service says of itself."""
    words: Mapping[str, Any] = json.loads((path / "alerts" / "status.json").read_text("utf-8"))
    return words
