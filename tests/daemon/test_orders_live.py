"""Notes, swaps, reloads and switching off on the real logger and the simulated room's real ports."""

from __future__ import annotations

import re
import signal
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from rig.domain.model import EventKind
from rig.endurance.exposure import exposures
from rig.forensics import analyse
from rig.simulator import running_room
from rig.store import session_state
from rig.store.rundir import open_run
from rig.store.verify import verify
from tests.daemon.live import Logger, no_logger_left, soakrig

__all__ = ["no_logger_left"]
pytestmark = pytest.mark.slow


@pytest.fixture
def quiet(tmp_path: Path) -> Iterator[running_room.RunningRoom]:
    with running_room.running(tmp_path / "room", scenario="quiet", seed=5, units=3, poll_s=0.4) as running:
        yield running


def test_a_note_a_swap_and_other_limits_reach_a_running_logger(quiet: running_room.RunningRoom) -> None:
    logger = Logger(quiet.rig_file)
    logger.until_scans(30)
    at = "2026-03-01T13:05:00Z"
    said = soakrig("note", logger.runs, "touched the fan of A2", "--unit", "A2", "--at", at)
    assert said.returncode == 0, said.stderr
    assert "recorded by the logger" in said.stdout
    note = logger.until_event(EventKind.NOTE, "A2")
    assert note.text == "touched the fan of A2"
    assert note.data["at_ns"] == 1_772_370_300_000_000_000
    assert "@" in note.data["by"]

    said = soakrig("swap", logger.runs, "A2", "S0077", "--note", "hums")
    assert said.returncode == 0, said.stderr
    swap = logger.until_event(EventKind.UNIT, "A2")
    assert (swap.data["before"], swap.data["serial"]) == ("S0002", "S0077")

    other = quiet.rig_file.with_name("other.yaml")
    text = quiet.rig_file.read_text("utf-8")
    other.write_text(
        text.replace("high: 95 degC", "high: 60 degC").replace("early-high: 88 degC, ", ""), "utf-8"
    )
    said = soakrig("reload", logger.runs, other, "--note", "to see it leave")
    assert said.returncode == 0, said.stderr
    change = logger.until_event(EventKind.CONFIG_CHANGE)
    assert {one["channel"] for one in change.data["changes"]} == {f"A{n}.heatsink" for n in (1, 2, 3)}
    assert change.data["reason"] == "to see it leave"
    # the room's heatsinks run at about 80 degC: only the new limit is left
    out = logger.until_event(EventKind.LIMIT_OUT, "A1.heatsink")
    assert out.data["limit"] == 60.0
    assert out.seq > change.seq

    assert logger.stop() == 0
    assert list((logger.run / "inbox").iterdir()) == []
    events = logger.recorded().events()
    orders = [one.data["order"] for one in events if "order" in one.data]
    assert len(orders) == len(set(orders)) == 3
    # hours follow the serial number, not the position
    run = logger.recorded()
    mine = [one for one in exposures(run) if one.unit == "A2"]
    assert [one.serial for one in mine] == ["S0002", "S0077"]
    assert mine[0].end_ns == mine[1].start_ns == swap.t_ns
    # and a post-mortem by the limits that stood at the time: none was crossed, one was moved past readings
    hot = next(one for one in analyse(run, "A1").channels if one.channel == "A1.heatsink")
    assert [(one.limit, one.moved) for one in hot.excursions] == [(60.0, True)]


def test_incidents_and_a_swap_after_the_fact_reach_a_running_logger(
    quiet: running_room.RunningRoom, tmp_path: Path
) -> None:
    logger = Logger(quiet.rig_file)
    logger.until_scans(30)
    said = soakrig("incident", logger.runs, "--open", "A2", "--note", "hums")
    assert said.returncode == 0, said.stderr
    assert said.stdout.startswith("incident 1 of A2: recorded by the logger")
    photo = tmp_path / "board.jpg"
    photo.write_bytes(b"photo")
    words = ["--close", "non-relevant", "--cause", "rig", "--note", "loose connector"]
    words += ["--attach", str(photo)]
    said = soakrig("incident", logger.runs, "1", *words)
    assert said.returncode == 0, said.stderr
    entry = logger.until_event(EventKind.INCIDENT, "A2", what="entry")
    assert (entry.data["relevance"], entry.text) == ("non-relevant", "loose connector")
    assert "non-relevant, rig" in soakrig("incident", logger.runs).stdout

    started = next(one for one in logger.events if one.kind is EventKind.SESSION_START)
    moment = datetime.fromtimestamp(started.t_ns / 1e9 + 2, UTC).isoformat()
    said = soakrig("swap", logger.runs, "A2", "S0077", "--at", moment)
    assert said.returncode == 0, said.stderr
    swap = logger.until_event(EventKind.UNIT, "A2")
    assert abs(swap.data["at_ns"] - started.t_ns - 2e9) < 1e6
    said = soakrig("swap", logger.runs, "A2", "S0078", "--at", moment)
    assert said.returncode == 2
    assert "contradicts the record" in said.stderr
    assert logger.stop() == 0
    run = logger.recorded()
    mine = [one for one in exposures(run) if one.unit == "A2"]
    assert [one.serial for one in mine] == ["S0002", "S0077"]
    assert mine[0].end_ns == swap.data["at_ns"] < swap.t_ns
    assert verify(logger.run).faults == ()


