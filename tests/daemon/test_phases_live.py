"""The test program on the real logger: knobs turned by hand and by command in the simulated room."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.domain.limit_history import limit_spans
from rig.domain.model import EventKind
from rig.endurance.account_options import account_options
from rig.endurance.exposure import exposures
from rig.endurance.phases_in_force import in_force
from rig.simulator import running_room
from tests.daemon.live import Logger, no_logger_left, soakrig

__all__ = ["no_logger_left"]
pytestmark = pytest.mark.slow

BY_HAND = """
program:
  settle: 1 s
  phases:
    low:
      targets: {mains: 215 V +- 5 V}
      duration: 6 s
      load: 8 ohm resistor
    high:
      targets: {mains: 250 V +- 5 V}
      duration: 4 s
      limits: {mains: {high: 260 V}, "{unit}.heatsink": {high: 60 degC, early-high: 55 degC}}
"""
BY_SOURCE = """
program:
  settle: 500 ms
  set:
    level: {instrument: tone, command: "SOUR:LEV {value:.3f}", lowest: 0.2 V, highest: 1.3 V, within: 5 s}
  phases:
    soft: {targets: {level: 0.8 V +- 0.2 V}, duration: 3 s, limits: {level: {low: 0.3 V}}, ramp: 3 s}
"""


@pytest.fixture
def quiet(tmp_path: Path) -> Iterator[running_room.RunningRoom]:
    with running_room.running(tmp_path / "room", scenario="quiet", seed=5, units=2, poll_s=0.25) as running:
        yield running


def with_program(quiet: running_room.RunningRoom, program: str) -> Path:
    with quiet.rig_file.open("a", encoding="utf-8") as file:
        file.write(program)
    return quiet.rig_file


def test_hand_turned_phases_are_asked_for_seen_timed_and_resumed_after_a_crash(
    quiet: running_room.RunningRoom,
) -> None:
    logger = Logger(with_program(quiet, BY_HAND))
    due = logger.until_event(EventKind.PHASE, what="due")
    assert due.data["phase"] == "low"
    assert "ACTION: set mains to 215 ± 5 V" in due.text
    assert "load: 8 ohm resistor" in due.text
    quiet.say("turn mains 215")
    reached = logger.until_event(EventKind.PHASE, what="reached")
    assert reached.data["targets"]["mains"]["reads"] == pytest.approx(215, abs=5)
    logger.until(
        lambda: any(scan.t_ns - reached.t_ns > 2_500_000_000 for scan in logger.scans), "time in the phase"
    )
    assert logger.stop(signal.SIGKILL) == -signal.SIGKILL

    logger = Logger(quiet.rig_file)
    resumed = logger.until_event(EventKind.PHASE, what="resumed")
    assert (resumed.data["phase"], resumed.session) == ("low", 2)
    done = logger.until_event(EventKind.PHASE, what="done")
    assert done.data["done_s"] >= 6.0
    high = logger.until_event(EventKind.PHASE, "high", what="due")
    assert high.data["phase"] == "high"
    quiet.say("turn mains 250")
    logger.until_event(EventKind.PHASE, "high", what="reached")
    hot = logger.until_event(EventKind.LIMIT_OUT, "A1.heatsink")
    assert hot.data["limit"] == 60.0
    quiet.say("turn mains 230")
    left = logger.until_event(EventKind.PHASE, "high", what="left")
    assert "mains reads 2" in left.data["why"]
    quiet.say("turn mains 250")
    logger.until_event(EventKind.PHASE, "high", what="back")
    ended = logger.until_event(EventKind.PHASE, what="ended")
    # the rig file's own limit holds again: 60 degC is no matter any more
    logger.until_event(EventKind.LIMIT_IN, "A1.heatsink")
    assert logger.stop() == 0

    run = logger.recorded()
    events = run.events()
    forces = in_force(events, run.span)
    assert [one.phase for one in forces] == ["low", "high"]
    assert forces[-1].end_ns == ended.t_ns
    wanted = account_options(run.layout)
    assert [one.name for one in wanted.phases] == ["low", "high"]
    for exposure in exposures(run, wanted.phases):
        low, second = exposure.phases
        # the daemon never counts more than the readback shows
        assert low.within_s >= 6.0
        assert second.within_s >= 4.0
        assert second.out_s > 0.0
    spans = limit_spans("A1.heatsink", run.layout, events)
    assert [one.limits[0].value for one in spans] == [95.0, 60.0, 95.0]


def test_a_person_can_move_and_hold_the_program(quiet: running_room.RunningRoom) -> None:
    logger = Logger(with_program(quiet, BY_HAND))
    logger.until_event(EventKind.PHASE, "low", what="due")
    assert soakrig("phase", logger.runs, "hold", "--note", "lunch").returncode == 0
    held = logger.until_event(EventKind.PHASE, what="held")
    assert held.data["note"] == "lunch"
    assert "@" in held.data["by"]
    assert soakrig("phase", logger.runs, "hold").returncode == 2
    assert soakrig("phase", logger.runs, "next").returncode == 0
    logger.until_event(EventKind.PHASE, "high", what="due")
    refused = soakrig("phase", logger.runs, "medium")
    assert refused.returncode == 2
    assert "there are: low, high" in refused.stderr
    assert logger.stop() == 0
    assert "no test program is running" in soakrig("phase", logger.runs, "next").stderr


def test_a_configured_source_is_set_over_a_ramp_and_confirmed_by_readback(
    quiet: running_room.RunningRoom,
) -> None:
    logger = Logger(with_program(quiet, BY_SOURCE))
    ordered = logger.until_event(EventKind.SWITCH, "tone", what="ordered")
    assert "ramp of level" in ordered.text
    assert "hard-wired limits" in ordered.data["caution"]
    confirmed = logger.until_event(EventKind.SWITCH, "tone", what="confirmed")
    assert (confirmed.t_ns - ordered.t_ns) / 1e9 >= 2.9
    logger.until_event(EventKind.PHASE, what="reached")
    logger.until_event(EventKind.PHASE, what="ended")
    assert logger.stop() == 0
    quiet.end()
    turns = [h for h in quiet.truth()["happenings"] if h["subject"] == "level"]
    assert len(turns) >= 3
    assert turns[-1]["text"] == "turned to 0.8"
    # 0.8 V is below the rig file's low limit: allowed in this phase, and not after it
    told = [
        one for one in logger.recorded().events() if one.subject == "level" or one.data.get("what") == "ended"
    ]
    assert told[0].kind is EventKind.PHASE
