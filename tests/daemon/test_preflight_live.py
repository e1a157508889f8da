"""The pre-flight on the simulated room: cold units, switched by command or by hand, wrong sensors."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.clock import wall_clock_synchronised
from rig.domain.limit_history import limit_spans
from rig.domain.model import Event, EventKind
from rig.simulator import running_room
from rig.store.reader import RunReader
from rig.store.rundir import newest_run

pytestmark = pytest.mark.slow

BY_COMMAND = """
preflight:
  ambient: ambient
  near-ambient: 3 K
  watch: 2 s
  rise: 3 K
  within: 15 s
  noise: {"{unit}.heatsink": 500 mK, mains: 2 V}
  switch:
    A1: {instrument: intake, on: [coil 0 on], off: [coil 0 off]}
    A2: {instrument: intake, on: [coil 1 on], off: [coil 1 off]}
"""
BY_HAND = BY_COMMAND.partition("  switch:")[0]


@pytest.fixture
def cold(tmp_path: Path) -> Iterator[running_room.RunningRoom]:
    with running_room.running(
        tmp_path / "room", scenario="quiet", units=2, poll_s=0.25, cold=True
    ) as running:
        yield running


def preflight(
    place: running_room.RunningRoom, more: str, *options: str, answers: str | None = None
) -> tuple[int, str, RunReader, list[Event]]:
    text = place.rig_file.read_text("utf-8")
    place.rig_file.write_text(text + more, "utf-8")
    command = [sys.executable, "-m", "rig.cli", "preflight", str(place.rig_file), "--new", *options]
    done = subprocess.run(
        command, capture_output=True, text=True, check=False, timeout=110, input=answers or ""
    )
    run = RunReader.open(newest_run(place.folder / "runs"))
    checks = [one for one in run.events() if one.kind is EventKind.CHECK]
    return done.returncode, done.stdout + done.stderr, run, checks


def good_code() -> int:
    """Return the exit code of a good rig: this machine's clock may not be synchronised, which is bad."""
    return 0 if wall_clock_synchronised() else 4


def verdicts(checks: list[Event], check: str) -> dict[str, str]:
    return {one.subject: one.data["verdict"] for one in checks if one.data["check"] == check}


@pytest.mark.timeout(180)
def test_a_cold_room_is_proved_by_command_and_the_result_is_part_of_the_run(
    cold: running_room.RunningRoom,
) -> None:
    code, said, run, checks = preflight(cold, BY_COMMAND, "--yes")
    assert code == good_code(), said
    near = verdicts(checks, "near ambient")
    assert set(near) == {f"A{n}.{s}" for n in (1, 2) for s in ("heatsink", "device", "transformer")}
    assert set(near.values()) == {"good"}
    assert set(verdicts(checks, "sensor assignment").values()) == {"good"}
    assert verdicts(checks, "noise with power off")["A1.heatsink"] == "good"
    assert verdicts(checks, "noise with power on")["mains"] == "good"
    # what cannot be judged says so
    assert verdicts(checks, "noise with power on")["run"] == "not judged"
    assert verdicts(checks, "noise with power on")["A1.heatsink"] == "good"  # though it warms up
    assert verdicts(checks, "load resistance") == {"run": "not judged"}
    assert verdicts(checks, "calibration") == {"run": "not judged"}
    summary = checks[-1]
    assert summary.data["check"] == "summary"
    assert summary.data["bad"] == (not wall_clock_synchronised())
    # a unit that is off is no alarm here
    assert not [one for one in run.events() if one.kind is EventKind.LIMIT_OUT]
    assert limit_spans("A1.volts", run.layout, run.events())[-1].limits == ()
    cold.end()
    switched = [h["text"] for h in cold.truth()["happenings"] if h["subject"] == "A1"]
    assert switched == ["contactor opens", "contactor closes", "contactor opens", "contactor closes"]


@pytest.mark.timeout(180)
def test_sensors_of_two_units_that_are_swapped_are_found(cold: running_room.RunningRoom) -> None:
    text = cold.rig_file.read_text("utf-8")
    swapped = text.replace("heatsink_A1, heatsink_A2", "heatsink_A2, heatsink_A1")
    assert swapped != text
    cold.rig_file.write_text(swapped, "utf-8")
    code, said, _, checks = preflight(cold, BY_COMMAND, "--yes")
    assert code == 4, said
    bad = [one for one in checks if one.data.get("verdict") == "bad" and one.data["check"] != "clock"]
    assert {one.subject for one in bad} == {"A1.heatsink", "A2.heatsink"}
    assert "A2.heatsink warmed instead: sensors swapped?" in bad[0].text
    assert "sensor assignment A1.heatsink, sensor assignment A2.heatsink" in checks[-1].text


@pytest.mark.timeout(180)
def test_hot_units_are_not_called_cold_and_what_needs_hands_is_not_judged_without_them(
    tmp_path: Path,
) -> None:
    with running_room.running(tmp_path / "room", scenario="quiet", units=2, poll_s=0.25) as hot:
        code, said, _, checks = preflight(hot, BY_HAND, "--yes")
    assert code == 4, said
    assert set(verdicts(checks, "near ambient").values()) == {"bad"}
    assert verdicts(checks, "sensor assignment") == {"A1": "not judged", "A2": "not judged"}
    assert verdicts(checks, "load resistance") == {"run": "not judged"}


@pytest.mark.timeout(180)
def test_a_person_is_led_through_and_may_skip(cold: running_room.RunningRoom) -> None:
    code, said, _, checks = preflight(cold, BY_HAND, answers="\ns\nskip\ns\n")
    assert "ACTION: all units off and at ambient temperature" in said
    assert "ACTION: switch A1 on and drive it, all others off" in said
    assert code == good_code(), said
    assert set(verdicts(checks, "near ambient").values()) == {"good"}
    assert verdicts(checks, "sensor assignment") == {"A1": "not judged", "A2": "not judged"}
    code, said, _, checks = preflight(cold, "", "--yes", "--strict")
    assert code == 4


@pytest.mark.timeout(180)
def test_nobody_is_asked_to_switch_on_what_nothing_reads(cold: running_room.RunningRoom) -> None:
    cold.end()
    code, said, _, checks = preflight(cold, BY_HAND, answers="\n" * 9)
    assert code == 4, said
    assert "ACTION: all units off" in said
    assert "on and drive" not in said
    assert verdicts(checks, "sensor assignment") == {"A1": "not judged", "A2": "not judged"}
    assert "stays off" in said
    assert verdicts(checks, "noise with power on") == {"run": "not judged"}
