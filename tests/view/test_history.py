"""Sparklines: a spike stays visible, noise does not look like an event, a hole is a hole."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.model import Status
from rig.view.margin import pieces
from rig.view.row_tables import BLOCKS, HISTORY, channel_columns, spark
from rig.view.snapshot_maker import PIECES
from rig.view.unit_rows import UnitNames, unit_columns
from tests.view.rooms import Feeder, layout

FLOATS = st.floats(allow_nan=True, allow_infinity=False, width=32)


def test_the_lowest_and_the_highest_block_are_the_ends_of_the_range() -> None:
    assert spark([0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0], 8) == BLOCKS


def test_a_spike_of_one_reading_in_ten_minutes_is_the_one_high_block() -> None:
    t = np.arange(-599.0, 1.0)
    values = np.full((600, 1), 70.0)
    values[300, 0] = 99.0
    history = pieces(t, values, 600.0, PIECES)[:, 0]
    for width in (24, 12, 8, 6):
        drawn = spark(history.tolist(), width)
        assert drawn.count(BLOCKS[-1]) == 1
        assert drawn.count(BLOCKS[0]) == width - 1


def test_less_than_the_least_span_is_drawn_in_the_middle() -> None:
    drawn = spark([70.0, 70.1, 70.0, 70.1], 4, least_span=2.0)
    assert set(drawn) <= set(BLOCKS[3:5])


def test_where_nothing_came_there_is_nothing() -> None:
    t = np.arange(-299.0, 1.0)
    values = np.full((300, 2), 5.0)
    values[:, 1] = np.nan
    history = pieces(t, values, 600.0, PIECES)
    assert np.isnan(history[: PIECES // 2]).all()
    assert spark(history[:, 0].tolist(), 8) == "    ▅▅▅▅"
    assert spark(history[:, 1].tolist(), 8) == " " * 8
    assert spark((), 8) == " " * 8


@given(st.lists(FLOATS, min_size=24, max_size=24), st.sampled_from([6, 8, 12, 24]), st.floats(0, 1e6))
def test_any_history_is_drawn_in_exactly_its_width(history: list[float], width: int, least: float) -> None:
    drawn = spark(history, width, least)
    assert len(drawn) == width
    assert set(drawn) <= {*BLOCKS, " "}


@given(st.integers(1, 300), st.integers(0, 100))
def test_every_reading_of_the_window_counts_in_one_piece(count: int, late: int) -> None:
    t = np.sort(np.random.default_rng(count).uniform(-700.0, 0.0, count))
    history = pieces(t - t[-1], np.arange(1.0, count + 1.0)[:, None] + late, 600.0, PIECES)[:, 0]
    inside = t - t[-1] > -600.0
    assert np.isfinite(history).sum() == len({math.ceil(one * PIECES / 600.0) for one in (t - t[-1])[inside]})


@pytest.mark.parametrize("width", [80, 88, 100, 120, 160, 200])
def test_the_columns_fit_the_width_and_names_keep_their_room(width: int) -> None:
    units = unit_columns(width, UnitNames(unit=2, quantity=11))
    for columns in (channel_columns(width, 14), channel_columns(width, 11), units):
        assert sum(column.width + 1 for column in columns) - 1 <= width
    assert channel_columns(width, 14)[0].width >= 14
    assert channel_columns(width, 11)[0].width >= 11
    assert any(column.title == HISTORY for column in channel_columns(width, 11))


def test_the_room_keeps_ten_minutes_of_each_channel() -> None:
    feeder = Feeder(layout())
    for at_s in range(700):
        feeder.everything(at_s, {"A1.heatsink": 60.0 + at_s * 0.01, "A2.heatsink": Status.NO_REPLY})
    channels = {one.name: one for one in feeder.picture(699.5).channels}
    first, *_, last = channels["A1.heatsink"].history
    assert first == pytest.approx(61.0, abs=0.3)
    assert last == pytest.approx(66.99, abs=0.3)
    assert all(math.isnan(one) for one in channels["A2.heatsink"].history)
    assert channels["A1.heatsink"].least_span > 0
