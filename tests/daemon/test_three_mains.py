"""The shipped rig file of three mains voltages, run to its end with units that do nothing wrong."""

from __future__ import annotations

import re
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
from rig.store.reader import RunReader
from tests.daemon.live import Logger, no_logger_left, soakrig
from tests.daemon.simple_room import ServedRoom
from tests.daemon.three_mains_room import UNITS, bursts, three_mains

__all__ = ["no_logger_left"]
pytestmark = [pytest.mark.slow, pytest.mark.timeout(400)]

PASSES = 3
COUNT = 3
"""Bursts of one pass, divided: 6000 in the file."""
COURSE = ["warm", *(PASSES * ["low", "nominal", "high", "cool"])]
MAINS = re.compile(r"ACTION: set mains to (\d+)")


@pytest.fixture
def served_room(tmp_path: Path) -> Iterator[ServedRoom]:
    with three_mains(tmp_path) as room:
        yield room


class Person:
    """Does what the logger asks for, as it is written in its messages."""

    def __init__(self, logger: Logger, served_room: ServedRoom) -> None:
        self.logger = logger
        self.room = served_room.room
        self.read = 0

    def act(self) -> bool:
        """Follow what was asked for since; return whether the program has ended."""
        new, self.read = self.logger.events[self.read :], len(self.logger.events)
        phases = [one for one in new if one.kind is EventKind.PHASE]
        for one in phases:
            if wanted := MAINS.search(one.text):
                self.room.bursts = bursts() if "; drive 2.75 s on, 0.25 s off" in one.text else None
                self.room.turn("variac", float(wanted[1]))
        return any(one.data["what"] == "ended" for one in phases)


def states(run: RunReader, unit: str) -> list[str]:
    spans = histories(run)[unit].spans
    return [
        " ".join(filter(None, (one.state, one.cause)))
        for one in spans
        if one.state is not OperatingState.UNOBSERVED
    ]


def test_flawless_units_pass_the_whole_program(served_room: ServedRoom, tmp_path: Path) -> None:
    logger = Logger(tmp_path / "rig.yaml")
    person = Person(logger, served_room)
    logger.until(person.act, "end of the program", patience_s=240.0)
    ended = logger.events[-1].t_ns
    served_room.room.units["A2"].switched_on = False
    # longer than it takes to suspect a failure (60 s, divided)
    logger.until(lambda: logger.scans[-1].t_ns - ended > 5_000_000_000, "time after the program")
    served_room.room.turn("variac", 0.0)
    logger.until_event(EventKind.STATE, "A1", state="unpowered", cause="mains")
    logger.until(lambda: logger.scans[-1].t_ns - ended > 10_000_000_000, "time without mains")
    assert logger.stop() == 0

    run = logger.recorded()
    events = run.events()
    done = [one for one in events if one.kind is EventKind.PHASE and one.data["what"] == "done"]
    assert [one.data["phase"] for one in done] == COURSE
    assert not [one for one in events if one.kind in {EventKind.LIMIT_OUT, EventKind.EARLY_OUT}]
    assert deaths(HeldReadings(run)) == []
    course = PASSES * ["driven", "idle"]
    assert states(run, "A1") == [*course, "unpowered mains"]
    assert states(run, "A2") == [*course, "unpowered unknown", "unpowered mains"]
    result = judged(run, account(run))
    reasons = [
        (one.unit, r.text) for one in result.units for r in one.reasons if r.outcome is not Decision.PASS
    ]
    assert [one.outcome for one in result.units] == [Decision.PASS] * len(UNITS), reasons
    for exposure in account(run).exposures:
        high = next(one for one in exposure.phases if one.phase == "high")
        assert (high.drive_cycles or 0) >= (high.planned_count or 0) == PASSES * COUNT
    said = soakrig("verdict", logger.runs)
    assert said.returncode == 0
    assert said.stdout.startswith("VERDICT on rig three-mains: PASS\nunits: A1 (0201) pass; A2 (0202) pass\n")
