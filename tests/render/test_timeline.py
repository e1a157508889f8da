"""Bars of intervals: what is certainly before stands before, whatever the scale."""

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.render.timeline import Bar, axis, chart

seconds = st.floats(min_value=-1e6, max_value=1e6, allow_nan=False)


@st.composite
def bars(draw: st.DrawFn) -> list[Bar]:
    made = []
    for at in range(draw(st.integers(1, 8))):
        first, length = draw(seconds), draw(st.floats(min_value=0, max_value=1e4))
        made.append(
            Bar(
                label=f"c{at}",
                earliest_s=draw(st.sampled_from([first, None])),
                latest_s=draw(st.sampled_from([first + length, None])),
                best_s=draw(st.sampled_from([first + length / 2, None])),
            )
        )
    return made


@given(bars(), st.integers(40, 150))
def test_every_chart_fits_and_has_a_line_per_bar(made: list[Bar], width: int) -> None:
    lines = chart(made, width, 12)
    assert len([line for line in lines if line.startswith("c")]) == len(made)
    assert all(len(line) <= width for line in lines)


@given(bars(), st.integers(20, 150))
def test_later_never_stands_before_earlier(made: list[Bar], width: int) -> None:
    scale = axis(made, width)
    moments = sorted(s for bar in made for s in (bar.earliest_s, bar.best_s, bar.latest_s) if s is not None)
    cells = [scale.cell(s) for s in moments]
    assert cells == sorted(cells)
    assert all(0 <= cell < width for cell in cells)


def test_a_linear_axis_is_to_scale() -> None:
    made = [
        Bar(label="a", earliest_s=0.0, latest_s=1.0, best_s=0.5),
        Bar(label="b", earliest_s=9.0, latest_s=10.0, best_s=9.5),
    ]
    scale = axis(made, 110)
    assert scale.bend_s == 0
    # -0.5 s to 10.5 s on 110 cells: ten cells a second
    assert [scale.cell(s) for s in (0.001, 1.001, 9.001)] == [5, 15, 95]


def test_a_death_of_seconds_and_consequences_of_hours_stay_apart_on_one_line() -> None:
    starts = [0.0, 0.5, 1.2, 7200.0]
    made = [Bar(label=f"c{s}", earliest_s=s, latest_s=s + 0.4, best_s=s + 0.2) for s in starts]
    scale = axis(made, 60)
    assert scale.bend_s > 0
    for a, b in itertools.pairwise(made):
        assert scale.cell(a.latest_s or 0) <= scale.cell(b.earliest_s or 0)
    assert len({scale.cell(bar.best_s or 0) for bar in made}) == 4
    assert "logarithmic" in chart(made, 80, 10)[-1]


@given(st.integers(10, 120), st.floats(min_value=0.01, max_value=10))
def test_the_time_of_a_cell_lies_in_that_cell(width: int, bend: float) -> None:
    made = [
        Bar(label="a", earliest_s=-3.0, latest_s=bend, best_s=0.0),
        Bar(label="b", earliest_s=1e5, latest_s=1e5 + 1, best_s=1e5),
    ]
    scale = axis(made, width)
    for cell in range(width):
        assert scale.cell(scale.seconds(cell)) == cell or math.isclose(
            scale.seconds(cell), scale.seconds(scale.cell(scale.seconds(cell))), rel_tol=1e-6
        )


@pytest.mark.parametrize(
    "only",
    [
        Bar(label="x", earliest_s=None, latest_s=None, best_s=None),
        Bar(label="x", earliest_s=0.0, latest_s=0.0, best_s=0.0),
    ],
)
def test_a_bar_without_ends_or_without_length_can_be_drawn(only: Bar) -> None:
    assert len(chart([only], 60, 10)) >= 2


def test_open_sides_and_best_guess_have_their_signs() -> None:
    made = [
        Bar(label="whole", earliest_s=0.0, latest_s=4.0, best_s=2.0),
        Bar(label="open", earliest_s=None, latest_s=4.0, best_s=None),
        Bar(label="ahead", earliest_s=2.0, latest_s=None, best_s=None),
    ]
    whole, before, ahead = (line[11:] for line in chart(made, 71, 10)[1:4])
    assert (whole.count("["), whole.count("*"), whole.count("]")) == (1, 1, 1)
    assert before.startswith("<==")
    assert ahead.endswith("==>")
