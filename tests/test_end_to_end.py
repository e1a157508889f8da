"""The ordinary command on the simulated room over real transports: as a user runs it, and as fate ends it."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.domain.model import EventKind, Status
from rig.render.stored_answers import StoredPostMortem
from rig.simulator import running_room
from rig.store.reader import RecordingState, RunReader
from rig.store.rundir import newest_run
from rig.store.tail import Tail


def soakrig(*arguments: str | Path, **options: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "rig.cli", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120, **options)  # type: ignore[call-overload, no-any-return]


class Logger:
    """``soakrig log`` in a process of its own, watched through the files it writes."""

    def __init__(self, rig_file: Path, *options: str) -> None:
        self.runs = rig_file.parent / "runs"
        self.said = rig_file.parent / "log.txt"
        with self.said.open("ab") as output:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "rig.cli", "log", str(rig_file), *options],
                stdout=output,
                stderr=output,
            )

    def until_readings(
        self, count: int, patience_s: float = 30.0, *, of_session: int | None = None
    ) -> dict[tuple[int, int], float]:
        """Wait until ``count`` readings are in the journals; return them as (session, seq) -> first value.

        With ``of_session`` only that session's count; those of others are returned as well.
        """
        seen: dict[tuple[int, int], float] = {}
        tail: Tail | None = None
        until = time.monotonic() + patience_s
        while time.monotonic() < until:
            assert self.process.poll() is None, self.said.read_text("utf-8")
            if tail is None and self.runs.is_dir() and any(self.runs.glob("*/journal/*.journal")):
                tail = Tail(newest_run(self.runs))
            if tail is not None:
                for scan in tail.poll().scans:
                    seen[scan.session, scan.seq] = scan.values[0]
                if sum(of_session in (None, session) for session, _ in seen) >= count:
                    return seen
            time.sleep(0.05)
        pytest.fail(
            f"only {len(seen)} of {count} scans within {patience_s} s: {self.said.read_text('utf-8')}"
        )

    def stop(self, number: int = signal.SIGTERM) -> int:
        self.process.send_signal(number)
        return self.process.wait(60)


@pytest.fixture
def quiet_room(tmp_path: Path) -> Iterator[running_room.RunningRoom]:
    with running_room.running(tmp_path / "room", scenario="quiet", seed=5) as running:
        yield running


@pytest.mark.slow
def test_a_stopped_run_is_sealed_whole_and_opens_with_ordinary_tools(
    quiet_room: running_room.RunningRoom,
) -> None:
    import pandas as pd

    logger = Logger(quiet_room.rig_file)
    logger.until_readings(60)
    assert logger.stop() == 0
    path = newest_run(logger.runs)
    run = RunReader.open(path)
    assert run.state is RecordingState.FINISHED
    frame = pd.read_parquet(path / "readings")
    assert set(frame["channel"]) == set(run.layout.channels)
    assert len(frame) == sum(len(run.series(name)) for name in run.layout.channels)
    good = frame[frame["status"] == Status.GOOD]
    assert len(good) > 0.9 * len(frame)
    assert run.skipped == ()
    assert StoredPostMortem(path).answer() is not None, "the post-mortem is not ready"


@pytest.mark.slow
def test_a_second_daemon_on_the_same_run_is_refused_by_name(quiet_room: running_room.RunningRoom) -> None:
    logger = Logger(quiet_room.rig_file)
    logger.until_readings(10)
    second = soakrig("log", quiet_room.rig_file)
    assert second.returncode == 6
    assert str(logger.process.pid) in second.stderr
    assert logger.stop() == 0


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_killed_at_random_moments_nothing_that_was_journaled_is_lost(
    quiet_room: running_room.RunningRoom,
) -> None:
    """What another process had seen in the journal before the kill is in the run afterwards, exactly once."""
    chance = random.Random(11)
    witnessed: dict[tuple[int, int], float] = {}
    kills = 10
    for session in range(1, kills + 1):
        logger = Logger(quiet_room.rig_file)
        witnessed |= logger.until_readings(40, of_session=session)
        time.sleep(chance.random())
        logger.stop(signal.SIGKILL)
    logger = Logger(quiet_room.rig_file)
    logger.until_readings(40, of_session=kills + 1)
    assert logger.stop() == 0
    run = RunReader.open(newest_run(logger.runs))
    assert [session.number for session in run.sessions] == list(range(1, kills + 2))
    assert [session.clean for session in run.sessions] == [False] * kills + [True]
    broken = [event for event in run.events() if event.kind is EventKind.SESSION_BROKEN]
    assert len(broken) == kills
    recorded: dict[int, int] = {}
    for name in run.layout.channels:
        series = run.series(name)
        heard = series.t_ns[
            series.status == Status.GOOD
        ]  # a poll that failed has no window to be the middle of
        assert all(heard[1:] >= heard[:-1])
        for session in set(series.session.tolist()):
            recorded[session] = recorded.get(session, 0) + int((series.session == session).sum())
    seen_sessions = {session for session, _ in witnessed}
    assert seen_sessions == set(range(1, kills + 1))
    for session in seen_sessions:
        assert recorded[session] >= sum(1 for key in witnessed if key[0] == session)


@pytest.mark.slow
def test_stopping_twice_in_a_row_still_ends_in_good_order(quiet_room: running_room.RunningRoom) -> None:
    logger = Logger(quiet_room.rig_file)
    logger.until_readings(20)
    logger.process.send_signal(signal.SIGTERM)
    logger.process.send_signal(signal.SIGINT)
    assert logger.process.wait(60) == 0
    assert RunReader.open(newest_run(logger.runs)).state is RecordingState.FINISHED


@pytest.mark.slow
def test_losing_the_terminal_does_not_end_the_recording(quiet_room: running_room.RunningRoom) -> None:
    logger = Logger(quiet_room.rig_file)
    logger.until_readings(10)
    logger.process.send_signal(signal.SIGHUP)
    logger.until_readings(60)
    assert logger.stop() == 0


@pytest.mark.slow
def test_a_run_goes_on_until_a_new_one_is_asked_for(quiet_room: running_room.RunningRoom) -> None:
    for options, runs in (((), 1), ((), 1), (("--new",), 2)):
        logger = Logger(quiet_room.rig_file, *options)
        logger.until_readings(10)
        assert logger.stop() == 0
        assert len(list(logger.runs.iterdir())) == runs


@pytest.mark.slow
def test_an_unplugged_line_costs_its_own_bus_alone_and_is_an_event_with_its_cause(
    quiet_room: running_room.RunningRoom,
) -> None:
    logger = Logger(quiet_room.rig_file)
    logger.until_readings(60)
    quiet_room.say("pull out_line")
    run_path = newest_run(logger.runs)
    tail = Tail(run_path)
    kinds: list[EventKind] = []
    until = time.monotonic() + 40
    while EventKind.INSTRUMENT_LOST not in kinds and time.monotonic() < until:
        kinds += [event.kind for event in tail.poll().events]
        time.sleep(0.1)
    quiet_room.say("plug out_line")
    while EventKind.INSTRUMENT_BACK not in kinds and time.monotonic() < until:
        kinds += [event.kind for event in tail.poll().events]
        time.sleep(0.1)
    assert logger.stop() == 0
    assert EventKind.INSTRUMENT_LOST in kinds
    assert EventKind.INSTRUMENT_BACK in kinds
    run = RunReader.open(run_path)
    lost = [event for event in run.events() if event.kind is EventKind.INSTRUMENT_LOST]
    assert {event.data["bus"] for event in lost} == {"out_line"}
    for name, channel in run.layout.channels.items():
        if channel.source is not None and run.layout.instruments[channel.source.instrument].bus != "out_line":
            assert set(run.series(name).status.tolist()) == {int(Status.GOOD)}, name


@pytest.mark.slow
@pytest.mark.parametrize(
    ("text", "code", "said"),
    [
        ("rig: [unclosed", 3, "rig.yaml:"),
        ("rig: x\nrig: y\n", 3, "rig.yaml:2"),
        ("", 3, "empty"),
    ],
    ids=["not YAML", "a key twice", "an empty file"],
)
def test_a_malformed_rig_file_is_refused_with_file_and_line(
    tmp_path: Path, text: str, code: int, said: str
) -> None:
    file = tmp_path / "rig.yaml"
    file.write_text(text, encoding="utf-8")
    for command in ("check", "log"):
        done = soakrig(command, file)
        assert done.returncode == code
        assert said in done.stderr
        assert "Traceback" not in done.stderr


def test_a_rig_file_that_is_not_there_is_said_so(tmp_path: Path) -> None:
    done = soakrig("check", tmp_path / "absent.yaml")
    assert done.returncode == 2
    assert "absent.yaml" in done.stderr


def test_a_folder_that_is_no_run_is_refused(tmp_path: Path) -> None:
    done = soakrig("postmortem", tmp_path)
    assert done.returncode == 7
    assert str(tmp_path) in done.stderr


def test_a_run_of_a_newer_format_is_refused(tmp_path: Path) -> None:
    run = tmp_path / "run"
    run.mkdir()
    (run / "run.json").write_text(json.dumps({"soakrig": "run", "format": 99, "id": "x"}), encoding="utf-8")
    for command in (["postmortem"], ["watch", "--plain"]):
        done = soakrig(*command, run)
        assert done.returncode == 7, done.stderr
        assert "format 99" in done.stderr


RIG = """\
rig: one
runs: {runs}
planned: 1 h
buses:
  line: {{serial: {port}, baud: 9600}}
