"""The state of an alarm, and its spelling in an outbox of the landed format."""

import pytest

from rig.alerts.alarm import Alarm

STORED = {
    "key": "limit:A1.heatsink:high", "category": "limits", "group": "A1", "subject": "A1.heatsink",
    "headline": "A1.heatsink above its limit 95 degC: 96.2 degC", "look": "unit A1", "began_ns": 1,
    "last_ns": 2, "marks": ["limit"], "level": 2, "told": 2, "back_ns": None, "told_ns": 3, "times": 4,
    "told_times": 1, "worst": 99.5, "side": "high", "unit": "degC", "momentary": False, "assumed": False,
    "behind": [],
}  # fmt: skip
"""Keys as outboxes of the landed format have them; the values are made up."""


def test_an_alarm_of_the_landed_format_reads_and_is_written_the_same() -> None:
    found = Alarm.from_json(STORED)
    assert (found.sent_level, found.sent_ns, found.sent_times) == (2, 3, 1)
    assert (found.marks, found.worst) == (("limit",), 99.5)
    assert found.to_json() == STORED


@pytest.mark.parametrize("missing", sorted(STORED))
def test_an_alarm_that_lacks_something_is_none(missing: str) -> None:
    with pytest.raises((KeyError, ValueError)):
        Alarm.from_json({name: value for name, value in STORED.items() if name != missing})
