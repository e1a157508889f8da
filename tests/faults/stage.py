"""A small rig for one provocation: the instrument that suffers, a steady one beside it, and the judge."""

from __future__ import annotations

import contextlib
import itertools
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rig.domain.model import EventKind, Status
from rig.store.reader import RunReader
from rig.store.rundir import newest_run, read_sessions
from tests.faults.logger import Logger
from tests.faults.meter import Meter, PtyPort, TcpPort

POLL_S = 0.05
TIMEOUT_S = 0.1
STEADY_EDGE = 3
"""Answers of the steady instrument around start and stop that may have come while nobody took them."""

RIG = """\
rig: faults
runs: runs
planned: 1 h
sync: {sync}
buses:
  line: {bus}
  steady-line: {steady_bus}
instruments:
  meter:
    bus: line
{meter}
  steady:
    bus: steady-line
    driver: lines
    poll: 50 ms
    timeout: 2 s
    terminator: LF
    reads: [{{ask: "V?", fields: [n]}}]
channels:
  meter: {{from: meter.n, unit: "1", limits: none}}
  steady: {{from: steady.n, unit: "1", limits: none}}
{more}"""
SCPI = """\
    driver: scpi
    identity: "EXAMPLE,METER,0001,.*"
    setup: ["FORM ASC", "CONF:VOLT"]
    terminator: LF
    poll: 50 ms
    timeout: 100 ms
    reads: [{ask: "V?", fields: [n]}]"""


TIMEOUT_NS = 105_000_000
"""The shortest time-out here, and a little; a reading without a reply is stamped when that is over."""
SCARCE_NS = 40_000_000
"""An answer that leaves less than this of the time-out is a late one."""
AT_ONCE_NS = 5_000_000
LATEST_NS = 2_000_000_000


@dataclass(slots=True, kw_only=True)
class Judgement:
    """What became of what an instrument said: counts of numbers."""

    good: int = 0
    wrong: list[str] = field(default_factory=list)
    missing: list[int] = field(default_factory=list)
    statuses: set[int] = field(default_factory=set)


class Stage:
    """One rig in one folder."""

    def __init__(self, folder: Path, port: PtyPort | TcpPort) -> None:
        self.folder = folder
        self.port = port
        self.meter = Meter(port)
        self.steady = Meter(TcpPort(), first=1_000_000)
        self.loggers: list[Logger] = []
        self.rig_file = folder / "rig.yaml"

    def write(self, meter: str = SCPI, *, sync: str = "200 ms", more: str = "", bus: str = "") -> None:
        """Write the rig file."""
        text = RIG.format(
            sync=sync, bus=bus or self.port.bus, steady_bus=self.steady.port.bus, meter=meter, more=more
        )
        self.rig_file.write_text(text, encoding="utf-8")

    def start(self, *options: str, **how: Any) -> Logger:
        """Start the logger."""
        if not self.rig_file.exists():
            self.write()
        logger = Logger(self.rig_file, *options, **how)
        self.loggers.append(logger)
        return logger

    @property
    def run_path(self) -> Path:
        return newest_run(self.folder / "runs")

    def stop(self) -> None:
        for logger in self.loggers:
            logger.clear_away()
        self.meter.stop()
        self.steady.stop()


@contextlib.contextmanager
def stage(folder: Path, port: PtyPort | TcpPort | None = None) -> Iterator[Stage]:
    """Yield a stage whose suffering instrument is on a pty unless a port is given."""
    made = Stage(folder, port or PtyPort(folder / "usb-example-adapter-if00"))
    try:
        yield made
    finally:
        made.stop()


def judge(run: RunReader, meter: Meter, channel: str) -> Judgement:
    """Trace every good reading of a channel to the moment at which the instrument said it.

    A question that a busy machine let the instrument hear or answer late is no fault of the logger: neither
    the reading without a reply nor the number that came too late counts.
    """
    series = run.series(channel)
    offsets = {number: facts.offset_ns for number, facts in read_sessions(run.dir).items()}
    found = Judgement()
    excused: list[tuple[int, int]] = []
    seen: set[int] = set()
    newest: dict[int, int] = {}
    for t_ns, h_ns, value, status, session in zip(
        series.t_ns.tolist(), series.h_ns.tolist(), series.value.tolist(), series.status.tolist(),
        series.session.tolist(), strict=True,
    ):  # fmt: skip
        if t_ns < newest.get(session, t_ns):
            found.wrong.append(f"stamps run backwards at {t_ns}")
        newest[session] = t_ns
        known_ns = t_ns - offsets[session]
        if status == Status.NO_REPLY and _answered_late(meter, known_ns):
            excused.append((known_ns - TIMEOUT_NS, known_ns + LATEST_NS))
            continue
        found.statuses.add(status)
        if status != Status.GOOD:
            continue
        found.good += 1
        said_ns = meter.said.get(int(value))
        if said_ns is None or value != int(value):
            found.wrong.append(f"{value}: never said")
        elif int(value) in seen:
            found.wrong.append(f"{value}: recorded twice")
        elif abs(said_ns + offsets[session] - t_ns) > h_ns + 1000:
            found.wrong.append(f"{value}: said {(said_ns + offsets[session] - t_ns) / 1e6:.3f} ms off")
        seen.add(int(value))
    found.missing = [
        number
        for number, at_ns in meter.said.items()
        if number not in seen and not any(start <= at_ns <= end for start, end in excused)
    ]
    return found