instruments:
  meter:
    bus: line
    driver: lines
    poll: 500 ms
    timeout: 200 ms
    terminator: LF
    reads: [{{ask: "V?", pattern: "V=(?P<volts>[-+0-9.]+)"}}]
channels:
  mains: {{from: meter.volts, unit: V, kind: stimulus, low: 207 V, high: 253 V, deadband: 1 V}}
"""


@pytest.mark.slow
def test_an_absent_port_is_named_by_the_probe(tmp_path: Path) -> None:
    file = tmp_path / "rig.yaml"
    file.write_text(RIG.format(runs=tmp_path / "runs", port=tmp_path / "no-such-port"), encoding="utf-8")
    done = soakrig("check", file)
    assert done.returncode == 4, done.stderr
    assert "no-such-port" in "".join(done.stdout.split()), done.stdout
    assert soakrig("check", file, "--no-probe").returncode == 0


def test_a_read_only_folder_is_refused_with_its_reason(tmp_path: Path) -> None:
    readonly = Path("/proc")  # nobody, not even root, can make a folder here
    file = tmp_path / "rig.yaml"
    file.write_text(RIG.format(runs=readonly / "runs", port=tmp_path / "p"), encoding="utf-8")
    done = soakrig("log", file)
    assert done.returncode == 5, done.stderr
    assert "/proc/runs" in done.stderr
    assert os.sep in done.stderr
