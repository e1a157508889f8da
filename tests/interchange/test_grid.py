"""The common grid against pandas' as-of join; stamps as text against the standard library."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.model import Series
from rig.interchange import grid

SECOND = 10**9


def series(t_ns: list[int]) -> Series:
    count = len(t_ns)
    return Series(
        channel="a", t_ns=np.array(t_ns, np.int64), h_ns=np.zeros(count, np.int64),
        value=np.arange(count, dtype=float), status=np.zeros(count, np.uint8),
        session=np.zeros(count, np.int32),
    )  # fmt: skip


@given(
    st.lists(st.integers(-20, 60), max_size=30),
    st.integers(-30, 30),
    st.integers(0, 60),
    st.integers(1, 9),
    st.integers(0, 25),
)
def test_each_point_holds_the_reading_that_an_as_of_join_finds(
    t_ns: list[int], start: int, length: int, every: int, age: int
) -> None:
    """Reference: pandas.merge_asof, direction backward, with a tolerance."""
    points = grid.points(start, start + length, every)
    found = grid.held(series(t_ns), points, age)
    left = pd.DataFrame({"t": points})
    right = pd.DataFrame({"t": np.array(t_ns, np.int64), "at": np.arange(len(t_ns), dtype=np.int64)})
    right = right.sort_values("t", kind="stable").drop_duplicates("t", keep="last")
    joined = pd.merge_asof(left, right, on="t", tolerance=age)
    assert found.tolist() == joined["at"].fillna(-1).astype(int).tolist()


def test_the_grid_lies_on_multiples_and_covers_the_end() -> None:
    assert grid.points(-5, 21, 10).tolist() == [0, 10, 20, 30]
    assert grid.points(10, 10, 10).tolist() == [10]


@given(st.integers(-600_000_000, 7_000_000_000))
def test_texts_of_a_stamp_are_those_of_the_library(second: int) -> None:
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=second)
    t_ns = np.array([second * SECOND])
    zone = ZoneInfo("America/New_York")
    assert grid.local_texts(t_ns, 0, zone) == [moment.astimezone(zone).isoformat()]
    assert grid.utc_texts(t_ns, 3) == [moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")]


def test_the_hour_that_comes_twice_has_two_offsets() -> None:
    """Directive 2000/84/EC: summer time ended on 2025-10-26 at 1:00 UTC."""
    first = int(datetime(2025, 10, 26, 0, 30, tzinfo=UTC).timestamp()) * SECOND
    texts = grid.local_texts(np.array([first, first + 3600 * SECOND]), 0, ZoneInfo("Europe/Berlin"))
    assert texts == ["2025-10-26T02:30:00+02:00", "2025-10-26T02:30:00+01:00"]


@pytest.mark.parametrize(("every_ns", "digits"), [(SECOND, 0), (60 * SECOND, 0), (250_000_000, 3), (1000, 6)])
def test_stamps_get_as_many_decimals_as_the_grid_needs(every_ns: int, digits: int) -> None:
    assert grid.digits_of(every_ns) == digits
