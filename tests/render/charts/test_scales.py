"""Marks at round numbers, as many as asked for at most."""

import itertools
import math
from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st

from rig.render.charts.scales import Scale, time_ticks, value_ticks

SECOND = 1_000_000_000
NOON = 1_900_000_000 * SECOND


@given(
    st.floats(-1e9, 1e9), st.floats(1e-6, 1e9), st.integers(1, 9),
)  # fmt: skip
def test_value_marks_lie_inside_and_are_no_more_than_asked_for(low: float, span: float, most: int) -> None:
    high = low + span
    ticks = value_ticks(low, high, most)
    assert len(ticks) <= most
    slack = span * 1e-6 + 4 * math.ulp(abs(low))
    assert all(low - slack <= value <= high + slack for value, _ in ticks)


def test_value_marks_are_round_and_say_no_more_than_they_need() -> None:
    assert [words for _, words in value_ticks(73.2, 107.9, 4)] == ["80", "90", "100"]
    assert [words for _, words in value_ticks(0.0, 1.0, 4)] == ["0", "0.5", "1.0"]
    assert value_ticks(1.0, 1.0, 4) == []


@given(st.integers(0, 4 * 10**18), st.integers(10**6, 10**17), st.integers(2, 9), st.booleans())
def test_time_marks_lie_inside_and_ascend(low: int, span: int, most: int, relative: bool) -> None:
    ticks = time_ticks(low, low + span, most, low + span // 3 if relative else None)
    assert len(ticks) <= most
    assert all(low <= t <= low + span for t, _ in ticks)
    assert all(a < b for (a, _), (b, _) in itertools.pairwise(ticks))


def test_clock_marks_stand_at_full_hours_and_name_each_new_day_once() -> None:
    low = int(datetime(2030, 3, 17, 17, 46, tzinfo=UTC).timestamp()) * SECOND
    words = [words for _, words in time_ticks(low, low + 30 * 3600 * SECOND, 8)]
    assert words == ["03-17 18:00", "03-18 00:00", "06:00", "12:00", "18:00"]


def test_relative_marks_count_from_the_reference() -> None:
    words = [words for _, words in time_ticks(NOON - 12 * SECOND, NOON + 17 * SECOND, 8, NOON)]
    assert words == ["-10 s", "-5 s", "0", "+5 s", "+10 s", "+15 s"]


@given(st.floats(-1e3, 1e3), st.floats(-1e4, 1e4))
def test_a_scale_never_leaves_its_panel(low: float, value: float) -> None:
    scale = Scale(low=low, high=low + 10.0, start=50.0, end=850.0)
    assert 50.0 <= scale.at(value) <= 850.0
