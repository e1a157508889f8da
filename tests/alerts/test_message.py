"""The words of a message: subject, order, times, what is left out."""

from __future__ import annotations

from datetime import timedelta, timezone
from typing import Any

from rig.alerts.delivery_state import Batch
from rig.alerts.facts import Fact
from rig.alerts.message import SUBJECT_CHARACTERS, Message, compose
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
