"""A real process, really killed: nothing it had said to be recorded is missing afterwards."""

from __future__ import annotations

import random
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from rig.domain.model import EventKind
from rig.store.reader import RecordingState, RunReader
from tests.store.rooms import new_run


def killed_recording(path: Path, after_s: float) -> tuple[int, int]:
    """Return session and number of scans that a recorder acknowledged before it was killed."""
    with subprocess.Popen(
        [sys.executable, "-m", "tests.store.victim", str(path)], stdout=subprocess.PIPE
    ) as victim:
        assert victim.stdout is not None
        first = victim.stdout.readline()
        killer = threading.Timer(after_s, victim.kill)
        killer.start()
        lines = [first, *victim.stdout]
        killer.join()
    session, count = lines[-1].split()
    return int(session), int(count)


def killed_sealing(path: Path, after_s: float) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "rig.store.seal", str(path), "--finish"], stderr=subprocess.DEVNULL
    ) as sealer:
        try:
            sealer.wait(after_s)
        except subprocess.TimeoutExpired:
            sealer.kill()


def assert_nothing_lost(path: Path, known: dict[int, int]) -> None:
    recording = RunReader.open(path)
    series, minus = recording.series("n"), recording.series("minus")
    assert (series.value == -minus.value).all()
    for session, count in known.items():
        values = series.value[series.session == session].tolist()
        assert values == list(range(len(values)))
        assert len(values) >= count, f"session {session}"
    broken = [event.data["session"] for event in recording.events()
              if event.kind is EventKind.SESSION_BROKEN]  # fmt: skip
    assert broken == list(known)[:-1]


def kill_often(path: Path, times: int, seed: int) -> dict[int, int]:
    dice = random.Random(seed)
    known: dict[int, int] = {}
    for k in range(times):
        session, count = killed_recording(path, dice.uniform(0, 0.15))
        assert session == k + 1
        known[session] = count
        if dice.random() < 0.3:
            killed_sealing(path, dice.uniform(0.2, 0.8))
        if k % 10 == 0 or k > times - 3:
            assert_nothing_lost(path, known)
    return known


@pytest.mark.slow
def test_a_recorder_killed_at_any_moment_loses_nothing_it_had_acknowledged(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    known = kill_often(run.path, 5, seed=3)
    assert sum(known.values()) > 100
    assert RunReader.open(run.path).state is RecordingState.CRASHED


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_sixty_kills_lose_nothing(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    begun = time.monotonic()
    known = kill_often(run.path, 60, seed=4)
    seconds = time.monotonic() - begun
    print(f"{len(known)} kills, {sum(known.values())} scans acknowledged, none lost, {seconds:.0f} s")
    assert len(known) == 60
