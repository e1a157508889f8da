"""``python -m rig.alerts RUN`` as it runs beside a recording: real clocks, real kills."""

from __future__ import annotations

import json
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from rig.clock import SYSTEM
from rig.domain.model import EventKind
from tests.alerts import peers
from tests.alerts.makers import Recording
from tests.alerts.peers import Hook

ROOT = Path(__file__).resolve().parents[2]


def rig_text(hook: Hook, more: str = "") -> str:
    return (
        f"alerts:\n  ways: {{hook: {{webhook: {{url: '{hook.url}'}}, deadline: 5 s}}}}\n"
        f"  gather: 0 s\n  test: 0 s\n{more}"
    )


def command(path: Path, *more: str) -> list[str]:
    return [sys.executable, "-m", "rig.alerts", str(path), *more]


@contextmanager
def running(path: Path, *more: str) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(command(path, *more), cwd=ROOT, stderr=subprocess.PIPE)
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def headlines(hook: Hook) -> list[str]:
    return [fact["headline"] for _, _, body in hook.posts for fact in json.loads(body)["facts"]]


def refused(path: Path, *more: str) -> tuple[int, str]:
    done = subprocess.run(
        command(path, *more), cwd=ROOT, capture_output=True, text=True, timeout=30, check=False
    )
    return done.returncode, done.stderr


def test_it_tells_by_the_rig_file_the_recording_keeps_and_ends_well_on_sigterm(tmp_path: Path) -> None:
    with Hook() as hook:
        recording = Recording(tmp_path, SYSTEM, rig_text(hook))
        with running(recording.path) as process:
            recording.out()
            peers.wait_for(lambda: hook.posts)
            process.send_signal(signal.SIGTERM)
            assert process.wait(15) == 0
        assert headlines(hook) == ["A1.heatsink above high limit 95 degC: 96.2 degC"]
        assert str(tmp_path / "soak") in json.loads(hook.posts[0][2])["text"]


def killed(tmp_path: Path, kills: int) -> tuple[list[str], dict[str, list[str]]]:
    """Record facts while the alerts process is killed again and again; return facts and arrivals by key."""
    chance = random.Random(kills)
    made: list[str] = []
    with Hook() as hook:
        recording = Recording(tmp_path, SYSTEM, rig_text(hook, "  per-hour: 1000\n  most-lines: 1000\n"))
        for number in range(kills):
            with running(recording.path) as process:
                for part in range(3):
                    made.append(f"A1 switched off, {number}.{part}")
                    recording.event(EventKind.SWITCH, "A1", made[-1])
                    time.sleep(chance.uniform(0.0, 0.4))
                process.kill()
        with running(recording.path) as process:
            peers.wait_for(lambda: set(made) <= set(headlines(hook)), 60)
            process.send_signal(signal.SIGTERM)
            process.wait(15)
    arrived: dict[str, list[str]] = {}
    for _, _, body in hook.posts:
        words = json.loads(body)
        facts = [fact["headline"] for fact in words["facts"]]
        assert arrived.setdefault(words["key"], facts) == facts
    return made, arrived


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_killed_sixty_times_it_loses_nothing_and_repeats_only_under_the_same_key(tmp_path: Path) -> None:
    made, arrived = killed(tmp_path, 60)
    assert sorted(fact for facts in arrived.values() for fact in facts) == sorted(made)


@pytest.mark.slow
def test_a_watcher_hears_nothing_more_when_only_the_alerts_process_dies(tmp_path: Path) -> None:
    with Hook() as hook:
        recording = Recording(tmp_path, SYSTEM, f"alerts: {{heartbeat: {{every: 1 s, url: '{hook.url}'}}}}\n")
        with running(recording.path) as process:
            recording.scan()
            peers.wait_for(lambda: len(hook.posts) >= 2)
            process.kill()
            process.wait()
        time.sleep(0.5)  # a beat that was under way
        heard = len(hook.posts)
        recording.scan()
        time.sleep(1.5)
        assert len(hook.posts) == heard


@pytest.mark.slow
def test_a_session_with_another_rig_file_changes_who_is_told(tmp_path: Path) -> None:
    with Hook() as first, Hook() as second:
        recording = Recording(tmp_path, SYSTEM, rig_text(first))
        with running(recording.path):
            recording.out()
            peers.wait_for(lambda: first.posts)
            recording.writer.close()
            recording.text = rig_text(second)
            recording.begin()
            recording.out("A2.heatsink")
            peers.wait_for(lambda: second.posts)
        assert headlines(second) == ["A2.heatsink above high limit 95 degC: 96.2 degC"]


@pytest.mark.slow
def test_only_one_process_tells_of_a_run(tmp_path: Path) -> None:
    with Hook() as hook:
        recording = Recording(tmp_path, SYSTEM, rig_text(hook))
        with running(recording.path):
            peers.wait_for((recording.path / "alerts" / "outbox").exists)
            code, said = refused(recording.path)
    assert code == 6
    assert "is in use by the alerts of this run" in said


def test_a_recording_from_elsewhere_starts_nobodys_program_here(tmp_path: Path) -> None:
    mark = tmp_path / "started"
    text = f"alerts: {{ways: {{x: {{command: {{run: [/usr/bin/touch, {mark}]}}}}}}, gather: 0 s}}\n"
    recording = Recording(tmp_path, SYSTEM, text, host="some-other-machine")
    recording.out()
    code, said = refused(recording.path)
    assert code == 2
    assert "was recorded on 'some-other-machine'" in said
    assert not mark.exists()


@pytest.mark.parametrize(
    ("text", "code", "said"),
    [
        ("rig: x\n", 2, "has no section alerts"),
        ("alerts: {ways: {}}\n", 2, "names no notifier (ways) and no heartbeat"),
        ("alerts: {ways: {x: {}}}\n", 3, ":1: alerts.ways.x: 0 of mail, webhook, mqtt and command"),
    ],
)
def test_what_cannot_be_started_says_why(tmp_path: Path, text: str, code: int, said: str) -> None:
    recording = Recording(tmp_path, SYSTEM, text)
    found = refused(recording.path)
    assert found[0] == code
    assert said in found[1]


def test_the_process_loads_none_of_the_heavy_libraries() -> None:
    heavy = ("pyarrow", "pandas", "scipy", "paho", "serial", "pyvisa")
    code = f"import sys, rig.alerts.alert_service; print([m for m in {heavy!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
