"""Faults of instruments behind TCP: real sockets, real resets, a real stopped process."""

from __future__ import annotations

import random
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rig.domain.model import EventKind, Status
from tests.faults.catalogue import Unavailable, provocation
from tests.faults.meter import Meter, TcpPort, well
from tests.faults.meter_process import RemoteMeter
from tests.faults.stage import SCPI, Stage, end_and_judge, outage, stage

SILENT = {Status.NO_REPLY}
ANY = {Status.NO_REPLY, Status.BAD_REPLY}
IDLE_S = 0.15


@contextmanager
def _on_tcp(folder: Path) -> Iterator[tuple[Stage, TcpPort]]:
    port = TcpPort()
    with stage(folder, port) as on:
        yield on, port


@provocation("instrument", "TCP connection reset", "RST in mid-run, ten times (SO_LINGER 0)")
def reset(folder: Path) -> str:
    with _on_tcp(folder) as (on, port):
        logger = on.start()
        for _ in range(10):
            logger.until_readings("meter", 5)
            port.drop(reset=True)
        logger.until_readings("meter", 5)
        found = end_and_judge(on, logger, statuses=SILENT)
        return f"{port.connections} connections, {found.good} readings right, {len(found.missing)} missing"


@provocation("instrument", "TCP connection closed by the instrument", "FIN in mid-run, ten times")
def closed(folder: Path) -> str:
    with _on_tcp(folder) as (on, port):
        logger = on.start()
        for _ in range(10):
            logger.until_readings("meter", 5)
            port.drop()
        logger.until_readings("meter", 5)
        found = end_and_judge(on, logger, statuses=SILENT)
        return f"{port.connections} connections, {found.good} readings right, {len(found.missing)} missing"


@provocation("instrument", "TCP connections refused for a while", "the listener closed, then opened again")
def refused(folder: Path) -> str:
    with _on_tcp(folder) as (on, port):
        logger = on.start()
        times = outage(on, logger, port.refuse, port.listen, hold_s=1.0)
        found = end_and_judge(on, logger, statuses=SILENT)
        return f"{times}; {found.good} readings right"


@provocation("instrument", "TCP connections accepted and closed at once", "each accept followed by FIN")
def accept_and_close(folder: Path) -> str:
    with _on_tcp(folder) as (on, port):
        logger = on.start()

        def begin() -> None:
            port.connected = port.drop
            port.drop()

        def end() -> None:
            port.connected = lambda: None

        times = outage(on, logger, begin, end, hold_s=1.0)
        found = end_and_judge(on, logger, statuses=SILENT)
        return f"{times}; {found.good} readings right"


@provocation(
    "instrument", "TCP server drops idle connections", "closes 150 ms after each answer, polled each 300 ms"
)
def idle_disconnect(folder: Path) -> str:
    with _on_tcp(folder) as (on, port):

        def impatient(meter: Meter, line: bytes) -> None:
            well(meter, line)
            if line == b"V?":
                meter.pause(IDLE_S)
                port.drop()

        on.meter.behave = impatient
        on.write(SCPI.replace("poll: 50 ms", "poll: 300 ms"))
        logger = on.start()
        logger.until_readings("meter", 15)
        found = end_and_judge(on, logger, statuses=set())
        assert len(found.missing) <= 1
        assert logger.of(EventKind.INSTRUMENT_LOST) == []
        return f"reopened each time: {port.connections} connections, {found.good} readings, none missing"


@provocation(
    "instrument", "half-open TCP connection", "the instrument's process stopped (SIGSTOP), then continued"
)
def half_open(folder: Path) -> str:
    with stage(folder) as on:
        remote = RemoteMeter(folder)
        try:
            on.write(bus=remote.bus)
            logger = on.start()
            times = outage(
                on,
                logger,
                lambda: remote.send(signal.SIGSTOP),
                lambda: remote.send(signal.SIGCONT),
                hold_s=2.0,
            )
        finally:
            on.meter.said = remote.stop()
        found = end_and_judge(on, logger, statuses=SILENT)
        return f"{times}; {found.good} readings right, none of the late ones"


@provocation(
    "instrument", "instrument loses power, its network does not tell", "socket forgotten without FIN or RST"
)
def vanished(folder: Path) -> str:
    with _on_tcp(folder) as (on, port):
        logger = on.start()
        for _ in range(3):
            logger.until_readings("meter", 5)
            try:
                port.vanish()
            except OSError as error:
                raise Unavailable(f"TCP_REPAIR: {error.strerror}") from error
        logger.until_readings("meter", 5)
        found = end_and_judge(on, logger, statuses=SILENT)
        return f"{port.connections} connections, {found.good} readings right, {len(found.missing)} missing"


@provocation("instrument", "late replies over TCP", "one reply in ten 20 to 90 ms after its deadline")
def late_over_tcp(folder: Path) -> str:
    dice = random.Random(5)
    late = 0

    def sometimes(meter: Meter, line: bytes) -> None:
        nonlocal late
        if line == b"V?" and dice.random() < 0.1:
            late += 1
            meter.pause(0.1 + dice.uniform(0.02, 0.09))
            meter.say(meter.reading())
        else:
            well(meter, line)

    with _on_tcp(folder) as (on, _):
        on.meter.behave = sometimes
        logger = on.start()
        logger.until_readings("meter", 100)
        found = end_and_judge(on, logger, statuses=ANY)
        assert late >= 3
        return f"{late} late replies, none taken for another's; {found.good} readings right"
