"""Alerts from operating states: what a failure, its retraction and a loss of power are sent as."""

from __future__ import annotations

from typing import Any

import pytest

from rig.alerts.alarms import Alarms
from rig.alerts.facts import Fact
from rig.domain.model import Event, EventKind
from rig.rigfile.alerts_section import Alerts
from tests.alerts.makers import INPUTS, Story, at, layout


def alarms(**words: float) -> Alarms:
    return Alarms(Alerts(**words), layout(), INPUTS)  # type: ignore[arg-type]


def state(story: Story, at_s: float, unit: str, state: str, text: str = "", **data: Any) -> Event:
    usual: dict[str, Any] = {
        "serial": "017", "state": state, "before": "driven", "cause": "", "certainty": "likely",
        "earliest_ns": at(at_s - 60), "latest_ns": at(at_s), "evidence": [], "retracts": False,
    }  # fmt: skip
    return story.event(EventKind.STATE, at_s, unit, text, **{**usual, **data})


def wanted(facts: list[Fact]) -> list[Fact]:
    return [fact for fact in facts if fact.category != "states"]


def test_a_suspected_failure_is_sent_with_since_when_why_and_who_goes_on() -> None:
    rules, story = alarms(), Story()
    for unit in ("A1", "A2"):
        rules.take(state(story, 0, unit, "driven"))
    text = "A2 failed: no output for 60 s while driven"
    [fact] = rules.take(state(story, 100, "A2", "failed", text, evidence=["A2.volts below 3 V"]))
    assert fact.headline == "A2 FAILED (likely)"
    assert fact.detail == (text, "evidence: A2.volts below 3 V")
    assert (fact.category, fact.severity, fact.group) == ("failed", "failed", "A2")
    assert (fact.since_ns, fact.t_ns) == (at(40), at(100))
    assert fact.look == "unit A2 (serial 017, load 8 ohm resistor)"
    assert fact.goes_on == ("A1",)
    assert fact.first_out is None  # nothing left its limits


def test_how_many_go_on_is_left_out_while_a_state_is_not_known() -> None:
    rules, story = alarms(), Story()
    [fact] = rules.take(state(story, 100, "A2", "failed"))
    assert fact.goes_on is None
    rules.take(state(story, 101, "A1", "unobserved"))
    assert rules.states.going_on(layout(), "A2") is None
    for other, expected in (("idle", ("A1",)), ("driven", ("A1",)), ("muted", ()), ("failed", ())):
        rules.take(state(story, 102, "A1", other))
        assert rules.states.going_on(layout(), "A2") == expected


@pytest.mark.parametrize("kind", [EventKind.SESSION_START, EventKind.UNIT])
def test_a_state_from_before_a_restart_or_a_swap_is_not_known(kind: EventKind) -> None:
    rules, story = alarms(), Story()
    rules.take(state(story, 0, "A1", "driven"))
    rules.take(story.event(kind, 1, "run" if kind is EventKind.SESSION_START else "A1"))
    assert rules.states.going_on(layout(), "A2") is None


def test_a_note_that_a_suspected_unit_died_is_sent_once_as_certain() -> None:
    rules, story = alarms(), Story()
    rules.take(state(story, 100, "A2", "failed"))
    assert rules.take(state(story, 110, "A2", "failed", certainty="possible")) == []
    [fact] = rules.take(state(story, 200, "A2", "failed", certainty="certain", cause="note"))
    assert (fact.what, fact.headline, fact.since_ns) == ("worse", "A2 FAILED", at(40))
    assert rules.take(state(story, 300, "A2", "failed", certainty="certain")) == []


def test_a_retracted_suspicion_is_sent_and_the_next_failure_is_a_new_one() -> None:
    rules, story = alarms(), Story()
    rules.take(state(story, 100, "A2", "failed"))
    [fact] = wanted(rules.take(state(story, 130, "A2", "driven", retracts=True)))
    assert fact.headline == "A2 goes on: output came back"
    assert (fact.category, fact.severity, fact.what, fact.passes) == ("failed", "retracted", "over", True)
    assert fact.detail[0] == "was: A2 FAILED (likely)"
    [again] = rules.take(state(story, 900, "A2", "failed"))
    assert again.what == "new"


def test_a_note_that_explains_the_loss_of_output_is_a_retraction_in_its_words() -> None:
    rules, story = alarms(), Story()
    rules.take(state(story, 100, "A2", "failed"))
    text = "A2 switched off by note"
    [fact] = wanted(rules.take(state(story, 130, "A2", "unpowered", text, retracts=True, cause="note")))
    assert fact.headline == "A2 did not fail: A2 switched off by note"


