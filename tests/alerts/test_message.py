"""The words of a message: subject, order, times, what is left out."""

from __future__ import annotations

from datetime import timedelta, timezone
from typing import Any

from rig.alerts.delivery_state import Batch
from rig.alerts.facts import Fact, FirstOut
from rig.alerts.message import SUBJECT_CHARACTERS, Message, compose
from rig.alerts.severity import Severity
from rig.domain.cautions import FAILED_UNIT
from rig.domain.jsonmap import plain
from tests.alerts.makers import at

EAST = timezone(timedelta(hours=1))


def fact(number: int, **words: Any) -> Fact:
    usual: dict[str, Any] = {
        "what": "new", "category": "limits", "group": "A1", "t_ns": at(30), "since_ns": at(25),
        "headline": f"A{number}.heatsink above high limit 95 degC: 96.2 degC", "look": "unit A1",
    }  # fmt: skip
    return Fact(number=number, **{**usual, **words})


def message(*facts: Fact, now_s: float = 50, most_lines: int = 50, **words: Any) -> Message:
    batch = Batch(notifier="desk", key="k" * 24, facts=facts, **words)
    return compose(
        batch, rig="hot-room", run="soak", place="/runs/soak", now_ns=at(now_s), most_lines=most_lines,
        zone=EAST,
    )  # fmt: skip


def test_one_alert_says_what_where_since_when_in_both_times_and_what_to_look_at() -> None:
    made = message(fact(1))
    assert made.subject == "hot-room: A1.heatsink above high limit 95 degC: 96.2 degC"
    assert made.text.splitlines()[:3] == [
        "A1.heatsink above high limit 95 degC: 96.2 degC",
        "  since 2030-03-17 18:47:05 +01:00 (2030-03-17 17:47:05 UTC)",
        "  check: unit A1",
    ]
    assert "rig hot-room, run soak" in made.text
    assert "delayed" not in made.text


def test_a_late_alert_says_by_how_much() -> None:
    assert "  delayed by 2 h\n" in message(fact(1), now_s=30 + 7200).text


def test_a_digest_counts_what_it_does_not_list() -> None:
    made = message(*(fact(n, group=f"A{n % 3}") for n in range(1, 13)), most_lines=9)
    assert made.subject.endswith("(and 11 more)")
    assert made.text.startswith("12 alarms, in the order of detection:\n\nA1.heatsink")
    assert "and 3 more alarms: A1 1, A2 1, A0 1" in made.text
    assert made.text.count("above high limit") == 9
    assert len(made.facts) == 9


def test_the_subject_is_short_and_leads_with_trouble_rather_than_with_good_news() -> None:
    over = fact(1, what="over", headline="mains back to normal after 2 min")
    made = message(over, fact(2, headline="x" * 300))
    assert made.subject.startswith("hot-room: xxx")
    assert len(made.subject) == SUBJECT_CHARACTERS


def test_what_is_over_says_from_when_until_when() -> None:
    lines = message(fact(1, what="over", detail=("3 times so far",))).text.splitlines()
    assert lines[1].startswith("  from 2030-03-17 18:47:05")
    assert lines[2].startswith("  until 2030-03-17 18:47:10")
    assert lines[3] == "  3 times so far"


def test_what_was_held_back_and_dropped_is_said() -> None:
    text = message(fact(1), held=7, dropped=2, last=True).text
    assert "7 alarms held back" in text
    assert "2 alarms between the first and the last dropped" in text
    assert "last message of this hour" in text


def test_machines_get_the_same_facts_with_times_in_utc() -> None:
    [sent] = plain(message(fact(1)))["facts"]
    assert sent["utc"] == "2030-03-17T17:47:10+00:00"


def death(number: int, unit: str = "A2", **words: Any) -> Fact:
    usual: dict[str, Any] = {
        "category": "failed", "severity": Severity.FAILED, "group": unit, "look": f"unit {unit}",
        "headline": f"{unit} FAILED (likely)",
    }  # fmt: skip
    return fact(number, **{**usual, **words})


def test_the_subject_of_a_failure_says_who_goes_on_and_what_left_first_in_one_line() -> None:
    first = FirstOut(channels=("A2.fan",), t_ns=at(27))
    made = message(fact(1), death(2, goes_on=("A1", "A3"), first_out=first), fact(3))
    assert made.subject == "hot-room: A2 FAILED (likely), 2 units go on. First out: A2.fan 18:47:07"
    together = FirstOut(channels=("A2.fan", "A2.volts"), t_ns=at(27), within_s=0.4)
    assert message(death(2, goes_on=("A1",), first_out=together)).subject == (
        "hot-room: A2 FAILED (likely), 1 unit goes on. "
        "First out: A2.fan, A2.volts within 0.4 s, order undetermined"
    )
    assert message(death(2, goes_on=())).subject == "hot-room: A2 FAILED (likely), no other unit goes on"
    assert message(death(2)).subject == "hot-room: A2 FAILED (likely)"


def test_units_that_failed_together_share_the_subject_and_are_not_counted_as_going_on() -> None:
    made = message(death(1, "A2", goes_on=("A1", "A3")), death(2, "A3", goes_on=("A1", "A2")))
    assert made.subject == "hot-room: A2, A3 FAILED (likely), 1 unit goes on"
    noted = [death(n, unit, headline=f"{unit} FAILED") for n, unit in enumerate(("A2", "A3"), 1)]
    assert message(*noted).subject == "hot-room: A2, A3 FAILED"


def test_the_worst_stands_first_then_the_rest_in_order_then_who_goes_on_what_to_check_and_the_caution() -> (
    None
):
    trip = fact(2, severity=Severity.TRIP, group="A3", headline="A3.rail above high limit 60 V: 61 V")
    made = message(fact(1, t_ns=at(10)), trip, death(3, goes_on=("A1",)), fact(4, t_ns=at(40)))
    places = [
        made.text.index(words)
        for words in (
            "A2 FAILED (likely)\n", "A3.rail above", "2 more alarms, in the order of detection:",
            "A1.heatsink", "A4.heatsink", "units that go on: A1", "check first: unit A2", FAILED_UNIT,
            "rig hot-room",
        )
    ]  # fmt: skip
    assert places == sorted(places)


def test_a_trip_says_so_in_the_subject() -> None:
    made = message(fact(1, severity=Severity.TRIP, goes_on=("A2",)))
    assert made.subject == "hot-room: TRIP: A1.heatsink above high limit 95 degC: 96.2 degC, 1 unit goes on"


def test_what_is_severe_is_listed_however_few_lines_there_are() -> None:
    made = message(*(fact(n) for n in range(1, 9)), death(9), most_lines=2)
    assert made.text.startswith("A2 FAILED (likely)\n")
    assert "and 7 more alarms" in made.text


def test_who_is_sent_to_a_unit_is_cautioned_and_good_news_is_not() -> None:
    assert FAILED_UNIT in message(fact(1, severity=Severity.LIMIT)).text
    assert FAILED_UNIT not in message(fact(1, what="over", severity=Severity.NORMAL)).text
    supply = message(fact(1, severity=Severity.SUPPLY, group="room", headline="mains below low limit"))
    assert "a variac does not isolate" in supply.text