def test_the_limits_of_an_empty_place_sleep_from_the_start_of_a_session_until_somebody_is_put_in(
    quiet: running_room.RunningRoom,
) -> None:
    first = Logger(quiet.rig_file)
    first.until_scans(5)
    assert first.stop() == 0
    assert soakrig("swap", first.runs, "A3", "").returncode == 0
    text = quiet.rig_file.read_text("utf-8")
    low = text.replace("high: 95 degC", "high: 60 degC").replace("early-high: 88 degC, ", "")
    quiet.rig_file.write_text(low, "utf-8")
    logger = Logger(quiet.rig_file)
    logger.until_event(EventKind.LIMIT_OUT, "A1.heatsink")
    logger.until_scans(20)
    assert not [e for e in logger.events if e.kind is EventKind.LIMIT_OUT and e.subject == "A3.heatsink"]
    assert soakrig("swap", logger.runs, "A3", "S0099").returncode == 0
    logger.until_event(EventKind.LIMIT_OUT, "A3.heatsink")
    assert soakrig("swap", logger.runs, "A3", "").returncode == 0
    ended = logger.until_event(EventKind.LIMIT_IN, "A3.heatsink")
    assert ended.data["cause"] == "limit taken away"
    assert logger.stop() == 0
    begun = [e for e in logger.recorded().events() if e.kind is EventKind.SESSION_START and not e.brief]
    assert [e.data["left_open"] for e in begun] == [[], []]


def test_a_session_names_what_the_one_before_left_open_and_says_it_again(
    quiet: running_room.RunningRoom,
) -> None:
    text = quiet.rig_file.read_text("utf-8")
    low = text.replace("high: 95 degC", "high: 60 degC").replace("early-high: 88 degC, ", "")
    quiet.rig_file.write_text(low, "utf-8")
    first = Logger(quiet.rig_file)
    first.until_event(EventKind.LIMIT_OUT, "A1.heatsink")
    assert first.stop(signal.SIGKILL) == -signal.SIGKILL
    again = Logger(quiet.rig_file)
    again.until(
        lambda: any(e.session == 2 and e.data.get("again") for e in again.events), "the excursion said again"
    )
    assert again.stop() == 0
    run = again.recorded()
    (start,) = [e for e in run.events() if e.kind is EventKind.SESSION_START and e.session == 2]
    assert ["A1.heatsink", "high"] in start.data["left_open"]
    assert run.event_summary().excursions("A1.heatsink") == 1


def test_what_makes_no_sense_is_refused_with_the_reason_and_recorded(quiet: running_room.RunningRoom) -> None:
    logger = Logger(quiet.rig_file)
    logger.until_scans(10)
    said = soakrig("swap", logger.runs, "A9", "S0077")
    assert said.returncode == 2
    assert "no position 'A9'" in said.stderr
    said = soakrig("swap", logger.runs, "A1", "S0002")
    assert "serial number S0002 is recorded in A2" in said.stderr
    text = quiet.rig_file.read_text("utf-8")
    other = quiet.rig_file.with_name("other.yaml")
    other.write_text(text.replace("poll: 400 ms", "poll: 800 ms"), "utf-8")
    said = soakrig("reload", logger.runs, other)
    assert said.returncode == 2
    assert "instruments" in said.stderr
    (logger.run / "inbox" / "00000000-garbage.json").write_bytes(b"{\xff")
    logger.until_event(EventKind.NOTE, refused="00000000-garbage.json")
    assert logger.stop() == 0
    assert [one.kind for one in logger.recorded().events()].count(EventKind.UNIT) == 0


def test_without_a_logger_an_order_is_recorded_in_a_session_of_its_own(
    quiet: running_room.RunningRoom,
) -> None:
    logger = Logger(quiet.rig_file)
    logger.until_scans(10)
    assert logger.stop(signal.SIGKILL) == -signal.SIGKILL
    said = soakrig("swap", logger.runs, "A1", "S0088")
    assert said.returncode == 0, said.stderr
    assert "brief session" in said.stdout
    events = logger.recorded().events()
    kinds = [one.kind for one in events if one.session == 2]
    assert kinds == [
        EventKind.SESSION_BROKEN,
        EventKind.SESSION_START,
        EventKind.UNIT,
        EventKind.SESSION_STOP,
    ]
    # the rig file still says S0001; the record says S0088, and keeps saying so
    again = Logger(quiet.rig_file)
    again.until(lambda: any(scan.session == 3 for scan in again.scans), "readings of session 3")
    assert again.stop() == 0
    assert [one for one in again.recorded().events() if one.kind is EventKind.UNIT and one.session == 3] == []
    assert session_state.read(open_run(again.run))[0].serials["A1"] == "S0088"


