"""A run of twelve units on two sources, as a person lives through it: alerts by mail, orders, answers."""

from __future__ import annotations

import itertools
import re
import time
from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path

import pytest

from rig.domain.cautions import FAILED_UNIT
from rig.domain.model import EventKind
from rig.domain.operating_state import OperatingState
from rig.domain.unit_history import histories
from rig.endurance.run_account import account, judged
from rig.endurance.verdict import Decision
from rig.store.reader import RunReader
from tests.alerts import peers
from tests.daemon.live import Logger, no_logger_left, soakrig
from tests.daemon.simple_room import ServedRoom
from tests.daemon.twelve_unit_room import LATE, NAMES, UNITS, serial, twelve_units
from tests.test_docs import README, blocks, shell

__all__ = ["no_logger_left"]
pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]

DIES, TRIPS, SWITCHED_OFF, SPARE = "A3", "B2", "A5", "1213"
MAINS = re.compile(r"ACTION: set mains_a to (\d+)")


class Story:
    """The run: its logger, its room, the letters that came; ``turn`` follows what the logger asks for."""

    def __init__(self, folder: Path, served_room: ServedRoom, sink: peers.Sink) -> None:
        self.room, self.sink = served_room.room, sink
        self.logger = Logger(folder / "rig.yaml")
        self.read = 0

    def turn(self) -> None:
        new, self.read = self.logger.events[self.read :], len(self.logger.events)
        for one in new:
            if wanted := MAINS.search(one.text):
                self.room.turn("A", float(wanted[1]))

    def until(self, kind: EventKind, subject: str = "", patience_s: float = 60.0, **data: object) -> None:
        def seen() -> bool:
            self.turn()
            return any(
                one.kind is kind
                and (not subject or one.subject == subject)
                and all(one.data.get(key) == value for key, value in data.items())
                for one in self.logger.events
            )

        self.logger.until(seen, f"{kind} of {subject or 'anything'} with {data}", patience_s)

    def ordered(self, *words: str) -> None:
        done = soakrig(*words)
        assert done.returncode == 0, done.stderr

    def subjects(self) -> list[str]:
        return [str(one["Subject"]) for one in self.sink.letters]

    def letter(self, about: str) -> EmailMessage:
        """Return the letter whose subject begins so, once it has come."""
        until_s = time.monotonic() + 20.0
        while time.monotonic() < until_s:
            for one in list(self.sink.letters):
                if str(one["Subject"]).startswith(about):
                    return one
            time.sleep(0.05)
        raise AssertionError(f"no letter {about!r}: {self.subjects()}")


@pytest.fixture
def story(tmp_path: Path) -> Iterator[Story]:
    sink = peers.Sink()
    with peers.mail_server(sink) as port, twelve_units(tmp_path, port) as room:
        yield Story(tmp_path, room, sink)


def lived(story: Story) -> None:
    """Let everything happen, one after the other; a person reads of it and does what is to be done."""
    room, runs = story.room, str(story.logger.runs)
    for unit in set(UNITS) - {LATE}:
        story.until(EventKind.STATE, unit, state="driven")
    room.units[DIES].works = False
    story.until(EventKind.STATE, DIES, state="failed")
    dead = story.letter(f"room-of-twelve: {DIES} FAILED")
    assert str(dead["Subject"]).startswith(f"room-of-twelve: {DIES} FAILED (likely), 10 units go on")
    room.units[TRIPS].fan = False
    story.until(EventKind.STATE, TRIPS, state="unpowered", cause="order")
    story.letter("room-of-twelve: TRIP")

    story.ordered("note", runs, "switched off to move its cable", "--unit", SWITCHED_OFF)
    room.units[SWITCHED_OFF].switched_on = False
    story.until(EventKind.STATE, SWITCHED_OFF, state="unpowered", cause="note")
    room.units[LATE].present = True
    story.ordered("swap", runs, LATE, serial(LATE), "--note", "came late from the bench")
    story.until(EventKind.STATE, LATE, state="driven")

    room.units[DIES].switched_on = False
    story.ordered("swap", runs, DIES, SPARE, "--note", "no output; spare put in")
    room.units[DIES].works = room.units[DIES].switched_on = True
    room.units[SWITCHED_OFF].switched_on = True
    story.until(EventKind.STATE, DIES, state="driven", serial=SPARE)

    for group in NAMES.values():
        story.until(EventKind.PHASE, what="ended", group=list(group), patience_s=120.0)
    closed = ("--close", "relevant", "--cause", "unit", "--note", "output stage open")
    story.ordered("incident", runs, "1", *closed)


