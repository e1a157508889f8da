"""What the logger makes of units that fail or are switched off and of mains that go, on true transports."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.domain.model import EventKind
from rig.domain.operating_state import OperatingState
from rig.domain.unit_history import histories
from rig.endurance.deaths import deaths
from rig.endurance.held_readings import HeldReadings
from rig.endurance.run_account import account, judged
from rig.endurance.verdict import Decision
from rig.simulator import running_room
from rig.store.reader import RunReader
from tests.daemon.live import Logger, no_logger_left, soakrig

__all__ = ["no_logger_left"]
pytestmark = [pytest.mark.slow, pytest.mark.timeout(240)]

PROGRAM = """
program:
  settle: 1 s
  phases:
    full:
      targets: {mains: 230 V +- 10 V, level: 1.2 V +- 100 mV}
      duration: 15 s
account:
  criteria: {least-share: 80 %, unlogged: 15 %}
"""


@pytest.fixture
def quiet(tmp_path: Path) -> Iterator[running_room.RunningRoom]:
    with running_room.running(tmp_path / "room", scenario="quiet", seed=5, units=3, poll_s=0.25) as running:
        yield running


def begun(room: running_room.RunningRoom, more: str = "") -> Logger:
    """Return a logger that has seen all units driven."""
    with room.rig_file.open("a", encoding="utf-8") as file:
        file.write(more)
    logger = Logger(room.rig_file)
    for unit in ("A1", "A2", "A3"):
        logger.until_event(EventKind.STATE, unit, state="driven")
    return logger


def states(run: RunReader, unit: str) -> list[OperatingState]:
    return [one.state for one in histories(run)[unit].spans if one.state is not OperatingState.UNOBSERVED]


def told(logger: Logger, unit: str) -> list[str]:
    """Return the states that were recorded of a unit, as words."""
    mine = [one for one in logger.events if one.kind is EventKind.STATE and one.subject == unit]
    return [" ".join(filter(None, (one.data["state"], one.data["cause"]))) for one in mine]


def test_a_shorted_unit_has_failed_and_the_others_go_on(quiet: running_room.RunningRoom) -> None:
    logger = begun(quiet)
    quiet.say("short A2")
    failed = logger.until_event(EventKind.STATE, "A2", state="failed")
    assert "Isolate it from the mains" in failed.text
    assert logger.stop() == 0
    run = logger.recorded()
    assert [one.serial for one in deaths(HeldReadings(run))] == ["S0002"]
    assert states(run, "A1") == states(run, "A3") == [OperatingState.DRIVEN]
    # a failed unit keeps no limit any more: it is not told again and again
    assert not [e for e in run.events() if e.kind is EventKind.LIMIT_OUT and e.t_ns > failed.t_ns]


def test_a_unit_switched_off_by_hand_with_a_note_has_not_failed(quiet: running_room.RunningRoom) -> None:
    logger = begun(quiet)
    quiet.say("switch A2 off")
    assert soakrig("note", logger.runs, "switched off to fit a fan", "--unit", "A2").returncode == 0
    off = logger.until_event(EventKind.STATE, "A2", state="unpowered", cause="note")
    assert "by hand" in off.text
    logger.until(
        lambda: logger.scans[-1].t_ns - off.t_ns > 7_000_000_000, "time in which it could have failed"
    )
    quiet.say("switch A2 on")
    logger.until(lambda: told(logger, "A2")[-1] == "driven", "A2 driven again")
    assert logger.stop() == 0
    run = logger.recorded()
    assert deaths(HeldReadings(run)) == []
    assert "failed" not in " ".join(told(logger, "A2"))


def test_mains_that_go_and_come_back_kill_nobody(quiet: running_room.RunningRoom) -> None:
    logger = begun(quiet)
    quiet.say("turn mains 0")
    for unit in ("A1", "A2", "A3"):
        logger.until_event(EventKind.STATE, unit, state="unpowered", cause="mains")
    out = [one for one in logger.events if one.kind is EventKind.LIMIT_OUT]
    quiet.say("turn mains 230")
    logger.until(lambda: all(told(logger, u)[-1] == "driven" for u in ("A1", "A2", "A3")), "all driven again")
    assert logger.stop() == 0
    assert deaths(HeldReadings(logger.recorded())) == []
    assert any(one.subject == "mains" for one in out)


def test_a_logger_that_was_killed_knows_a_failed_unit_when_it_starts_again(
    quiet: running_room.RunningRoom,
) -> None:
    logger = begun(quiet)
    quiet.say("short A2")
    logger.until_event(EventKind.STATE, "A2", state="failed")
    assert logger.stop(signal.SIGKILL) == -signal.SIGKILL
    again = Logger(quiet.rig_file)
    again.until(
        lambda: any(
            e.kind is EventKind.STATE and e.session == 2 and e.data["state"] == "driven" for e in again.events
        ),
        "the others driven in the second session",
    )
    again.until_scans(60)
    assert again.stop() == 0
    assert not [
        e
        for e in again.events
        if e.session == 2 and e.kind is EventKind.LIMIT_OUT and e.subject.startswith("A2.")
    ]
    assert [one.serial for one in deaths(HeldReadings(again.recorded()))] == ["S0002"]


def test_a_note_that_was_written_while_no_logger_ran_explains_all_the_same(
    quiet: running_room.RunningRoom,
) -> None:
    logger = begun(quiet)
    assert logger.stop(signal.SIGKILL) == -signal.SIGKILL
    quiet.say("switch A2 off")
    assert soakrig("note", logger.runs, "switched off to fit a fan", "--unit", "A2").returncode == 0
    assert soakrig("note", logger.runs, "smoke", "--unit", "A3", "--died").returncode == 0
    again = Logger(quiet.rig_file)
    off = again.until_event(EventKind.STATE, "A2", state="unpowered", cause="note")
    again.until_event(EventKind.STATE, "A3", state="failed", certainty="certain")
    again.until(lambda: again.scans[-1].t_ns - off.t_ns > 7_000_000_000, "time in which it could have failed")
    assert again.stop() == 0
    assert "failed" not in " ".join(told(again, "A2"))
    assert [one.serial for one in deaths(HeldReadings(again.recorded()))] == ["S0003"]


def test_after_the_program_nobody_alarms_because_the_drive_is_off(quiet: running_room.RunningRoom) -> None:
    logger = begun(quiet, PROGRAM)
    ended = logger.until_event(EventKind.PHASE, what="ended", patience_s=60)
    quiet.say("turn level 0")
    for unit in ("A1", "A2", "A3"):
        logger.until_event(EventKind.STATE, unit, state="idle")
    logger.until(lambda: logger.scans[-1].t_ns - ended.t_ns > 10_000_000_000, "time after the program")
    assert logger.stop() == 0
    run = logger.recorded()
    out = [one for one in run.events() if one.kind is EventKind.LIMIT_OUT and one.subject.startswith("A")]
    assert out == []
    verdict = judged(run, account(run))
    reasons = [
        (one.serial, r.rule.value, r.text)
        for one in verdict.units
        for r in one.reasons
        if r.outcome is not Decision.PASS
    ]
    assert [one.outcome for one in verdict.units] == [Decision.PASS] * 3, reasons