def test_what_was_never_sent_is_not_retracted() -> None:
    rules, story = alarms(), Story()
    rules.take(state(story, 100, "A2", "failed"))
    rules.begin_quietly()  # the past of a run seen for the first time
    assert wanted(rules.take(state(story, 130, "A2", "driven", retracts=True))) == []
    assert rules.open == {}


def test_a_failed_unit_that_is_taken_out_ends_its_alarm_without_a_message() -> None:
    rules, story = alarms(), Story()
    rules.take(state(story, 100, "A2", "failed"))
    assert wanted(rules.take(state(story, 200, "A2", "unpowered", cause="order"))) == []
    assert "failed:A2:" in rules.open
    assert wanted(rules.take(state(story, 300, "A2", "absent"))) == []
    assert "failed:A2:" not in rules.open


def test_a_failure_is_not_over_by_itself_and_is_repeated_where_that_is_wanted() -> None:
    rules, story = alarms(settle_s=60, repeat_s=3600), Story()
    rules.take(state(story, 100, "A2", "failed"))
    assert rules.tick(at(3699)) == []
    assert [(fact.what, fact.headline) for fact in rules.tick(at(3700))] == [("still", "A2 FAILED (likely)")]


def test_power_lost_for_no_known_reason_is_sent_once_while_it_flaps() -> None:
    rules, story = alarms(), Story()
    [fact] = rules.take(state(story, 0, "A2", "unpowered", "A2 lost power", cause="unknown"))
    assert (fact.category, fact.severity) == ("switching", "unpowered")
    assert rules.take(state(story, 60, "A2", "unpowered", "A2 lost power", cause="unknown")) == []


def test_power_lost_with_the_mains_passes_unless_the_mains_alarm_says_it_already() -> None:
    rules, story = alarms(), Story()
    [fact] = rules.take(state(story, 0, "A1", "unpowered", "A1 without mains", cause="mains"))
    assert (fact.category, fact.severity, fact.passes) == ("switching", "supply", True)
    rules.take(story.out(10, channel="mains", side="low"))
    assert rules.take(state(story, 11, "A2", "unpowered", "A2 without mains", cause="mains")) == []


def test_power_taken_by_order_after_a_trip_is_part_of_the_trip() -> None:
    rules, story = alarms(), Story()
    data: dict[str, Any] = {"side": "high", "limit": 95.0, "value": 99.0, "unit": "degC", "trip": True}
    [trip] = rules.take(story.event(EventKind.LIMIT_OUT, 0, "A2.heatsink", **data))
    assert trip.severity == "trip"
    assert rules.take(state(story, 5, "A2", "unpowered", cause="order")) == []
    [other] = rules.take(state(story, 6, "A1", "unpowered", cause="order"))
    assert other.category == "states"


@pytest.mark.parametrize("name", ["absent", "idle", "driven", "muted", "unobserved"])
def test_every_other_change_is_for_those_who_asked_for_states(name: str) -> None:
    [fact] = alarms().take(state(Story(), 0, "A2", name))
    assert (fact.category, fact.severity, fact.passes) == ("states", "run", False)


def test_a_trip_is_sent_where_its_limit_was_out_already() -> None:
    rules, story = alarms(), Story()
    rules.take(story.out(0))
    data: dict[str, Any] = {"side": "high", "limit": 98.0, "value": 99.0, "unit": "degC", "trip": True}
    [fact] = rules.take(story.event(EventKind.LIMIT_OUT, 60, "A1.heatsink", **data))
    assert (fact.what, fact.severity) == ("worse", "trip")


def test_an_action_of_the_test_program_is_sent_as_one() -> None:
    story = Story()
    text = "ACTION: set mains to 248 V; caution: mains voltage kills, a variac does not isolate"
    [fact] = alarms().take(story.event(EventKind.PHASE, 0, "high", text, action=True))
    assert (fact.category, fact.severity, fact.headline) == ("action", "action", text)


def test_a_state_whose_data_are_not_what_they_should_be_still_gives_an_alert() -> None:
    odd: dict[str, Any] = {"state": "failed", "evidence": 3, "earliest_ns": True, "certainty": None}
    [fact] = alarms().take(Story().event(EventKind.STATE, 50, "nobody", "it failed", **odd))
    assert (fact.headline, fact.since_ns) == ("nobody FAILED (likely)", at(50))
    assert wanted(alarms().take(Story().event(EventKind.STATE, 50, "A1", "?"))) == []
