"""What is told of what happens. The rules are the project's own; the words are those of ISA-18.2."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rig.alerts.alarm import Alarm
from rig.alerts.alarms import Alarms
from rig.alerts.facts import Fact
from rig.domain.jsonmap import made, plain
from rig.domain.model import Event, EventKind, Status
from rig.rigfile.alerts_section import Alerts
from tests.alerts.makers import INPUTS, Story, at, layout


def alarms(**words: float) -> Alarms:
    return Alarms(Alerts(**words), layout(), INPUTS)  # type: ignore[arg-type]


def words(facts: list[Fact]) -> list[tuple[str, str]]:
    return [(fact.what, fact.headline) for fact in facts]


def test_a_limit_is_told_once_with_value_limit_place_and_beginning() -> None:
    rules = alarms()
    [fact] = rules.take(Story().out(30), at(25))
    assert fact.headline == "A1.heatsink above high limit 95 degC: 96.2 degC"
    assert (fact.category, fact.group, fact.since_ns, fact.t_ns) == ("limits", "A1", at(25), at(30))
    assert fact.look == "unit A1 (serial 001, load 8 ohm resistor); sensor at scanner.t1"


def test_a_chattering_channel_is_told_once_and_once_when_it_is_calm() -> None:
    rules, story = alarms(settle_s=600), Story()
    facts: list[Fact] = []
    for second in range(0, 3600, 10):
        facts += rules.take(story.out(second))
        facts += rules.tick(at(second))
        facts += rules.take(story.back(second + 5))
        facts += rules.tick(at(second + 5))
    facts += rules.tick(at(3595 + 599))
    assert [fact.what for fact in facts] == ["new"]
    [over] = rules.tick(at(3595 + 600))
    assert over.what == "over"
    assert over.headline == "A1.heatsink returned to normal (high limit), after 1 h"
    assert over.detail[1] == "360 times so far"
    assert rules.open == {}


def test_high_and_low_and_each_channel_are_alarms_of_their_own() -> None:
    rules, story = alarms(), Story()
    sent = [
        *rules.take(story.out(1)),
        *rules.take(story.out(2, side="low")),
        *rules.take(story.out(3, channel="A2.heatsink")),
    ]
    assert [fact.what for fact in sent] == ["new", "new", "new"]


def test_an_early_warning_that_becomes_a_limit_is_told_as_worse_and_never_back_again() -> None:
    rules, story = alarms(settle_s=60), Story()
    early: dict[str, Any] = {"side": "high", "limit": 85.0, "value": 85.5, "unit": "degC"}
    [first] = rules.take(story.event(EventKind.EARLY_OUT, 0, "A1.heatsink", **early))
    [second] = rules.take(story.out(60))
    assert (first.category, first.what, second.category, second.what) == ("early", "new", "limits", "worse")
    assert second.since_ns == first.t_ns
    rules.take(story.back(70))
    assert rules.tick(at(1000)) == []  # still beyond its early warning
    rules.take(story.event(EventKind.EARLY_IN, 1000, "A1.heatsink", **early))
    assert [fact.category for fact in rules.tick(at(1060))] == ["limits"]


def test_what_goes_on_is_told_again_only_after_the_interval_that_is_set() -> None:
    rules, story = alarms(repeat_s=3600), Story()
    rules.take(story.out(0))
    assert rules.tick(at(3599)) == []
    assert [fact.what for fact in rules.tick(at(3600))] == ["still"]
    assert rules.tick(at(7199)) == []
    silent = alarms()
    silent.take(Story().out(0))
    assert silent.tick(at(30 * 86400)) == []


def test_channels_of_a_lost_instrument_are_not_told_one_by_one_also_through_formulas() -> None:
    rules, story = alarms(settle_s=60), Story()
    lost = story.event(EventKind.INSTRUMENT_LOST, 0, "scanner", "scanner on scanner-line does not answer")
    assert [fact.group for fact in rules.take(lost)] == ["scanner-line"]
    for channel in ("A1.heatsink", "A2.heatsink", "A1.margin", "A2.margin"):
        assert rules.take(story.event(EventKind.NO_VALID, 60, channel)) == []
    assert len(rules.take(story.event(EventKind.NO_VALID, 60, "mains"))) == 1
    rules.take(story.event(EventKind.INSTRUMENT_BACK, 100, "scanner"))
    for channel in ("A1.heatsink", "A1.margin", "A2.margin"):
        rules.take(story.event(EventKind.VALID_AGAIN, 101, channel))
    sent = rules.tick(at(161))
    assert ("over", "scanner is online again, after 1.7 min") in words(sent)
    sent += rules.tick(at(162))
    # the one that stayed dead although its instrument answers is a matter of its own, and told
    assert [fact.headline for fact in sent if fact.what == "new"] == ["A2.heatsink no-valid-reading"]
    assert len(sent) == 2


def test_a_dead_logger_never_makes_an_alarm_end() -> None:
    rules, story = alarms(settle_s=60), Story()
    rules.take(story.out(0))
    rules.take(story.back(10))
    assert rules.tick(at(20)) == []  # the newest reading is from 20 s, whatever the clock says now
    assert [fact.what for fact in rules.tick(at(70))] == ["over"]


def test_after_a_restart_of_the_logger_what_still_is_out_is_not_told_again() -> None:
    rules, story = alarms(settle_s=60), Story()
    rules.take(story.out(0))
    story.session = 2
    rules.take(story.event(EventKind.SESSION_START, 100, "run"))
    assert rules.take(story.out(110)) == []
    assert rules.tick(at(1000)) == []
    rules.take(story.back(1000))
    [over] = rules.tick(at(1060))
    assert "times so far" not in " ".join(over.detail)  # one excursion, seen by two sessions


def test_after_a_restart_of_the_logger_what_is_gone_is_told_as_gone() -> None:
    rules, story = alarms(settle_s=60), Story()
    rules.take(story.out(0))
    rules.take(story.event(EventKind.SESSION_START, 100, "run"))
    [over] = rules.tick(at(160))
    assert over.headline == "A1.heatsink returned to normal (high limit) since the restart of the logger"


def test_a_note_while_no_logger_runs_ends_nothing() -> None:
    rules, story = alarms(settle_s=60), Story()
    rules.take(story.out(0))
    rules.take(story.event(EventKind.SESSION_STOP, 50, "run"))
    before = dict(rules.open)
    for kind in (EventKind.SESSION_START, EventKind.SESSION_STOP):
        assert rules.take(story.event(kind, 100, "run", brief=True)) == []
    assert rules.open == before


def test_things_without_an_end_are_counted_while_they_keep_happening() -> None:
    rules, story = alarms(settle_s=600), Story()
    facts: list[Fact] = []
    for second in range(0, 600, 60):
        facts += rules.take(
            story.event(EventKind.BUS_STUCK, second, "scanner-line", "stuck", cause="stuck call")
        )
    assert len(facts) == 1
    [over] = rules.tick(at(540 + 600))
    assert "10 times" in over.headline
    rules.take(story.event(EventKind.BUS_STUCK, 5000, "scanner-line", "stuck", cause="stuck call"))
    assert rules.tick(at(9000)) == []  # it happened once and that was told


def test_a_stop_is_told_with_what_was_wrong_at_that_time() -> None:
    rules, story = alarms(), Story()
    rules.take(story.out(0))
    [stop] = rules.take(story.event(EventKind.SESSION_STOP, 5, "run", "session 1 stopped: signal SIGTERM"))
    assert stop.category == "logger"
    assert stop.detail == ("active at that time: A1.heatsink",)


@pytest.mark.parametrize(
    ("kind", "data", "category"),
    [
        (EventKind.SWITCH, {}, "switching"),
        (EventKind.SWITCH, {"purpose": "switch-off", "what": "ordered"}, "switching"),
        (EventKind.SWITCH, {"purpose": "source", "what": "ordered"}, "run"),
        (EventKind.SWITCH, {"purpose": "source", "what": "confirmed"}, "run"),
        (EventKind.SWITCH, {"purpose": "source", "what": "refused"}, "switching"),
        (EventKind.SWITCH, {"purpose": "source", "what": "failed"}, "switching"),
        (EventKind.SESSION_BROKEN, {}, "logger"),
        (EventKind.DAMAGE, {}, "logger"),
        (EventKind.CLOCK_STEP, {}, "logger"),
        (EventKind.STORE_FAULT, {"reason": "No space left on device"}, "logger"),
        (EventKind.STORE_FAULT, {"cause": "seal"}, "logger"),
        (EventKind.STORE_LOW, {}, "logger"),
        (EventKind.LOGGER_FAULT, {}, "logger"),
        (EventKind.GAP, {"cause": "suspend"}, "gaps"),
        (EventKind.INSTRUMENT_REPORT, {}, "reports"),
        (EventKind.PHASE, {}, "run"),
        (EventKind.SESSION_START, {}, "run"),
        (EventKind.CONFIG_CHANGE, {}, "run"),
    ],
)
def test_every_kind_of_trouble_has_its_category(kind: EventKind, data: dict[str, Any], category: str) -> None:
    assert [fact.category for fact in alarms().take(Story().event(kind, 0, "run", **data))] == [category]


def test_each_switching_off_is_told() -> None:
    rules, story = alarms(), Story()
    facts = [fact for unit in ("A1", "A2") for fact in rules.take(story.event(EventKind.SWITCH, 0, unit))]
    assert len(facts) == 2


@pytest.mark.parametrize("kind", [EventKind.HEALTH, EventKind.NOTE, EventKind.FAST_POLL, EventKind.CHECK])
def test_what_needs_nobody_is_not_told(kind: EventKind) -> None:
    assert alarms().take(Story().event(kind, 0, "run")) == []


def test_a_disk_fault_ends_when_the_disk_takes_records_again() -> None:
    rules, story = alarms(settle_s=0), Story()
    rules.take(story.event(EventKind.STORE_FAULT, 0, "run", reason="No space left on device", errno=28))
    rules.take(story.event(EventKind.STORE_BACK, 50, "run"))
    assert [fact.what for fact in rules.tick(at(50))] == ["over"]


def test_a_silent_logger_is_told_once_and_once_when_readings_have_come_for_a_while() -> None:
    rules = alarms(silence_s=120, settle_s=60)
    place = "the machine"

    def look(now_s: float, newest_s: float, stopped: bool = False) -> list[Fact]:
        return rules.look_at_logger(at(now_s), at(newest_s), stopped=stopped, place=place)

    assert look(120, 0) == []
    [fact] = look(121, 0)
    assert fact.headline == "logger silent: nothing new on disk for 2 min"
    assert fact.since_ns == at(0)
    assert look(500, 0) == []
    assert look(600, 599) == []
    assert look(640, 500) == []  # again; a repeat
    assert [fact.what for fact in [*look(700, 699), *look(760, 759)]] == ["over"]
    assert look(9999, 759, stopped=True) == []


def test_a_failing_way_is_told_by_the_others_and_so_is_its_recovery() -> None:
    rules = alarms()
    [fact] = rules.notifier_fails("phone", at(0), at(600), "refused")
    assert (fact.category, fact.not_by, fact.since_ns) == ("ways", "phone", at(0))
    assert rules.notifier_fails("phone", at(0), at(700), "refused") == []
    [over] = rules.notifier_works("phone", at(900))
    assert (over.what, over.not_by) == ("over", "phone")
    assert rules.notifier_works("phone", at(901)) == []


def test_how_far_it_went_out_is_what_the_readings_showed_while_it_was_out() -> None:
    rules, story = alarms(settle_s=0), Story()
    rules.take(story.out(0, value=95.1))
    for value in (97.0, 99.5, 96.0):
        rules.follow(("A1.heatsink",), (value,), bytes([Status.GOOD]))
    rules.follow(("A1.heatsink",), (400.0,), bytes([Status.SUSPECT]))
    rules.take(story.back(10))
    [over] = rules.tick(at(10))
    assert "extreme value: 99.5 degC" in over.detail


def test_alarms_survive_being_written_down() -> None:
    rules, story = alarms(), Story()
    rules.take(story.event(EventKind.INSTRUMENT_LOST, 0, "scanner"))
    rules.take(story.event(EventKind.NO_VALID, 1, "A1.heatsink"))
    rules.take(story.out(2))
    for alarm in rules.open.values():
        assert made(Alarm, plain(alarm)) == alarm


def test_foreign_text_cannot_break_lines_or_move_a_cursor() -> None:
    event = Event(
        kind=EventKind.INSTRUMENT_LOST, t_ns=at(0), session=1, seq=1, subject="x\r\nBcc: all",
        text="a\r\nSubject: b\x1b[2J" + "c" * 5000, data={},
    )  # fmt: skip
    [fact] = alarms().take(event)
    for text in (fact.headline, fact.look, *fact.detail):
        assert text.isprintable()
        assert len(text) <= 400


def test_data_that_is_not_what_it_should_be_still_gives_an_alert() -> None:
    odd: dict[str, Any] = {"side": 3, "limit": "x", "value": None, "unit": []}
    [fact] = alarms().take(Story().event(EventKind.LIMIT_OUT, 0, "nobody", "it is out", **odd))
    assert fact.headline == "it is out"


def test_the_past_of_a_run_first_looked_at_is_told_only_where_it_goes_on() -> None:
    rules, story = alarms(settle_s=60), Story()
    rules.take(story.out(0))
    rules.take(story.back(10))
    rules.take(story.out(20, channel="A2.heatsink"))
    rules.take(story.event(EventKind.BUS_STUCK, 30, "scanner-line"))
    rules.begin_quietly()
    [fact] = rules.tick(at(100_000))
    assert (fact.what, fact.since_ns) == ("new", at(20))


def test_a_limit_that_is_not_in_force_any_more_is_no_return_to_normal() -> None:
    """The limits of a unit sleep once it failed: its output is out as before."""
    rules, story = alarms(settle_s=0), Story()
    rules.take(story.out(0, side="low"))
    ceased = story.back(3, side="low")
    rules.take(replace(ceased, data={**ceased.data, "cause": "limit taken away"}))
    kept = {key: Alarm.from_json(one.to_json()) for key, one in rules.open.items()}
    assert kept == rules.open
    [over] = rules.tick(at(3))
    assert over.headline.startswith("A1.heatsink: its low limit is not in force any more, after 3 s; ")
    assert over.headline.endswith("that does not say that it returned to normal")
    rules.take(story.out(10, side="low"))
    rules.take(story.back(12, side="low"))
    assert words(rules.tick(at(12))) == [("over", "A1.heatsink returned to normal (low limit), after 2 s")]


def test_what_is_over_is_named_so_that_nobody_takes_the_other_limit_for_over_too() -> None:
    rules, story = alarms(settle_s=0), Story()
    rules.take(story.out(0))
    rules.take(story.out(1, side="low"))
    rules.take(story.back(2))
    assert words(rules.tick(at(2))) == [("over", "A1.heatsink returned to normal (high limit), after 2 s")]
    rules.take(story.back(9, side="low"))
    assert words(rules.tick(at(9))) == [("over", "A1.heatsink returned to normal (low limit), after 8 s")]
