"""Stamps against the standard library's calendar, zone rules and published leap seconds."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.interchange import text_stamps
from rig.interchange.text_stamps import FIRST_NS, LAST_NS, SECOND_NS, StampError

NOON = int(datetime(2031, 2, 3, 12, tzinfo=UTC).timestamp()) * SECOND_NS
BERLIN = ZoneInfo("Europe/Berlin")


def ns(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp()) * SECOND_NS


@pytest.mark.parametrize(
    ("text", "after_ns", "step_ns"),
    [
        ("2031-02-03T12:00:00Z", 0, SECOND_NS),
        ("2031-02-03 12:00:00.250Z", 250_000_000, 1_000_000),
        ("2031-02-03T12:00:00,25+00:00", 250_000_000, 10_000_000),
        ("2031-02-03T13:00:00+01:00", 0, SECOND_NS),
        ("2031-02-03T06:30:00-0530", 0, SECOND_NS),
        ("2031-02-03T12:00Z", 0, 60 * SECOND_NS),
        ("20310203T120000Z", 0, SECOND_NS),
        ("2031-02-03 12:00:00.123456789 UTC", 123_456_789, 1),
        ("2031-02-03", -12 * 3600 * SECOND_NS, 86_400 * SECOND_NS),
    ],
)
def test_an_iso_8601_stamp_is_read_exactly_and_says_its_step(text: str, after_ns: int, step_ns: int) -> None:
    stamp = text_stamps.reader("iso", None)(text, None)
    assert (stamp.t_ns - NOON, stamp.step_ns, stamp.remark) == (after_ns, step_ns, "")


@pytest.mark.parametrize(
    "text",
    [
        "", "noon", "2031-02-30T00:00:00Z", "2031-02-03T24:01:00Z", "2031-02-03T12:00:61Z", "2031-13-01",
        "1600-01-01T00:00:00Z", "2031-02-03T12:00:00+99:00", "2031-02-03T12:30:60Z", "1",
        "2031-2-3 12:00:00",
    ],
)  # fmt: skip
def test_a_text_that_is_no_stamp_is_refused_with_the_reason(text: str) -> None:
    with pytest.raises(StampError, match=r"."):
        text_stamps.reader("iso", None)(text, None)


@pytest.mark.parametrize("day", ["2016-12-31", "2015-06-30"])
def test_the_published_leap_seconds_are_stamps_at_their_end(day: str) -> None:
    """IERS Bulletin C 52 (end of 2016) and C 49 (end of June 2015): 23:59:59, 23:59:60, 00:00:00."""
    stamp = text_stamps.reader("iso", None)(f"{day}T23:59:60.5Z", None)
    assert stamp.remark == "leap"
    assert stamp.t_ns == ns(f"{day}T23:59:59+00:00") + SECOND_NS
    local = text_stamps.reader("%d.%m.%Y %H:%M:%S", BERLIN)
    hour = "00" if day == "2016-12-31" else "01"
    following = "01.01.2017" if day == "2016-12-31" else "01.07.2015"
    assert local(f"{following} {hour}:59:60", None).t_ns == stamp.t_ns


def test_an_hour_that_comes_twice_is_settled_by_the_stamp_before() -> None:
    """Directive 2000/84/EC: on the last Sunday of October summer time ends at 1:00 UTC."""
    read = text_stamps.reader("iso", BERLIN)
    first = read("2031-10-26T02:30:00", None)
    second = read("2031-10-26T02:30:00", first.t_ns + 1)
    assert (first.t_ns, second.t_ns) == (ns("2031-10-26T00:30:00+00:00"), ns("2031-10-26T01:30:00+00:00"))
    assert first.remark == second.remark == "twice"
    assert read("2031-10-26T03:00:00", None).remark == ""


def test_an_hour_that_never_comes_is_counted_on() -> None:
    """PEP 495: a skipped local time keeps the offset from before the skip."""
    stamp = text_stamps.reader("iso", BERLIN)("2031-03-30T02:30:00", None)
    assert (stamp.t_ns, stamp.remark) == (ns("2031-03-30T01:30:00+00:00"), "never")


@pytest.mark.parametrize(
    ("form", "text", "t_ns", "step_ns"),
    [
        ("epoch-s", "1700000000", 1_700_000_000 * SECOND_NS, SECOND_NS),
        ("epoch-s", "1700000000.25", 1_700_000_000 * SECOND_NS + 250_000_000, 10_000_000),
        ("epoch-ms", "1700000000123", 1_700_000_000_123_000_000, 1_000_000),
        ("epoch-us", "1700000000123456", 1_700_000_000_123_456_000, 1000),
        ("epoch-ns", "1700000000123456789", 1_700_000_000_123_456_789, 1),
        ("epoch-s", "1.7E9", 1_700_000_000 * SECOND_NS, 10**8 * SECOND_NS),
    ],
)
def test_epoch_numbers_are_exact_and_an_exponent_tells_how_coarse(
    form: str, text: str, t_ns: int, step_ns: int
) -> None:
    """1700000000 is 2023-11-14T22:13:20Z (POSIX.1-2017, 4.16)."""
    stamp = text_stamps.reader(form, None)(text, None)
    assert (stamp.t_ns, stamp.step_ns) == (t_ns, step_ns)


def test_elapsed_seconds_count_from_their_start() -> None:
    assert text_stamps.reader("elapsed", None, NOON)("0,5", None).t_ns == NOON + SECOND_NS // 2


@pytest.mark.parametrize("text", ["1e99", "9" * 25, "nan", "0x10", "1e", "--1"])
def test_numbers_that_are_no_time_are_refused(text: str) -> None:
    with pytest.raises(StampError):
        text_stamps.reader("epoch-s", None)(text, None)


@given(st.datetimes(min_value=datetime(1700, 1, 1), max_value=datetime(2250, 1, 1)))  # noqa: DTZ001 - local
def test_local_times_agree_with_the_zone_rules_of_the_library(naive: datetime) -> None:
    stamp = text_stamps.reader("iso", BERLIN)(naive.isoformat(timespec="microseconds"), None)
    expected = naive.replace(tzinfo=BERLIN)
    delta = expected.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)
    micros = (delta.days * 86_400 + delta.seconds) * 1_000_000 + delta.microseconds
    if naive.year >= 1980:  # before standard time offsets have odd seconds and change within quarters
        assert stamp.t_ns == micros * 1000
    else:
        assert abs(stamp.t_ns - micros * 1000) <= 3600 * SECOND_NS


@given(
    st.text(max_size=40),
    st.sampled_from(["iso", "epoch-s", "epoch-ns", "elapsed", "%d.%m.%Y %H:%M", "%c %z"]),
)
def test_any_text_is_a_stamp_within_range_or_is_refused(text: str, form: str) -> None:
    try:
        stamp = text_stamps.reader(form, BERLIN)(text, None)
    except StampError:
        return
    assert FIRST_NS <= stamp.t_ns <= LAST_NS
    assert stamp.step_ns >= 1
