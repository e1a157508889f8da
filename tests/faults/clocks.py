"""Clocks that step, run ahead of the truth or start in 1970, zones that change, boots and suspends.

The wall clock is moved by the public libfaketime (its library from the package of that name, monotonic clocks
left alone), boots by Linux time and mount namespaces; this machine's own clocks are never touched.
"""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import time
import uuid
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from rig.domain.model import EventKind, Status
from rig.store.reader import RunReader
from rig.store.rundir import read_sessions
from tests.faults.catalogue import Unavailable, provocation
from tests.faults.logger import ROOT
from tests.faults.meter import TcpPort
from tests.faults.shim import Shim, need_root
from tests.faults.stage import end_and_judge, judge, stage

HOUR_NS = 3600 * 1_000_000_000
BERLIN = "CET-1CEST,M3.5.0,M10.5.0/3"
"""The rule of the zone in POSIX notation (IEEE 1003.1, 8.3): no zone files needed."""


BUSY = {Status.NO_REPLY}
"""What a busy machine may do to a poll of the meter: no clock has a part in it."""


def to_next_hour_ns(before_s: float) -> int:
    """Return by how much to move the wall clock so that the full hour is ``before_s`` away."""
    return HOUR_NS - time.time_ns() % HOUR_NS - round(before_s * 1e9)


class WallClock:
    """A wall clock for one process, to be moved while it runs; it takes up to a second to show.

    The library reads its file once a second: read at each call, as it may be told to, two threads of one
    process tread on each other in it, and one of them gets a time of its own or ends the process.
    """

    def __init__(self, folder: Path) -> None:
        found = importlib.util.find_spec("libfaketime")
        if found is None or found.origin is None:
            raise Unavailable("package libfaketime is not installed")
        libraries = sorted(Path(found.origin).parent.rglob("libfaketime.so.1"))
        if not libraries:
            raise Unavailable("package libfaketime brings no library for this machine")
        self._file = folder / "wall-clock"
        self.move_s(0.0)
        self.environment = {
            "LD_PRELOAD": str(libraries[0]),
            "FAKETIME_TIMESTAMP_FILE": str(self._file),
            "FAKETIME_CACHE_DURATION": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "DONT_FAKE_MONOTONIC": "1",
        }

    def move_s(self, offset_s: float, *, rate: float = 1.0) -> None:
        """Let the wall clock be so far from the true one from now on."""
        fresh = self._file.with_suffix(".new")
        fresh.write_text(f"{offset_s:+.6f}" + (f" x{rate}" if rate != 1.0 else "") + "\n")
        fresh.replace(self._file)

    def move_to(self, moment: datetime) -> float:
        """Let it be this moment; return the offset in seconds."""
        offset_s = moment.timestamp() - time.time()
        self.move_s(offset_s)
        return offset_s


def _stepped(folder: Path, *steps_s: float, begin_s: float = 0.0) -> str:
    """Step the wall clock under a running logger; order, distances and number of readings stay."""
    wall = WallClock(folder)
    wall.move_s(begin_s)
    with stage(folder, TcpPort()) as on:
        logger = on.start(environment=wall.environment)
        logger.until_readings("meter", 10)
        offset_s = begin_s
        for k, step_s in enumerate(steps_s):
            offset_s += step_s
            wall.move_s(offset_s)
            event = logger.until_event(EventKind.CLOCK_STEP, count=k + 1)
            assert abs(event.data["step_ns"] / 1e9 - step_s) < 0.05, event
            logger.until_readings("meter", 10)
        found = end_and_judge(on, logger, statuses=BUSY)
        series = RunReader.open(on.run_path).series("meter")
        longest_s = float(np.diff(series.t_ns).max()) / 1e9
        assert longest_s < 1.0, f"a step shows in the stamps: {longest_s} s"
        assert len(logger.of(EventKind.CLOCK_STEP)) == len(steps_s)
        return f"each told with its size; {found.good} readings in order, at most {longest_s:.2f} s apart"


@provocation("time", "wall clock steps by an hour", "+1 h, -1 h, -1 h, +1 h while recording (libfaketime)")
def hour_steps(folder: Path) -> str:
    return _stepped(folder, 3600.0, -3600.0, -3600.0, 3600.0)


@provocation("time", "wall clock steps by a fifth of a second", "+0.2 s, -0.2 s, -0.2 s while recording")
def small_steps(folder: Path) -> str:
    return _stepped(folder, 0.2, -0.2, -0.2)


