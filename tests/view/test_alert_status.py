"""What the view says of the alerts, by the status file that they write."""

from __future__ import annotations

import json
from datetime import UTC
from pathlib import Path

from rig.view.alert_status import alert_words

SECOND = 1_000_000_000
NOW = 1_900_000_000 * SECOND


def status(run: Path, **changed: object) -> None:
    way = {"waiting": 0, "delivered_ns": NOW, "failing_since_ns": 0, "error": ""}
    content = {"utc_ns": NOW, "ways": {"mail": way, "light": way}, "outbox": "", "open": []} | changed
    (run / "alerts").mkdir(exist_ok=True)
    (run / "alerts" / "status.json").write_text(json.dumps(content))


def test_without_alerts_nothing_is_said(tmp_path: Path) -> None:
    assert alert_words(tmp_path, NOW, running=True) == ("", "")


def test_notifiers_that_work_are_counted(tmp_path: Path) -> None:
    status(tmp_path)
    assert alert_words(tmp_path, NOW + SECOND, running=True) == ("alerts: 2 notifiers", "")


def test_a_notifier_that_fails_is_named_with_its_reason(tmp_path: Path) -> None:
    way = {"waiting": 3, "failing_since_ns": NOW, "error": "connection refused"}
    status(tmp_path, ways={"mail": way})
    words, wrong = alert_words(tmp_path, NOW, running=True)
    assert words == "alerts: 1 notifier, 3 waiting"
    assert wrong == "ALERTS: not delivered by mail: connection refused"


def test_what_is_held_back_is_shown_with_the_time_of_the_next_message(tmp_path: Path) -> None:
    """1 900 000 000 s is 2030-03-17 17:46:40 UTC (by the calendar)."""
    way = {"waiting": 60, "held": 58, "next_ns": NOW + 1200 * SECOND, "failing_since_ns": 0, "error": ""}
    late = {**way, "waiting": 1, "held": 1, "next_ns": NOW + 3000 * SECOND}
    status(tmp_path, ways={"mail": way, "light": late, "calm": {"waiting": 0, "held": 0, "next_ns": 0}})
    words, wrong = alert_words(tmp_path, NOW, running=True, zone=UTC)
    assert words == "alerts: 3 notifiers, 59 held back, next at 18:06, 2 waiting"
    assert wrong == ""


def test_what_was_not_delivered_before_the_stop_is_called_so(tmp_path: Path) -> None:
    status(tmp_path, ways={"mail": {"waiting": 3}})
    assert alert_words(tmp_path, NOW, running=False)[0] == "alerts: 1 notifier, 3 undelivered"


def test_alerts_that_no_longer_run_are_missed_while_the_run_goes_on(tmp_path: Path) -> None:
    status(tmp_path)
    assert "none are sent" in alert_words(tmp_path, NOW + 300 * SECOND, running=True)[1]
    assert alert_words(tmp_path, NOW + 300 * SECOND, running=False)[1] == ""


def test_a_full_disk_of_the_outbox_and_a_broken_status_are_said(tmp_path: Path) -> None:
    status(tmp_path, outbox="no space left")
    assert alert_words(tmp_path, NOW, running=True)[1] == "ALERTS: no space left"
    (tmp_path / "alerts" / "status.json").write_text("{")
    assert "not readable" in alert_words(tmp_path, NOW, running=True)[1]
