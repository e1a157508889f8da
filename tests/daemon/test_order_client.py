"""Asking something of a run that nobody records: a short session of its own, and an honest answer."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

import pytest

from rig.cli import app, order_arguments
from rig.cli.commands import note as note_command
from rig.clock import SYSTEM
from rig.daemon import order_client
from rig.domain.layout_json import to_json
from rig.domain.model import EventKind
from rig.domain.orders import Order, OrderKind
from rig.errors import StoreError, UsageError
from rig.store import inbox, rundir, session_state
from rig.store.reader import RecordingState, RunReader
from rig.store.rundir import Lock, RunDir
from rig.store.writer import RunWriter
from tests.daemon.test_resume import LAYOUT


@pytest.fixture
def run(tmp_path: Path) -> RunDir:
    """Return a run with one session that was stopped in good order."""
    made = rundir.create(tmp_path, rig="room", created_ns=10**18, software="test")
    config = rundir.freeze_config(made, "rig: room\n", to_json(LAYOUT))
    writer = RunWriter(
        made, session=1, boot_id="b", boot_ns=0, utc_ns=10**18, synchronised=True, blocks=[("mains",)],
        software="test", host="test", config=config,
    )  # fmt: skip
    writer.event(EventKind.SESSION_STOP, 1, "run", "stopped", {})
    writer.close()
    return made


def test_a_note_becomes_a_session_of_its_own_and_the_run_stays_finished(run: RunDir) -> None:
    how = order_client.ask(run, OrderKind.NOTE, {"text": "fan filter cleaned", "unit": "A1", "at_ns": 5})
    assert "brief session" in how
    read = RunReader.open(run.path)
    events = [one for one in read.events() if one.session == 2]
    assert [one.kind for one in events] == [EventKind.SESSION_START, EventKind.NOTE, EventKind.SESSION_STOP]
    assert (events[1].subject, events[1].data["at_ns"]) == ("A1", 5)
    assert read.state is RecordingState.FINISHED
    assert read.layout.rig == "room"
    assert list(run.folder("inbox").iterdir()) == []


def test_a_note_makes_a_run_no_longer_and_no_crash_undone(run: RunDir) -> None:
    crashed = RunWriter(
        run, session=2, boot_id="b", boot_ns=10**9, utc_ns=10**18 + 10**9, synchronised=True,
        blocks=[("mains",)], software="test", host="test", config=rundir.read_sessions(run)[1].facts.config,
    )  # fmt: skip
    crashed.event(EventKind.LIMIT_OUT, 2 * 10**9, "mains", "out", {"side": "high"})
    crashed.sync()
    before = RunReader.open(run.path)
    order_client.ask(run, OrderKind.NOTE, {"text": "the fuse was gone"})
    after = RunReader.open(run.path)
    assert after.span == before.span
    assert [one.brief for one in after.sessions] == [False, False, True]
    assert before.state is after.state is RecordingState.CRASHED
    assert after.event_summary().still_out == ("mains",)


@pytest.mark.parametrize(
    ("kind", "data", "says"),
    [
        (OrderKind.NOTE, {"text": "  "}, "the note has no text"),
        (OrderKind.NOTE, {"text": "x", "unit": "A9"}, "no position 'A9'; there are: A1"),
        (OrderKind.NOTE, {"text": "x", "at_ns": "noon"}, "expected UTC nanoseconds"),
        (OrderKind.SWAP, {"unit": "A1", "serial": "1"}, "A1 already holds serial number 1"),
        (OrderKind.SWAP, {"unit": "A1", "serial": "a\nb"}, "cannot be a serial number"),
        (OrderKind.RELOAD, {"config": "../../etc"}, "is not in the run"),
        (OrderKind.PHASE, {"to": "next"}, "no test program is running"),
    ],
)
def test_what_makes_no_sense_is_refused_in_words(
    run: RunDir, kind: OrderKind, data: dict[str, object], says: str
) -> None:
    with pytest.raises(UsageError, match=says):
        order_client.ask(run, kind, data)
    assert list(run.folder("inbox").iterdir()) == []


def test_a_reload_where_nobody_judges_is_refused(run: RunDir) -> None:
    config = rundir.freeze_config(run, "rig: other\n", to_json(LAYOUT))
    with pytest.raises(UsageError, match="no logger running"):
        order_client.ask(run, OrderKind.RELOAD, {"config": config})


def test_a_swap_is_known_to_the_next_session(run: RunDir) -> None:
    order_client.ask(run, OrderKind.SWAP, {"unit": "A1", "serial": "S77", "text": "hums"})
    order_client.ask(run, OrderKind.SWAP, {"unit": "A1", "serial": ""})
    assert session_state.read(run)[0].serials == {"A1": ""}
    swaps = [one for one in RunReader.open(run.path).events() if one.kind is EventKind.UNIT]
    assert [(one.data["before"], one.data["serial"]) for one in swaps] == [("1", "S77"), ("S77", "")]


def test_orders_that_were_left_behind_are_carried_out_with_the_next(run: RunDir) -> None:
    left = Order(
        id="20260301T130500-000000-ab", kind=OrderKind.NOTE, by="eve", asked_ns=1, data={"text": "left"}
    )
    inbox.put(run, left)
    order_client.ask(run, OrderKind.NOTE, {"text": "new"})
    notes = [one.text for one in RunReader.open(run.path).events() if one.kind is EventKind.NOTE]
    assert sorted(notes) == ["left", "new"]


def test_a_logger_that_does_not_answer_is_told_of_and_the_order_waits(
    run: RunDir, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(order_client, "PATIENCE_S", 0.2)
    with Lock(run.path / rundir.LOCK).acquire("a logger that hangs"):
        how = order_client.ask(run, OrderKind.NOTE, {"text": "x"})
    assert "no answer from the logger" in how
    assert len(inbox.waiting(run)) == 1


def test_a_run_without_any_session_knows_no_units(tmp_path: Path) -> None:
    empty = rundir.create(tmp_path, rig="room", created_ns=10**18, software="test")
    with pytest.raises(StoreError, match="has no session yet"):
        order_client.ask(empty, OrderKind.NOTE, {"text": "x"})


@pytest.mark.parametrize(
    ("command", "says"),
    [
        (["note", "RUN", "  "], "the note is empty"),
        (["note", "RUN", "hums", "--unit", "A9"], "no position 'A9' in .*; there are: A1"),
        (["note", "RUN", "hums", "--at", "2199-01-01 00:00"], "is in the future"),
        (["swap", "RUN", "A9", "7"], "no position 'A9' in .*; there are: A1"),
        (["phase", "RUN", "next"], "no logger is recording .*, so no test program is running"),
    ],
)
def test_a_slip_of_the_pen_is_refused_before_it_stands_in_the_record(
    run: RunDir, command: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = len(RunReader.open(run.path).events())
    assert app.main([str(run.path) if word == "RUN" else word for word in command]) == 2
    assert re.search(says, capsys.readouterr().err)
    assert len(RunReader.open(run.path).events()) == before


def test_the_command_takes_a_moment_in_any_zone(run: RunDir) -> None:
    parser = argparse.ArgumentParser()
    note_command.arguments(parser)
    args = parser.parse_args([str(run.path), "x", "--at", "2026-03-01T14:05+01:00"])
    code, _ = note_command.run(args)
    assert code == 0
    (event,) = [one for one in RunReader.open(run.path).events() if one.kind is EventKind.NOTE]
    assert event.data["at_ns"] == order_arguments.moment_ns("2026-03-01T13:05Z") == 1_772_370_300_000_000_000
    with pytest.raises(UsageError, match="is not a time"):
        order_arguments.moment_ns("yesterday")
    assert 0 <= SYSTEM.utc_ns() - order_arguments.moment_ns("15:06") < 25 * 3600 * 10**9