@provocation(
    "time",
    "no battery clock: start in 1970, then the time arrives",
    "begins at 1970-01-01 00:05, steps to now",
)
def from_1970(folder: Path) -> str:
    back_s = datetime(1970, 1, 1, 0, 5, tzinfo=UTC).timestamp() - time.time()
    outcome = _stepped(folder, -back_s, begin_s=back_s)
    session = RunReader.open(next((folder / "runs").iterdir())).sessions[0]
    assert not session.synchronised
    assert datetime.fromtimestamp(session.start_ns / 1e9, UTC).year == 1970
    return f"{outcome}; the session is marked as not synchronised"


@provocation("time", "restart within the same boot after a step", "stopped, wall clock -2 h, started again")
def restart_after_step(folder: Path) -> str:
    wall = WallClock(folder)
    with stage(folder, TcpPort()) as on:
        for offset_s in (0.0, -7200.0):
            wall.move_s(offset_s)
            logger = on.start(environment=wall.environment)
            logger.until_readings("meter", 15)
            assert logger.stop() == 0, logger.said
        run = RunReader.open(on.run_path)
        series = run.series("meter")
        assert set(series.session.tolist()) == {1, 2}
        assert bool((np.diff(series.t_ns) > 0).all()), "the second session follows the first"
        found = judge(run, on.meter, "meter")
        assert found.wrong == []
        return f"one time line for both sessions; {found.good} readings in order"


@provocation(
    "time",
    "reboot: another boot id, boot clock from zero",
    "two sessions in time and mount namespaces of their own",
)
def reboot(folder: Path) -> str:
    need_root("namespaces")
    shifts = {1: 5_000_000, 2: 1_000}
    with stage(folder, TcpPort()) as on:
        for shift_s in shifts.values():
            boot = folder / f"boot-{shift_s}"
            boot.write_text(f"{uuid.uuid4()}\n")
            inside = f'mount --bind {boot} /proc/sys/kernel/random/boot_id && exec "$@"'
            prefix = ["unshare", "-m", "-T", "--boottime", str(shift_s), "--monotonic", str(shift_s)]
            trial = subprocess.run(
                [*prefix, "sh", "-c", inside, "sh", "true"], capture_output=True, check=False
            )
            if trial.returncode:
                raise Unavailable(f"namespaces: {trial.stderr.decode().strip()}")
            logger = on.start(prefix=[*prefix, "sh", "-c", inside, "sh"])
            logger.until_readings("meter", 15)
            logger.stop(9 if shift_s == shifts[1] else 15)
        run = RunReader.open(on.run_path)
        boots = [session.boot_id for session in run.sessions]
        assert len(set(boots)) == 2
        assert run.sessions[0].clean is False
        series = run.series("meter")
        assert bool((np.diff(series.t_ns) > 0).all()), "the wall clock puts the boots in order"
        values = series.value[series.status == 0].tolist()
        assert values == sorted(values)
        assert set(values) <= set(on.meter.said)
        offsets = {number: facts.offset_ns for number, facts in read_sessions(run.dir).items()}
        for session, shift_s in shifts.items():
            mine = series.session == session
            said = np.array([on.meter.said[int(value)] for value in series.value[mine]])
            off = said + shift_s * 1_000_000_000 + offsets[session] - series.t_ns[mine]
            assert bool((abs(off) <= series.h_ns[mine] + 1000).all())
        broken = [one for one in run.events() if one.kind is EventKind.SESSION_BROKEN]
        assert len(broken) == 1
        return f"boot clock {shifts[1]} s, then {shifts[2]} s; {len(values)} readings in order"


@provocation(
    "time",
    "reboot into 1970 in the middle of a run",
    "second session with another boot id and its wall clock at 1970-01-01",
)
def reboot_into_1970(folder: Path) -> str:
    need_root("namespaces")
    shim = Shim(folder)
    with stage(folder, TcpPort()) as on:
        logger = on.start(environment=shim.environment)
        logger.until_readings("meter", 15)
        assert logger.stop() == 0, logger.said
        boot = folder / "boot"
        boot.write_text(f"{uuid.uuid4()}\n")
        inside = f'mount --bind {boot} /proc/sys/kernel/random/boot_id && exec "$@"'
        shim.order(realtime_ns=300 * 1_000_000_000 - time.time_ns())
        logger = on.start(prefix=["unshare", "-m", "sh", "-c", inside, "sh"], environment=shim.environment)
        logger.until_readings("meter", 15)
        assert logger.stop() == 0, logger.said
        run = RunReader.open(on.run_path)
        assert run.skipped == ()
        found = judge(run, on.meter, "meter")
        assert found.wrong == []
        values = run.series("meter").value.tolist()
        assert values == sorted(values), "recorded order is kept, whatever the wall clock said"
        (step,) = [one for one in run.events() if one.kind is EventKind.CLOCK_STEP]
        assert step.data["between_sessions"]
        assert not run.sessions[1].synchronised
        for command in (["postmortem", "--unit", "none"], ["account"], ["verify"], ["ls"]):
            where = folder / "runs" if command == ["ls"] else on.run_path
            done = subprocess.run(
                [sys.executable, "-m", "rig.cli", command[0], str(where), *command[1:]],
                cwd=ROOT, capture_output=True, text=True, check=False,
            )  # fmt: skip
            assert "Traceback" not in done.stderr, done.stderr
        return f"told: {step.text[:60]}...; {found.good} readings in recorded order, none missing"


