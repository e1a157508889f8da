"""Numbers, quantities, times and foreign text as printed."""

import math
from datetime import UTC, timedelta, timezone
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.formatting import (
    beside_limit,
    clock_time,
    counted,
    duration,
    moment,
    number,
    plain,
    quantity,
    setting,
    size,
    stamp,
    time_span,
    with_tolerance,
)

SECOND = 1_000_000_000


@given(st.text())
def test_plain_text_has_nothing_that_moves_a_cursor_and_keeps_its_length(text: str) -> None:
    made = plain(text)
    assert len(made) == len(text)
    assert all(character.isprintable() for character in made)


@pytest.mark.parametrize(
    "bad", ["\x1b[2J", "\x9b31m", "\r", "\n", "\x07", "\u202e", "\u200d", "\ufe0f", "\ud800", "\x7f"]
)
def test_escapes_controls_and_direction_overrides_are_replaced(bad: str) -> None:
    assert plain(f"a{bad}b") != f"a{bad}b"
    assert plain(f"a{bad}b").startswith("a\N{REPLACEMENT CHARACTER}")


def test_wanted_signs_stay() -> None:
    assert plain("°C µA Ω — 日本") == "°C µA Ω — 日本"


@pytest.mark.parametrize(
    ("value", "resolution", "shown"),
    [
        (94.98, 0.1, "95.0"),
        (230.06, 0.01, "230.06"),
        (8.0, 1.0, "8"),
        (8.0, 5.0, "8"),
        (0.00123456, 0.0, "0.001235"),
        (12345.678, 0.0, "12346"),
        (0.0, 0.0, "0.0"),
        (-0.00001, 0.1, "0.0"),
        (1.5e12, 0.0, "1.500e+12"),
        (math.nan, 0.1, "-"),
        (math.inf, 0.0, "-"),
    ],
)
def test_a_number_shows_what_its_instrument_resolves(value: float, resolution: float, shown: str) -> None:
    assert number(value, resolution) == shown


@pytest.mark.parametrize(
    ("value", "resolution", "shown"),
    [
        (1.125e-6, 0.1, "0.0"),  # far below what the channel resolves
        (12345.6, 100.0, "12300"),
        (1e-4, 0.0, "0.0001000"),
        (9.99e-5, 1e-9, "9.990e-05"),
        (999_999_999.0, 0.1, "999999999"),
        (123456.789, 1e-6, "123456.789"),
    ],
)
def test_ordinary_sizes_are_plain_digits_and_the_rest_has_an_exponent(
    value: float, resolution: float, shown: str
) -> None:
    assert number(value, resolution) == shown


RESOLUTIONS = st.sampled_from([0.001, 0.002, 0.005, 0.01, 0.1, 0.25, 1.0, 5.0, 10.0, 100.0])
READINGS = st.floats(min_value=-99_999.0, max_value=99_999.0)


@given(READINGS, RESOLUTIONS)
def test_a_number_has_no_more_digits_than_its_resolution_allows(value: float, resolution: float) -> None:
    shown = Decimal(number(value, resolution))
    step = Decimal(10) ** math.floor(math.log10(resolution) + 1e-9)
    assert shown % step == 0
    assert resolution < 10 * float(step), "a step of 0.25 needs tenths, and no hundredths"


@given(READINGS, RESOLUTIONS)
def test_a_number_read_back_is_within_half_a_step(value: float, resolution: float) -> None:
    assert abs(float(number(value, resolution)) - value) <= resolution / 2 * (1 + 1e-9)


@given(
    st.one_of(st.floats(1e-4, 9e8), st.floats(-9e8, -1e-4)), st.sampled_from([0.0, 1e-9, 0.001, 0.1, 10.0])
)
def test_ordinary_sizes_have_no_exponent(value: float, resolution: float) -> None:
    assert "e" not in number(value, resolution)
    assert "e" not in quantity(value, "V", resolution)
    assert "e" not in setting(value, "V")


@pytest.mark.parametrize(
    ("value", "unit", "resolution", "shown"),
    [
        (1.125e-6, "W", 0.1, "0.0 W"),
        (1.125e-6, "W", 0.0, "1.125 uW"),
        (95.04, "degC", 0.1, "95.0 degC"),
        (0.001, "A", 1e-4, "0.0010 A"),  # on either side of a thousandth
        (0.0009, "A", 1e-4, "900 uA"),
        (0.0009, "A", 0.01, "0.00 A"),
        (999_999.0, "W", 0.0, "999999 W"),  # on either side of a million
        (1_000_000.0, "W", 0.0, "1 MW"),
        (1_000_000.0, "W", 0.1, "1000000.0 W"),
        (1.125e-6, "K/W", 0.0, "1.125e-06 K/W"),  # takes no prefix
        (0.0005, "mV", 0.0, "0.0005 mV"),
        (3.3, "1", 0.1, "3.3"),
        (0.0, "V", 0.0, "0 V"),
        (96.2, "degC", 0.0, "96.2 degC"),
        (96.2, "degC", 0.01, "96.20 degC"),
        (math.nan, "V", 0.1, "no value"),
        (math.inf, "V", 0.1, "no value"),
        (None, "V", 0.1, "no value"),
    ],
)
def test_a_quantity_has_its_unit_and_the_digits_of_its_channel(
    value: float | None, unit: str, resolution: float, shown: str
) -> None:
    assert quantity(value, unit, resolution) == shown


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (95.0, "degC", "95 degC"), (252.5, "V", "252.5 V"), (1_234_567.5, "Hz", "1234567.5 Hz"),
        (0.001, "A", "0.001 A"), (0.0009, "A", "900 uA"), (0.00005, "K/W", "0.00005 K/W"),
        (0.25, "1", "0.25"),
        (math.inf, "V", "none"), (math.nan, "V", "none"),
    ],
)  # fmt: skip
def test_a_setting_keeps_all_its_digits(value: float, unit: str, shown: str) -> None:
    assert setting(value, unit) == shown