def states(run: RunReader, unit: str) -> list[str]:
    """Return what the record says of a place, without what lasted no longer than it takes to know it."""
    passing = {OperatingState.UNOBSERVED, OperatingState.MUTED}
    spans = [one for one in histories(run)[unit].spans if one.state not in passing]
    words = [f"{one.state} {one.cause}" if one.cause in {"order", "note"} else one.state for one in spans]
    return [word for word, _ in itertools.groupby(words)]


def check_states(run: RunReader) -> None:
    special = {
        DIES: ["driven", "failed", "driven"],
        TRIPS: ["driven", "unpowered order"],
        SWITCHED_OFF: ["driven", "unpowered note", "driven"],
        LATE: ["absent", "driven"],
    }
    assert {unit: states(run, unit) for unit in UNITS} == {unit: ["driven"] for unit in UNITS} | special


def check_verdicts(run: RunReader) -> None:
    result = judged(run, account(run))
    outcomes = {one.serial: one.outcome.value for one in result.units}
    failed = {serial(DIES), serial(TRIPS)}
    assert outcomes == {one: "fail" if one in failed else "pass" for one in (*map(serial, UNITS), SPARE)}, [
        (one.serial, r.text) for one in result.units for r in one.reasons if r.outcome is not Decision.PASS
    ]
    done = {
        one.serial: [phase.within_s >= (phase.planned_s or 0.0) for phase in one.phases]
        for one in account(run).exposures
    }
    assert [done[one] for one in outcomes if one not in failed] == [[True, True]] * (len(UNITS) - 1)
    assert done[serial(DIES)] == [False, False]
    assert done[serial(TRIPS)][1] is False


def check_incidents(story: Story) -> None:
    listed = soakrig("incident", story.logger.runs).stdout.splitlines()
    rows = [one.split("  ") for one in listed if re.match(r"\d  ", one)]
    rows = [[cell.strip() for cell in row if cell.strip()] for row in rows]
    assert [(row[1], row[2], row[4]) for row in rows] == [
        (DIES, serial(DIES), "suspected failure"),
        (TRIPS, serial(TRIPS), "trip"),
        ("-", "-", "common cause"),  # two in one room within a minute or so: look for it
    ]
    assert [row[5] for row in rows] == ["relevant, unit", "open", "open"]


def check_letters(story: Story) -> None:
    subjects = [one.removeprefix("room-of-twelve: ") for one in story.subjects()]
    assert [one for one in subjects if one.startswith(DIES)] == [one for one in subjects if "FAILED" in one]
    actions = [one for one in subjects if one.startswith("ACTION")]
    assert [found[1] for one in actions if (found := MAINS.search(one))][:2] == ["230", "253"]
    # nobody is sent for what a person did and noted, nor for what soakrig sets
    strangers = (SWITCHED_OFF, LATE, "setting", "mains_b")
    assert [one for one in subjects if one.startswith(strangers)] == []
    sent = "\n".join(" ".join(str(one.get_content()).split()) for one in story.sink.letters)
    for about in (DIES, TRIPS):
        assert f"check first: unit {about} (serial {serial(about)}, load 8 ohm resistor)" in sent
    assert FAILED_UNIT in sent


def check_the_readme(story: Story, folder: Path) -> None:
    """Find each line of the README's story in what soakrig says of this run, numbers apart."""
    told = "\n".join(blocks(README, "console")).splitlines()
    commands = [one.removeprefix("$ ") for one in told if one.startswith("$ ")]
    assert len(commands) == 5
    said = {masked(one) for one in story.subjects()}
    for command in commands:
        said |= {masked(one) for one in shell(command, folder).stdout.splitlines()}
    told = [one for one in told if one != "..." and not one.startswith("$ ")]
    assert len(told) > 15
    strange = [one for one in told if masked(one) not in said]
    # who is still on his way when a letter leaves, and whether a poll was missed, differs from run to run
    assert len(strange) < 0.4 * len(told), strange


def masked(line: str) -> str:
    """Return a line with every number and the name of the run as a hole: they are never the same twice."""
    return " ".join(re.sub(r"room-of-twelve-\w+|\d[\d.:]*( (ms|s|min|kB|MB)\b)?", "#", line).split())


def test_a_run_of_twelve_units(story: Story, tmp_path: Path) -> None:
    lived(story)
    assert story.logger.stop() == 0
    run = story.logger.recorded()
    check_states(run)
    check_verdicts(run)
    check_incidents(story)
    check_letters(story)
    runs = story.logger.runs
    assert "counted as FAILED" in soakrig("unit", serial(DIES), runs).stdout
    assert "not known to have failed" in soakrig("unit", SPARE, runs).stdout
    assert soakrig("verdict", runs).returncode == 10
    check_the_readme(story, tmp_path)