def _zone(folder: Path, moment: datetime) -> str:
    wall = WallClock(folder)
    wall.move_to(moment)
    with stage(folder, TcpPort()) as on:
        logger = on.start(environment={**wall.environment, "TZ": BERLIN})
        logger.until("a second journal", lambda: bool(list(folder.glob("runs/*/journal/j000002.*"))))
        logger.until_readings("meter", 30)
        found = end_and_judge(on, logger, statuses=BUSY)
        assert logger.of(EventKind.CLOCK_STEP) == []
        run = RunReader.open(on.run_path)
        first = datetime.fromtimestamp(run.span[0] / 1e9, UTC)
        assert abs((first - moment).total_seconds()) < 10
        names = sorted(path.name[:13] for path in (on.run_path / "readings").iterdir())
        return f"{found.good} readings in UTC without step or gap, sealed as {', '.join(names)}"


@provocation("time", "summer time ends", "TZ with the rule of Berlin, across 2026-10-25 01:00 UTC")
def autumn(folder: Path) -> str:
    return _zone(folder, datetime(2026, 10, 25, 0, 59, 55, tzinfo=UTC))


@provocation("time", "summer time begins", "TZ with the rule of Berlin, across 2027-03-28 01:00 UTC")
def spring(folder: Path) -> str:
    return _zone(folder, datetime(2027, 3, 28, 0, 59, 55, tzinfo=UTC))


@provocation(
    "time", "wall clock steps back at the full hour", "-1 h just after a rotation: the hour comes twice"
)
def hour_twice(folder: Path) -> str:
    wall = WallClock(folder)
    start = to_next_hour_ns(12.0) / 1e9
    wall.move_s(start)
    with stage(folder, TcpPort()) as on:
        logger = on.start(environment=wall.environment)
        logger.until("a second journal", lambda: bool(list(folder.glob("runs/*/journal/j000002.*"))))
        wall.move_s(start - 3600.0)
        logger.until_event(EventKind.CLOCK_STEP)
        logger.until_readings("meter", 20)
        assert not list(on.run_path.glob("journal/j000003.*")), (
            "rotation follows the boot's line, not the step"
        )
        found = end_and_judge(on, logger, statuses=BUSY)
        return f"{found.good} readings in order, none twice, none missing"


@provocation("time", "wall clock runs 2 % fast", "rate x1.02 for six seconds: no step in sight")
def fast_clock(folder: Path) -> str:
    wall = WallClock(folder)
    with stage(folder, TcpPort()) as on:
        wall.move_s(0.0, rate=1.02)
        logger = on.start(environment=wall.environment)
        began = time.monotonic()
        logger.until("six seconds", lambda: time.monotonic() - began > 6)
        found = end_and_judge(on, logger, statuses=BUSY)
        assert logger.of(EventKind.CLOCK_STEP) == []
        return f"{found.good} readings in order, distances of the boot clock, no false step"


@provocation(
    "time", "suspend", "CLOCK_BOOTTIME leaps by ten minutes, CLOCK_MONOTONIC does not (preloaded library)"
)
def suspend(folder: Path) -> str:
    shim = Shim(folder)
    slept_ns = 600 * 1_000_000_000
    with stage(folder, TcpPort()) as on:
        logger = on.start(environment=shim.environment)
        logger.until_readings("meter", 10)
        shim.order(boottime_ns=slept_ns, realtime_ns=slept_ns)
        event = logger.until_event(EventKind.GAP, "run")
        assert event.data["cause"] == "suspend"
        logger.until_readings("meter", 10)
        assert logger.stop() == 0, logger.said
        run = RunReader.open(on.run_path)
        assert logger.of(EventKind.CLOCK_STEP) == []
        values = run.series("meter").value.tolist()
        assert values == sorted(set(values))
        longest_s = float(np.diff(run.series("meter").t_ns).max()) / 1e9
        assert 600 <= longest_s < 602
        return f"told as: {event.text}; no clock step; order kept"
