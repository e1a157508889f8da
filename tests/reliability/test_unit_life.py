"""The life of a serial number is what the runs hold on it, and nothing of any other serial number."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from rig.domain.accounting import LevelPlan
from rig.domain.model import EventKind, Layout, Signals
from rig.domain.operating_state import Certainty, OperatingState
from rig.fleet.run_questions import LifeQuestion, answered
from rig.reliability.unit_life import NEAR, SerialTrace, UnitLife, near, unit_life
from tests.recorder import UTC_NS, Recorder, S, channel, layout

ON = {"mains": 230.0, "level": 1.0}
RUNS = {"supply": 1.0, "volts": 20.0}
"""A unit that is powered and gives output."""
MUTE = {"supply": 0.1, "volts": 0.0}
OFF = {"supply": 0.0, "volts": 0.0}


def room(revisions: Mapping[str, Mapping[str, str]] | None = None, serials: str = "00A1 00A2") -> Layout:
    """Return two places with all signals; revisions: by place."""
    channels = [channel("mains", measure="V"), channel("level", measure="V")]
    for unit in ("A1", "A2"):
        channels += [channel(f"{unit}.supply", measure="A"), channel(f"{unit}.volts", measure="V")]
    plan = layout(*channels)
    units = {
        name: replace(
            unit,
            serial=serial,
            revision=(revisions or {}).get(name, {}),
            signals=Signals(
                mains=LevelPlan(channel="mains", on_above=150.0, off_below=100.0),
                supply=LevelPlan(channel=f"{name}.supply", on_above=0.05, off_below=0.03),
                output=LevelPlan(channel=f"{name}.volts", on_above=5.0, off_below=3.0),
                drive=LevelPlan(channel="level", on_above=0.5, off_below=0.3),
                failed_after_s=60.0,
                idle_after_s=30.0,
            ),
        )
        for (name, unit), serial in zip(plan.units.items(), serials.split(), strict=True)
    }
    return replace(plan, units=units)


def lasts(recorder: Recorder, seconds: int, a1: Mapping[str, float] = RUNS, **more: float) -> None:
    """Record for so long; A2 runs all the time."""
    values: dict[str, Any] = {**ON, **more}
    values |= {f"A1.{name}": value for name, value in a1.items()}
    values |= {f"A2.{name}": value for name, value in RUNS.items()}
    for _ in range(seconds):
        recorder.scan(values)


def traced(serial: str, *recorders: Recorder) -> list[SerialTrace]:
    found = []
    for one in recorders:
        answer = answered(LifeQuestion(serial), str(one.finish().path))
        assert answer.value is not None, answer.error
        found.append(answer.value)
    return found


def life(serial: str, *recorders: Recorder) -> UnitLife:
    found = unit_life(serial, traced(serial, *recorders))
    assert found is not None
    return found


def test_hours_by_state_are_those_of_the_recipe_and_add_up(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path, room())
    lasts(recorder, 100)
    lasts(recorder, 100, MUTE, level=0.0)
    lasts(recorder, 50)
    found = life("00A1", recorder)
    states = found.states
    assert states["driven"].hours * 3600 == pytest.approx(150, abs=2)
    assert states["driven"].stretches == 2
    assert states["driven"].longest_h * 3600 == pytest.approx(100, abs=2)
    assert states["idle"].hours * 3600 == pytest.approx(100, abs=2)
    whole_s = sum(one.hours for one in states.values()) * 3600
    assert whole_s == pytest.approx(found.stays[0].installation.installed_h * 3600, abs=0.01)
    assert found.stays[0].last_state == "driven"
    assert found.failures == ()


def test_a_suspected_failure_stands_with_its_bounds_and_how_sure_it_is(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path, room())
    lasts(recorder, 100)
    lasts(recorder, 100, MUTE)
    [sign] = life("00A1", recorder).failures
    assert (sign.source, sign.certainty, sign.retracted) == ("suspected", Certainty.LIKELY, False)
    assert UTC_NS + 98 * S <= sign.earliest_ns <= sign.latest_ns <= UTC_NS + 101 * S


def test_one_that_turned_out_to_be_none_says_so_and_counts_as_muted(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path, room())
    lasts(recorder, 100)
    lasts(recorder, 100, MUTE)
    lasts(recorder, 100)
    found = life("00A1", recorder)
    assert [one.retracted for one in found.failures] == [True]
    assert "failed" not in found.states
    assert found.states["muted"].hours * 3600 == pytest.approx(100, abs=2)


def test_a_failure_that_a_person_noted_is_certain_and_is_a_note_too(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path, room())
    lasts(recorder, 60)
    recorder.event(EventKind.NOTE, "A1", "smoke from the output stage", died=True, unit="A1")
    lasts(recorder, 30, OFF)
    found = life("00A1", recorder)
    [sign] = found.failures
    assert (sign.source, sign.certainty) == ("noted", Certainty.CERTAIN)
    assert abs(sign.latest_ns - (UTC_NS + 60 * S)) < S
    assert found.history.died is not None
    assert [one.text for one in found.events] == ["smoke from the output stage"]


def test_swaps_and_notes_are_those_of_the_serial_number_and_not_of_the_place(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path, room())
    lasts(recorder, 30)
    recorder.event(EventKind.NOTE, "A1", "hums", unit="A1")
    recorder.event(EventKind.NOTE, "A2", "another unit", unit="A2")
    recorder.event(EventKind.NOTE, "run", "the room")
    recorder.wait(1.0)
    recorder.swap("A1", "0099")
    lasts(recorder, 30)
    recorder.event(EventKind.NOTE, "A1", "the new one is quiet", unit="A1")
    lasts(recorder, 5)
    old, new = traced("00A1", recorder), answered(LifeQuestion("0099"), str(recorder.run.path)).value
    assert new is not None
    assert [one.text for one in old[0].events] == [
        "hums",
        "A1: serial number 0099 in place of 00A1 (test)",
    ]
    assert [one.text for one in new.events] == [
        "A1: serial number 0099 in place of 00A1 (test)",
        "the new one is quiet",
    ]
    first, second = unit_life("00A1", old), unit_life("0099", [new])
    assert first is not None
    assert second is not None
    assert first.stays[0].installation.end_ns <= second.stays[0].installation.start_ns
    assert second.stays[0].installation.installed_h * 3600 == pytest.approx(35, abs=2)


def test_a_revision_is_the_one_of_the_serial_number_that_the_rig_file_gives(tmp_path: Path) -> None:
    """A rig file says nothing of a unit that was put in by a swap, whatever stands at the place."""
    recorder = Recorder(tmp_path, room({"A1": {"bom": "C1"}}))
    lasts(recorder, 20)
    recorder.swap("A1", "0099")
    lasts(recorder, 20)
    [trace] = traced("00A1", recorder)
    other = answered(LifeQuestion("0099"), str(recorder.run.path)).value
    assert [dict(one.keys) for one in trace.revisions] == [{"bom": "C1"}]
    assert other is not None
    assert other.revisions == ()
    swapped = unit_life("0099", [other])
    assert swapped is not None
    assert swapped.unstated == ("run",)


def test_a_revision_that_changed_between_sessions_and_runs_is_told_newest_first(tmp_path: Path) -> None:
    one = Recorder(tmp_path, room({"A1": {"bom": "C1"}}), "one")
    lasts(one, 20)
    one.crash(room({"A1": {"bom": "C2"}}))
    lasts(one, 20)
    two = Recorder(tmp_path, room({"A1": {"bom": "C2"}}), "two", begins_s=1000.0)
    lasts(two, 20)
    three = Recorder(tmp_path, room({"A1": {"bom": "C2", "firmware": "1.4"}}), "three", begins_s=2000.0)
    lasts(three, 20)
    found = life("00A1", three, one, two)
    assert [(one.run, dict(one.keys)) for one in found.revisions] == [
        ("three", {"bom": "C2", "firmware": "1.4"}),
        ("one", {"bom": "C2"}),
        ("one", {"bom": "C1"}),
    ]
    assert found.unstated == ()
    assert [stay.facts.name for stay in found.stays] == ["three", "two", "one"]


def test_hours_of_all_runs_add_up_and_a_run_found_twice_counts_once(tmp_path: Path) -> None:
    one, two = Recorder(tmp_path, room(), "one"), Recorder(tmp_path, room(), "two", begins_s=1000.0)
    lasts(one, 60)
    lasts(two, 40)
    both = traced("00A1", one, two)
    again = answered(LifeQuestion("00A1"), str(one.run.path)).value
    assert again is not None
    found = unit_life("00A1", [*both, again])
    assert found is not None
    assert len(found.stays) == 2
    assert found.states["driven"].hours * 3600 == pytest.approx(100, abs=3)
    assert found.together == ()


def test_a_serial_number_in_two_places_at_once_is_told(tmp_path: Path) -> None:
    one, two = (
        Recorder(tmp_path, room(), "one"),
        Recorder(tmp_path, room(serials="0100 00A1"), "two", begins_s=20.0),
    )
    lasts(one, 60)
    lasts(two, 60)
    [words] = life("00A1", one, two).together
    assert "recorded in one (A1) and in two (A2) at the same time" in words


def test_one_that_is_nowhere_has_no_life_and_its_likes_are_named(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path, room(serials="0101 0102"))
    lasts(recorder, 5)
    found = traced("0103", recorder)
    assert unit_life("0103", found) is None
    assert near("0103", found) in {"near ones: 0102, 0101", "near ones: 0101, 0102"}
    assert near("XYZ", found) == "none is near it; there are: 0101, 0102"
    many = SerialTrace(serials=tuple(f"S{n}" for n in range(NEAR + 1)))
    assert near("XYZ", [many]).endswith("S4, ...")


def test_every_state_stands_in_the_order_of_the_states(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path, room())
    lasts(recorder, 40)
    lasts(recorder, 60, OFF, mains=0.0)
    lasts(recorder, 60, MUTE, level=0.0)
    states = list(life("00A1", recorder).states)
    assert {"driven", "unpowered", "idle"} <= set(states)
    assert states == [one.value for one in OperatingState if one.value in states]
