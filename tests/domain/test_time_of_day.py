"""A time of day means the last such moment. Offsets are those of the IANA time zone database."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from rig.domain.time_of_day import last_time_of_day

LATEST = datetime(2031, 2, 3, 12, 0, 30, tzinfo=UTC)


def ns(moment: datetime) -> int:
    return round(moment.timestamp()) * 1_000_000_000


@pytest.mark.parametrize(
    ("text", "zone", "expected"),
    [
        ("12:00", UTC, datetime(2031, 2, 3, 12, 0, tzinfo=UTC)),
        ("12:00:30", UTC, datetime(2031, 2, 3, 12, 0, 30, tzinfo=UTC)),
        ("12:01", UTC, datetime(2031, 2, 2, 12, 1, tzinfo=UTC)),
        (" 9:05 ", UTC, datetime(2031, 2, 3, 9, 5, tzinfo=UTC)),
        ("13:00", ZoneInfo("Europe/Vienna"), datetime(2031, 2, 3, 12, 0, tzinfo=UTC)),
    ],
)
def test_it_is_the_last_such_moment_by_the_clock_of_the_zone(
    text: str, zone: ZoneInfo, expected: datetime
) -> None:
    assert last_time_of_day(text, ns(LATEST), zone) == ns(expected)


@pytest.mark.parametrize("text", ["", "noon", "24:00", "12:60", "2031-02-03 12:00", "12", "12:00Z"])
def test_what_is_no_time_of_day_is_none(text: str) -> None:
    assert last_time_of_day(text, ns(LATEST), UTC) is None