@given(st.floats(min_value=-1e6, max_value=1e6).filter(lambda one: one == 0 or abs(one) > 1e-3))
def test_a_setting_read_back_is_what_was_written(value: float) -> None:
    assert float(setting(value)) == pytest.approx(value, rel=1e-11)


@pytest.mark.parametrize(
    ("value", "limit", "unit", "resolution", "shown"),
    [
        (1.125e-6, 40.0, "W", 0.0, "0 W"),
        (0.0049, 40.0, "W", 0.0, "0 W"),  # on either side of half a step of 0.01 W
        (0.0051, 40.0, "W", 0.0, "0.01 W"),
        (96.2, 95.0, "degC", 0.0, "96.2 degC"),
        (95.0004, 95.0, "degC", 0.0, "95.0004 degC"),  # never looks equal to its limit
        (95.0, 95.0, "degC", 0.0, "95 degC"),
        (1.125e-6, 40.0, "W", 0.1, "0.0 W"),
        (96.2, 95.0, "degC", 0.01, "96.20 degC"),
        (1.5, 0.0, "V", 0.0, "1.5 V"),
        (math.nan, 40.0, "W", 0.0, "no value"),
    ],
)
def test_a_reading_beside_its_limit_has_digits_of_the_limits_size(
    value: float, limit: float, unit: str, resolution: float, shown: str
) -> None:
    assert beside_limit(value, limit, unit, resolution) == shown


def test_a_target_is_printed_with_its_tolerance() -> None:
    assert with_tolerance(212.0, 4.0, "V") == "212 ± 4 V"


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from([0.0, 1e-6, 0.001, 0.1, 1.0, 10.0]))
def test_a_number_never_needs_more_than_eleven_cells(value: float, resolution: float) -> None:
    assert len(number(value, resolution)) <= 11


@pytest.mark.parametrize(
    ("seconds", "shown"),
    [
        (0.0, "0 s"), (-1e-9, "0 s"), (0.00025, "250 us"),
        (0.042, "42 ms"), (0.8, "0.8 s"), (0.9996, "1 s"), (9.96, "10 s"), (59.4, "59 s"),
        (59.96, "1 min"), (90.0, "1.5 min"), (3599.0, "1 h"), (3600.0, "1 h"), (90_000.0, "25 h"),
        (47.9 * 3600, "2 d"), (21 * 86400.0, "21 d"), (-90.0, "-1.5 min"), (math.inf, "-"),
    ],
)  # fmt: skip
def test_a_duration_has_one_unit_and_rounds_into_the_next(seconds: float, shown: str) -> None:
    assert duration(seconds) == shown


def test_times_are_cut_not_rounded_into_a_moment_that_had_not_come() -> None:
    assert clock_time(59 * SECOND + 999_999_999) == "00:00:59"
    assert clock_time(59 * SECOND + 999_999_999, UTC, 3) == "00:00:59.999"


def test_a_stamp_says_its_offset() -> None:
    # summer time begins in Berlin at 2030-03-31 01:00 UTC (directive 2000/84/EC: last Sunday of March)
    berlin = ZoneInfo("Europe/Berlin")
    change_ns = 1_901_149_200 * SECOND
    assert stamp(change_ns - SECOND, berlin) == "2030-03-31 01:59:59 +01:00"
    assert stamp(change_ns, berlin) == "2030-03-31 03:00:00 +02:00"
    assert stamp(change_ns, UTC) == "2030-03-31 01:00:00 UTC"
    assert stamp(0, timezone(timedelta(hours=-3, minutes=-30))) == "1969-12-31 20:30:00 -03:30"


@given(st.integers(min_value=0, max_value=4_000_000_000 * SECOND))
def test_a_moment_loses_nothing_above_a_microsecond(t_ns: int) -> None:
    when = moment(t_ns)
    assert round(when.timestamp()) * 1_000_000 - t_ns // 1000 <= 1_000_000
    assert when.microsecond == t_ns // 1000 % 1_000_000


def test_counted_things_agree_in_number() -> None:
    assert (counted(1, "reading"), counted(2, "reading"), counted(1234, "box", "boxes")) == (
        "1 reading", "2 readings", "1,234 boxes",
    )  # fmt: skip


SHOWN = [(0, "0 B"), (999, "999 B"), (118_000_000_000, "118 GB"), (999_900, "1 MB"), (2.5e12, "2.5 TB")]


@pytest.mark.parametrize(("count", "shown"), SHOWN)
def test_sizes_are_in_powers_of_ten(count: float, shown: str) -> None:
    assert size(int(count)) == shown


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (540.0, 900.0, "9-15 min"),
        (600.0, 900.0, "10-15 min"),
        (50.0, 70.0, "50-70 s"),
        (600.0, 605.0, "10 min"),
        (9000.0, 20000.0, "2.5-5.6 h"),
        (540.0, math.inf, ">9 min"),
        (0.0, 900.0, "<15 min"),
    ],
)
def test_an_interval_of_time_is_told_in_one_unit(low: float, high: float, words: str) -> None:
    assert time_span(low, high) == words
