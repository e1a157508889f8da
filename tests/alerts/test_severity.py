"""Severities: their order, what passes, and which event has which. The order is the project's own."""

from __future__ import annotations

from typing import Any

import pytest

from rig.alerts.facts import Fact
from rig.alerts.severity import OF_CATEGORY, PASSING, Severity, severity_of
from rig.domain.model import EventKind
from rig.rigfile.alerts_section import CATEGORIES
from tests.alerts.makers import START_NS, Story, layout


def test_the_order_is_that_of_how_soon_somebody_must_come() -> None:
    expected = [
        "failed", "logger", "trip", "supply", "action", "limit", "equipment", "warning", "readings", "gap",
        "run", "report",
    ]  # fmt: skip
    assert sorted(expected, key=lambda word: Severity(word).rank) == expected


def test_a_failure_a_trip_lost_mains_and_a_dead_logger_pass_and_nothing_else() -> None:
    passing = {str(one) for one in Severity if one.passes}
    assert passing == {"failed", "retracted", "logger", "trip", "supply"}
    assert {one.value for one in PASSING} == passing


def test_every_category_of_a_rig_file_has_a_severity() -> None:
    assert set(OF_CATEGORY) == set(CATEGORIES)


@pytest.mark.parametrize(
    ("kind", "subject", "category", "data", "severity"),
    [
        (EventKind.LIMIT_OUT, "A1.heatsink", "limits", {"trip": True}, "trip"),
        (EventKind.LIMIT_OUT, "A1.heatsink", "limits", {"trip": False}, "limit"),
        (EventKind.LIMIT_OUT, "A1.heatsink", "limits", {"trip": "yes"}, "limit"),
        (EventKind.LIMIT_OUT, "mains", "limits", {}, "supply"),
        (EventKind.LIMIT_OUT, "nobody", "limits", {}, "limit"),
        (EventKind.EARLY_OUT, "mains", "early", {}, "warning"),
        (EventKind.SWITCH, "A1", "switching", {"what": "failed", "purpose": "switch-off"}, "trip"),
        (EventKind.SWITCH, "meter", "switching", {"what": "failed", "purpose": "source"}, "action"),
        (EventKind.SWITCH, "A1", "switching", {"what": "refused"}, "switching"),
        (EventKind.STATE, "A1", "switching", {"state": "unpowered", "cause": "mains"}, "supply"),
        (EventKind.STATE, "A1", "switching", {"state": "unpowered", "cause": "unknown"}, "unpowered"),
        (EventKind.STATE, "A1", "states", {"state": "unpowered", "cause": "order"}, "run"),
        (EventKind.PHASE, "low", "action", {"action": True}, "action"),
        (EventKind.PHASE, "low", "run", {}, "run"),
        (EventKind.SESSION_BROKEN, "run", "logger", {}, "logger"),
        (EventKind.SESSION_STOP, "run", "logger", {}, "run"),
        (EventKind.STORE_FAULT, "run", "logger", {"reason": "No space left on device"}, "logger"),
        (EventKind.STORE_FAULT, "run", "logger", {"cause": "seal"}, "equipment"),
        (EventKind.STORE_LOW, "run", "logger", {}, "equipment"),
        (EventKind.INSTRUMENT_LOST, "scanner", "instruments", {}, "equipment"),
        (EventKind.NO_VALID, "mains", "readings", {}, "readings"),
        (EventKind.GAP, "run", "gaps", {}, "gap"),
        (EventKind.INSTRUMENT_REPORT, "scanner", "reports", {}, "report"),
    ],
)
def test_every_event_has_its_severity(
    kind: EventKind, subject: str, category: str, data: dict[str, Any], severity: str
) -> None:
    event = Story().event(kind, 0, subject, **data)
    assert severity_of(event, category, layout()) == severity


def test_a_fact_of_an_earlier_outbox_has_the_severity_of_its_category() -> None:
    old: dict[str, Any] = {"number": 1, "group": "A1", "t_ns": START_NS, "since_ns": 0, "headline": "x"}
    assert Fact(what="new", category="limits", **old).how_severe is Severity.LIMIT
    assert Fact(what="over", category="limits", **old).how_severe is Severity.NORMAL
    assert Fact(what="new", category="of a later version", **old).how_severe is Severity.LIMIT


def test_a_reminder_of_something_severe_waits_like_the_rest() -> None:
    words: dict[str, Any] = {
        "number": 1, "category": "failed", "group": "A1", "t_ns": START_NS, "since_ns": 0, "headline": "x",
        "severity": Severity.FAILED,
    }  # fmt: skip
    assert Fact(what="new", **words).passes
    assert not Fact(what="still", **words).passes