def _answered_late(meter: Meter, known_ns: int) -> bool:
    """Return whether a question, given up at ``known_ns``, was answered, but when hardly any time was left.

    So was one that lay waiting until the next one came, and was heard together with it.
    """
    own = [answered for heard, answered in meter.answers if known_ns - TIMEOUT_NS <= heard < known_ns]
    if own:
        return any(answered > known_ns - SCARCE_NS for answered in own)
    after = sorted(heard for heard, _ in meter.answers if known_ns <= heard <= known_ns + LATEST_NS)
    return any(two - one < AT_ONCE_NS for one, two in itertools.pairwise(after))


def end_and_judge(
    on: Stage,
    logger: Logger,
    *,
    statuses: set[Status] | None = None,
    whole_steady: bool = True,
    code: int = 0,
    excused: tuple[str, ...] = (),
) -> Judgement:
    """Stop the logger and check what always must hold; return what became of the suffering instrument.

    No reading is wrong, doubled or out of order; the steady instrument did not notice anything; the run
    opens as finished with nothing skipped; statuses: what the suffering channel may carry beside GOOD;
    excused: wrong readings that nothing on the wire tells from right ones.
    """
    assert logger.stop() == code, logger.said
    assert "Traceback" not in logger.said, logger.said
    run = RunReader.open(on.run_path)
    assert run.skipped == (), run.skipped
    steady = judge(run, on.steady, "steady")
    assert steady.wrong == [], steady.wrong[:5]
    if whole_steady:
        assert steady.statuses == {int(Status.GOOD)}
        edge = len(on.steady.said) - STEADY_EDGE
        inner = [n for k, n in enumerate(on.steady.said) if k < edge and n in set(steady.missing)]
        assert inner == [], f"{len(inner)} readings of the steady instrument are missing"
    suffering = judge(run, on.meter, "meter")
    wrong = [one for one in suffering.wrong if one not in excused]
    assert wrong == [], wrong[:5]
    if statuses is not None:
        allowed = {int(Status.GOOD), *map(int, statuses)}
        assert suffering.statuses <= allowed, suffering.statuses
    return suffering


def outage(
    on: Stage, logger: Logger, begin: Callable[[], Any], end: Callable[[], Any], *, hold_s: float = 0.5
) -> str:
    """Provoke a fault until it is recorded, end it, wait for recovery; return both times in words.

    Recovery must come within one step of back-off: no step is longer than the outage so far and a second.
    """
    logger.until_readings("meter", 10)
    before = (len(logger.of(EventKind.INSTRUMENT_LOST)), len(logger.of(EventKind.INSTRUMENT_BACK)))
    began = time.monotonic()
    begin()
    logger.until_event(EventKind.INSTRUMENT_LOST, "meter", count=before[0] + 1)
    lost_s = time.monotonic() - began
    logger.until(f"{hold_s} s have passed", lambda: time.monotonic() - began - lost_s > hold_s)
    out_s = time.monotonic() - began
    end()
    back_s = logger.until(
        "the instrument is back", lambda: len(logger.of(EventKind.INSTRUMENT_BACK, "meter")) > before[1]
    )
    allowed_s = (
        out_s + 1.0 + 4 * TIMEOUT_S + 1.5
    )  # the last for this machine: starting, fsync, our own polling
    assert back_s < allowed_s, f"back after {back_s:.2f} s, allowed {allowed_s:.2f} s"
    logger.until_readings("meter", 10)
    lost = logger.of(EventKind.INSTRUMENT_LOST, "meter")
    assert lost[-1].data["cause"], lost
    return f"lost told after {lost_s:.2f} s, back {back_s:.2f} s after it ended"
