"""Like channels, stimuli, medians and grids: what the analysis is laid out on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.domain.model import ChannelKind, Event, EventKind
from rig.forensics.analysis_data import (
    AnalysisData,
    alike,
    instrument_of,
    is_temperature,
    level_of,
    middle_of,
    quantity,
    stimuli,
)
from rig.forensics.channel_readings import period_s, readings
from rig.forensics.grids import grid, kept_width, width_for
from tests.forensics.rooms import START_NS, Room, channel, series

S = 1_000_000_000
NAN = np.nan


def room() -> Room:
    channels = [
        channel("A1.t", unit_of_measure="degC"),
        channel("A2.t", unit="A2", unit_of_measure="degC"),
        channel("A3.t", unit="A3", unit_of_measure="degF"),
        channel("A2.v", unit="A2"),
        channel("t", unit=None, unit_of_measure="degC"),
        channel("mains", unit=None, kind=ChannelKind.STIMULUS),
        channel("A1.signal", kind=ChannelKind.STIMULUS),
        channel("A2.signal", unit="A2", kind=ChannelKind.STIMULUS),
    ]
    data = {c.name: series(c.name, [0, 1, 2], [1.0, 2.0, 4.0]) for c in channels}
    return Room(channels=channels, data=data)


def test_like_channels_share_their_quantity_and_unit_of_measure_on_other_units() -> None:
    layout = room().layout
    assert alike(layout, layout.channels["A1.t"]) == ["A2.t"]
    assert alike(layout, layout.channels["A3.t"]) == []
    assert alike(layout, layout.channels["t"]) == []
    assert quantity(layout.channels["A1.t"]) == "t"
    assert quantity(layout.channels["mains"]) == "mains"


def test_the_stimuli_of_a_unit_are_the_rooms_and_its_own() -> None:
    layout = room().layout
    assert stimuli(layout, "A1") == ["mains", "A1.signal"]
    assert stimuli(layout, None) == ["mains"]


def test_temperatures_and_instruments_are_known_by_what_the_channel_says() -> None:
    assert [is_temperature(channel("x", unit_of_measure=u)) for u in ("degC", "degF", "K", "V")] == [
        True, True, True, False
    ]  # fmt: skip
    assert instrument_of(channel("x", instrument="dmm")) == "dmm"
    assert instrument_of(replace(channel("x"), source=None, formula="1")) is None


def test_the_middle_of_rows_is_taken_bin_by_bin_over_what_is_known() -> None:
    rows = np.array([[1.0, 5.0, NAN, NAN], [3.0, NAN, NAN, 8.0], [10.0, 7.0, NAN, NAN]])
    assert middle_of(rows) == pytest.approx([3.0, 6.0, NAN, 8.0], nan_ok=True)
    assert middle_of(rows[:2]) == pytest.approx([2.0, 5.0, NAN, 8.0], nan_ok=True)


def test_the_level_of_a_row_is_the_middle_of_its_known_values() -> None:
    assert level_of(np.array([NAN, 1.0, 9.0, 2.0])) == 2.0
    assert np.isnan(level_of(np.array([NAN, NAN])))


def test_events_are_chosen_by_kind_and_by_moments_that_belong_to_it() -> None:
    made = room()
    made.happened = [
        Event(kind=kind, t_ns=START_NS + t * S, session=1, seq=t, subject="x", text="")
        for t, kind in enumerate([EventKind.NOTE, EventKind.SWITCH, EventKind.NOTE, EventKind.GAP])
    ]
    data = AnalysisData(made, made.layout, made.span)

    def seqs(*arguments: object) -> list[int]:
        return [event.seq for event in data.events(*arguments)]  # type: ignore[arg-type]

    assert seqs() == [0, 1, 2, 3]
    assert seqs({EventKind.NOTE}) == [0, 2]
    assert seqs(None, START_NS + S) == [1, 2, 3]
    assert seqs(None, None, START_NS + 2 * S) == [0, 1, 2]
    assert seqs({EventKind.NOTE}, START_NS + 1, START_NS + 2 * S) == [2]


def test_readings_are_read_once_and_their_means_fall_into_bins() -> None:
    made = room()
    data = AnalysisData(made, made.layout, made.span)
    assert data.track("A1.t") is data.track("A1.t")
    assert data.readings("A1.t").value.tolist() == [1.0, 2.0, 4.0]
    assert data.means("A1.t", START_NS, 2 * S, 3) == pytest.approx([1.5, 4.0, NAN], nan_ok=True)


def test_usable_is_a_good_status_and_a_finite_number() -> None:
    found = readings(channel("x"), series("x", range(5), [1, NAN, np.inf, 4, 5], status=[0, 0, 0, 1, 5]))
    assert found.usable.tolist() == [True, False, False, False, False]
    assert len(found) == 5


def test_the_usual_time_between_readings_is_the_middle_of_the_steps_forward() -> None:
    assert period_s(np.array([0, S, 2 * S, 10 * S])) == 1.0
    assert period_s(np.array([0, 2 * S, 2 * S, S, 3 * S])) == 2.0
    assert period_s(np.array([5])) == 0.0
    assert period_s(np.array([5, 5])) == 0.0


# ---- grids: the recording keeps bins of 60, 300 and 1800 s, and the past is put into 1500 bins


@pytest.mark.parametrize(
    ("hours", "width_s"), [(24.9, None), (25.0, 60), (124.9, 60), (125.0, 300), (749.9, 300), (750.0, 1800)]
)
def test_a_stretch_of_fifteen_hundred_bins_is_told_by_them(hours: float, width_s: int | None) -> None:
    assert width_for(round(hours * 3600 * S)) == width_s


@pytest.mark.parametrize(
    ("start_s", "width_s", "kept"),
    [(0, 60, 60), (60, 60, 60), (30, 60, None), (0, 90, None), (0, 300, 300), (300, 600, 300), (60, 300, 60),
     (0, 3600, 1800), (1800, 1800, 1800), (300, 1800, 300)],
)  # fmt: skip
def test_a_grid_is_made_of_kept_bins_where_its_edges_are_theirs(
    start_s: int, width_s: int, kept: int | None
) -> None:
    assert kept_width(start_s * S, width_s * S) == kept


def test_a_fine_grid_is_as_asked_for() -> None:
    assert grid(7 * S, 107 * S, 50) == (7 * S, 2 * S, 50)
    assert grid(0, 59 * S, 1) == (0, 59 * S, 1)
    assert grid(5, 5, 3) == (5, 1, 3)


@pytest.mark.parametrize(
    ("start_s", "until_s", "count", "expected"),
    [
        (0, 6000, 100, (0, 60, 100)),
        (0, 8900, 100, (0, 60, 148)),  # 89 s are rounded to 60
        (0, 9100, 100, (60, 120, 75)),  # 91 s to 120; the last full minute is 9060
        (30, 6030, 100, (0, 60, 100)),
        (0, 30_000, 100, (0, 300, 100)),
        (100, 180_100, 100, (0, 1800, 100)),
    ],
)
def test_a_coarse_grid_is_made_of_kept_bins_and_ends_at_the_last_full_one(
    start_s: int, until_s: int, count: int, expected: tuple[int, int, int]
) -> None:
    start, width, bins = grid(start_s * S, until_s * S, count)
    assert (start // S, width // S, bins) == expected
    assert start + bins * width <= until_s * S
