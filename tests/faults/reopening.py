"""Connections that break a thousand times: nothing of the real logger grows, and no reading is lost."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

import psutil

from rig.domain.model import EventKind, Status
from tests.drivers.peers import Conn
from tests.drivers.vxi11_peer import READ, Instrument, vxi11_peer
from tests.faults.catalogue import provocation
from tests.faults.logger import Logger
from tests.faults.meter import PtyPort, TcpPort
from tests.faults.stage import SCPI, Stage, end_and_judge, stage

CYCLES = 1000
QUICK = SCPI.replace("poll: 50 ms", "poll: 20 ms")
SILENT = {Status.NO_REPLY}


def _broken_often(on: Stage, logger: Logger, interrupt: Callable[[], object]) -> str:
    """Break the connection ``CYCLES`` times; memory, descriptors and threads must stay as they were."""
    process = psutil.Process(logger.pid)
    before = grown = (0.0, 0, 0)
    for cycle in range(CYCLES):
        count = len(on.meter.said)
        logger.until("another reading", lambda: len(on.meter.said) > count)  # noqa: B023 - used at once
        interrupt()
        if cycle == CYCLES // 10:
            before = _figures(process)
    logger.until_readings("meter", 3)
    grown = tuple(now - then for now, then in zip(_figures(process), before, strict=True))  # type: ignore[assignment]
    found = end_and_judge(on, logger, statuses=SILENT)
    assert grown[0] < 3.0, f"{grown[0]} MB more"
    assert grown[1] <= 1
    assert grown[2] == 0
    lost = len(logger.of(EventKind.INSTRUMENT_LOST))
    return (
        f"{CYCLES} reopenings: {grown[0]:+.1f} MB, {grown[1]:+d} descriptors, {grown[2]:+d} threads; "
        f"{found.good} readings right, {len(found.missing)} missing, {lost} outages"
    )


def _figures(process: psutil.Process) -> tuple[float, int, int]:
    return process.memory_info().rss / 1e6, process.num_fds(), process.num_threads()


@provocation("instrument", "a thousand reopenings of a socket", "RST after each answer, 1000 times")
def sockets(folder: Path) -> str:
    port = TcpPort()
    with stage(folder, port) as on:
        on.write(QUICK)
        logger = on.start()
        logger.until_readings("meter", 3)
        return _broken_often(on, logger, lambda: port.drop(reset=True))


@provocation("instrument", "a thousand replugs of a serial adapter", "pty closed and made anew, 1000 times")
def adapters(folder: Path) -> str:
    port = PtyPort(folder / "usb-example-adapter-if00")
    with stage(folder, port) as on:
        on.write(QUICK)
        logger = on.start()
        logger.until_readings("meter", 3)

        def replug() -> None:
            port.unplug(keep_link=True)
            port.plug()

        return _broken_often(on, logger, replug)


class _Impatient(Instrument):
    """A VXI-11 instrument that ends a connection on which nothing was asked for a while."""

    def __init__(self, on: Stage) -> None:
        super().__init__(lambda message: (self._answer(message), 0.0))
        self.hang_ups = 0
        self._on = on

    def _answer(self, message: bytes) -> bytes:
        line = message.strip()
        if line == b"V?":
            return self._on.meter.reading()
        if line == b"*IDN?":
            return self._on.meter.identity.encode() + b"\n"
        return b'0,"No error"\n' if line == b"SYST:ERR?" else b""

    def result(self, conn: Conn, procedure: int, arguments: bytes) -> bytes:
        asked = bool(self.queue) and self.queue[0][1][:1].isdigit() and b"," not in self.queue[0][1]
        said = super().result(conn, procedure, arguments)
        if procedure == READ and asked:
            self.hang_ups += 1
            threading.Timer(0.1, conn.hang_up).start()
        return said


@provocation(
    "instrument",
    "VXI-11 server drops idle connections",
    "closes 100 ms after each reading, polled each 300 ms",
)
def vxi11_idle(folder: Path) -> str:
    with stage(folder, TcpPort()) as on:
        instrument = _Impatient(on)
        with vxi11_peer(instrument) as resource:
            text = SCPI.replace("poll: 50 ms", "poll: 300 ms").replace("timeout: 100 ms", "timeout: 250 ms")
            on.write(text, bus=f'{{visa: "{resource}"}}')
            logger = on.start()
            logger.until_readings("meter", 15)
            found = end_and_judge(on, logger, statuses=set())
        assert logger.of(EventKind.INSTRUMENT_LOST) == []
        assert len(found.missing) <= 1
        return f"reopened each time: {instrument.hang_ups} hang-ups, {found.good} readings, none missing"
