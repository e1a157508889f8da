"""One word per state of a unit, and what events make of it."""

from __future__ import annotations

import pytest

from rig.domain.model import EventKind
from rig.domain.operating_state import OperatingState
from rig.view.row_tables import state_cell
from rig.view.snapshot import UnitView
from rig.view.state_words import StateWord
from tests.view.rooms import START, Feeder
from tests.view.unit_rooms import driven_room, failed_room, signalled, state


def unit(feeder: Feeder, name: str, at_s: float) -> UnitView:
    return next(one for one in feeder.picture(at_s).units if one.name == name)


@pytest.mark.parametrize(
    ("name", "cause", "certainty", "word"),
    [
        ("failed", "note", "certain", "FAILED"),
        ("failed", "unknown", "likely", "FAILED?"),
        ("failed", "unknown", "possible", "FAILED?"),
        ("unpowered", "order", "certain", "TRIPPED"),
        ("unpowered", "note", "likely", "OFF"),
        ("unpowered", "mains", "certain", "NO MAINS"),
        ("unpowered", "unknown", "certain", "OFF?"),
        ("muted", "", "certain", "MUTED"),
        ("idle", "", "certain", "idle"),
        ("driven", "", "certain", "driven"),
        ("absent", "", "certain", "absent"),
        ("unobserved", "", "certain", "not read"),
    ],
)
def test_each_recorded_state_has_its_word(name: str, cause: str, certainty: str, word: str) -> None:
    feeder = driven_room()
    state(feeder, "A2", name, 5.0, cause, certainty, since=(3.0, 4.0))
    shown = unit(feeder, "A2", 6.0)
    assert shown.word is not None
    assert state_cell(shown.word).text == word
    assert shown.state is not None
    assert (shown.state.serial, shown.state.since_ns) == ("0018", START + 4_000_000_000)


def test_no_two_states_share_a_word_and_each_fits_its_column() -> None:
    assert len({one.value for one in StateWord}) == len(StateWord)
    assert max(len(one.value) for one in StateWord) <= 8


def test_nothing_is_said_of_a_unit_of_which_no_state_is_recorded_nor_of_one_that_is_not_understood() -> None:
    feeder = Feeder(signalled())
    feeder.everything(1.0)
    assert unit(feeder, "A2", 1.5).state is None
    state(feeder, "A2", "driven", 2.0)
    feeder.event(EventKind.STATE, 3.0, "A2", "of a later version", state="levitating", serial="0018")
    feeder.event(EventKind.STATE, 3.0, "nobody", "no unit of this room", state="failed", serial="1")
    assert unit(feeder, "A2", 3.5).word is StateWord.DRIVEN


def test_a_swap_leaves_nothing_of_the_unit_before() -> None:
    feeder = failed_room()
    feeder.event(EventKind.UNIT, 50.0, "A2", "swapped", serial="0099", before="0018")
    shown = unit(feeder, "A2", 51.0)
    assert (shown.word, shown.first_out) == (StateWord.NOT_READ, ())
    feeder.event(EventKind.UNIT, 60.0, "A2", "taken out", serial="", before="0099")
    assert unit(feeder, "A2", 61.0).word is StateWord.ABSENT


def test_failed_then_tripped_then_unexplained_stand_first_and_then_the_worst_channel_decides() -> None:
    feeder = driven_room()
    state(feeder, "A1", "unpowered", 5.0, "note")
    state(feeder, "A2", "unpowered", 5.0, "unknown")
    state(feeder, "A3", "unpowered", 5.0, "order")
    state(feeder, "A5", "failed", 5.0, "unknown", "likely")
    state(feeder, "A6", "failed", 5.0, "note")
    feeder.everything(6.0, {"A4.heatsink": 99.0})
    feeder.out("A4.heatsink", 6.0)
    order = [one.name for one in feeder.picture(9.0).units if one.name != "room"]
    assert order == ["A6", "A5", "A3", "A2", "A4", "A1"]


def test_only_changes_that_somebody_should_know_of_are_marked_among_the_events() -> None:
    feeder = driven_room(2)
    state(feeder, "A1", "idle", 5.0)
    state(feeder, "A2", "failed", 6.0, "unknown", "likely")
    marked = [one.subject for one in feeder.picture(7.0).events if one.trouble]
    assert marked == ["A2"]


def test_channels_of_a_unit_whose_limits_sleep_have_no_margin_and_are_not_called_ok() -> None:
    feeder = driven_room()
    state(feeder, "A2", "absent", 5.0)
    shown = unit(feeder, "A2", 41.0)
    limited = shown.channels
    assert {one.condition.value for one in limited} == {"unjudged"}
    assert all(one.margin is None and one.asleep for one in limited)
    assert shown.state is not None
    assert shown.state.state is OperatingState.ABSENT


def test_the_high_limits_of_a_failed_unit_hold() -> None:
    shown = {one.quantity: one for one in unit(failed_room(), "A2", 41.0).channels}
    assert shown["heatsink"].margin is not None
    assert shown["heatsink"].condition.value == "ok"


def test_while_a_unit_idles_only_the_low_limits_of_output_and_supply_sleep() -> None:
    feeder = driven_room()
    state(feeder, "A2", "idle", 5.0)
    shown = {one.quantity: one for one in unit(feeder, "A2", 6.0).channels}
    assert shown["heatsink"].condition.value == "ok"
    assert shown["heatsink"].margin is not None
    assert shown["output"].margin is not None  # its high limit holds