def test_a_serial_number_changed_in_the_rig_file_is_a_recorded_swap(quiet: running_room.RunningRoom) -> None:
    logger = Logger(quiet.rig_file)
    logger.until_scans(5)
    assert logger.stop() == 0
    text = quiet.rig_file.read_text("utf-8")
    quiet.rig_file.write_text(text.replace('serial: "S0003"', 'serial: "S0033"'), "utf-8")
    again = Logger(quiet.rig_file)
    swap = again.until_event(EventKind.UNIT, "A3")
    assert (swap.data["before"], swap.data["serial"]) == ("S0003", "S0033")
    assert again.stop() == 0


def test_an_order_left_by_a_logger_that_died_is_carried_out_once(quiet: running_room.RunningRoom) -> None:
    """Killed again and again around the moment of an order, each order is in the record exactly once."""
    logger = Logger(quiet.rig_file)
    logger.until_scans(5)
    for number in range(3):
        before = len(list((logger.run / "journal").iterdir()))
        assert before
        name = f"2026030{number}T000000-000000-abcdef0{number}"
        slip = logger.run / "inbox" / f"{name}.json"
        slip.with_suffix(".part").write_text(
            f'{{"soakrig": "order", "format": 1, "id": "{name}", "deed": "note", "by": "test", '
            f'"asked_ns": 1, "data": {{"text": "note {number}"}}}}'
        )
        slip.with_suffix(".part").rename(slip)
        time.sleep(0.3 + 0.4 * number)
        logger.stop(signal.SIGKILL)
        logger = Logger(quiet.rig_file)
        logger.until_scans(1)
    logger.until(lambda: not list((logger.run / "inbox").glob("*.json")), "empty inbox")
    assert logger.stop() == 0
    notes = [one.text for one in logger.recorded().events() if one.kind is EventKind.NOTE]
    assert sorted(notes) == ["note 0", "note 1", "note 2"]


def with_switches(text: str, *, coil: str = "coil {at} off") -> str:
    """Return a room's rig file whose units are switched off by their contactor on a hot heatsink."""
    for at in range(3):
        command = coil.format(at=at)
        block = (
            f'switch-off: {{instrument: intake, commands: ["{command}"], tries: 2, '
            f"confirm: {{channel: A{at + 1}.supply, below: 50 mA, within: 2 s}}}}"
        )
        text, count = re.subn(rf'(serial: "S000{at + 1}", )', rf"\1{block}, ", text)
        assert count == 1
    return text.replace("high: 95 degC", "high: 95 degC, trip: yes")


def test_a_unit_that_trips_is_switched_off_and_the_readback_confirms_it(tmp_path: Path) -> None:
    with running_room.running(tmp_path / "room", scenario="fan-failure", seed=3, units=3) as hot:
        hot.rig_file.write_text(with_switches(hot.rig_file.read_text("utf-8")), "utf-8")
        logger = Logger(hot.rig_file)
        ordered = logger.until_event(EventKind.SWITCH, what="ordered", patience_s=60)
        sent = logger.until_event(EventKind.SWITCH, what="sent")
        confirmed = logger.until_event(EventKind.SWITCH, what="confirmed")
        victim = ordered.subject
        out = next(e for e in logger.events if e.kind is EventKind.LIMIT_OUT and e.data.get("trip"))
        assert out.subject == f"{victim}.heatsink"
        assert out.seq < ordered.seq < sent.seq < confirmed.seq
        assert "no protection" in ordered.data["caution"]
        assert logger.stop() == 0
        hot.end()
        truth = hot.truth()
        assert any(h["text"] == "contactor opens" and h["subject"] == victim for h in truth["happenings"])


def test_a_unit_that_cannot_be_switched_off_is_tried_again_and_told(tmp_path: Path) -> None:
    with running_room.running(tmp_path / "room", scenario="fan-failure", seed=3, units=3) as hot:
        # there is no coil 40: the instrument refuses with an exception
        hot.rig_file.write_text(
            with_switches(hot.rig_file.read_text("utf-8"), coil="coil 4{at} off"), "utf-8"
        )
        logger = Logger(hot.rig_file)
        logger.until_event(EventKind.SWITCH, what="refused", patience_s=60)
        failed = logger.until_event(EventKind.SWITCH, what="failed")
        tries = [e.data["attempt"] for e in logger.events if e.data.get("what") == "ordered"]
        assert tries == [1, 2]
        assert "somebody must go there" in failed.text
        assert logger.stop() == 0
