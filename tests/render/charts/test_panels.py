"""Panels show every reading, every limit, every mark where it belongs."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.model import Limit, Series, Side
from rig.render.charts import interval_chart, panels
from rig.render.charts.drawing import Area, Drawing, Label, PolyLine, Sign
from rig.render.charts.envelope import envelope
from rig.render.charts.interval_chart import IntervalRow
from rig.render.charts.panel import Moment, Panel, Trace, value_range
from rig.render.charts.panels import NARROW, WIDE, Figure, NamedSpan
from rig.render.timeline import Bar

SECOND = 1_000_000_000
T0 = 1_900_000_000 * SECOND
END = T0 + 100 * SECOND


def trace(
    values: list[float], statuses: list[int] | None = None, look: str = "s1", label: str = "x"
) -> Trace:
    count = len(values)
    one = Series(
        channel="x", t_ns=np.linspace(T0, END, count).astype(np.int64), h_ns=np.zeros(count, np.int64),
        value=np.array(values), status=np.array(statuses or [0] * count, np.uint8),
        session=np.ones(count, np.int32),
    )  # fmt: skip
    return Trace(label=label, look=look, envelope=envelope(one, T0, END, 100))


def panel(*limits: Limit, values: list[float] | None = None, **more: object) -> Panel:
    arguments: dict[str, object] = {
        "title": "A1.heatsink", "unit_of_measure": "degC", "traces": (trace(values or [70.0, 75.0, 80.0]),),
        "limits": limits,
    }  # fmt: skip
    return Panel(**(arguments | more))  # type: ignore[arg-type]


def figure(*shown: Panel, **more: object) -> Figure:
    arguments: dict[str, object] = {
        "title": "t", "description": "d", "start_ns": T0, "end_ns": END, "panels": shown,
    }  # fmt: skip
    return Figure(**(arguments | more))  # type: ignore[arg-type]


def words(drawing: Drawing) -> list[str]:
    return [part.text for part in drawing.parts if isinstance(part, Label)]


def looks(drawing: Drawing) -> list[str]:
    return [part.look for part in drawing.parts if not isinstance(part, Label)]


HIGH = Limit(side=Side.HIGH, value=95.0, early=85.0)
FAR = Limit(side=Side.HIGH, value=9500.0)


@given(
    st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=30),
    st.lists(st.floats(-1e6, 1e6), max_size=3),
    st.sampled_from([WIDE, NARROW]),
)
def test_everything_lies_within_the_picture(values: list[float], bounds: list[float], width: float) -> None:
    limits = [Limit(side=Side.HIGH, value=bound, early=bound - 1.0) for bound in bounds]
    drawing = panels.draw(figure(panel(*limits, values=values), zero_ns=T0), width)
    for part in drawing.parts:
        if isinstance(part, PolyLine | Area):
            assert part.points[:, 0].min() >= 0
            assert part.points[:, 0].max() <= width
            assert part.points[:, 1].min() >= 0
            assert part.points[:, 1].max() <= drawing.height
        elif isinstance(part, Sign):
            assert 0 <= part.x <= width
        else:
            assert 0 <= part.y <= drawing.height


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=30), st.floats(-1e7, 1e7))
def test_no_good_reading_is_cut_off_by_a_limit(values: list[float], bound: float) -> None:
    low, high = value_range(panel(Limit(side=Side.LOW, value=bound), values=values))
    assert low <= min(values)
    assert high >= max(values)
    assert -math.inf < low < high < math.inf


def test_a_near_limit_is_drawn_and_named_a_far_one_only_named_with_its_direction() -> None:
    near = panels.draw(figure(panel(HIGH)))
    assert {"limit", "early", "beyond", "nearly"} <= set(looks(near))
    assert "high 95 degC" in words(near)
    assert "warning 85" in words(near)
    far = panels.draw(figure(panel(FAR)))
    assert "limit" not in looks(far)
    assert "↑ high 9500 degC" in words(far)


def test_labels_of_close_limits_do_not_cover_each_other() -> None:
    close = [
        Limit(side=Side.HIGH, value=0.5, early=0.4), Limit(side=Side.LOW, value=-0.5, early=-0.4),
    ]  # fmt: skip
    drawing = panels.draw(figure(panel(*close, values=[0.0, 10.0, 0.0])))
    labels = [p for p in drawing.parts if isinstance(p, Label) and p.look in ("limitword", "earlyword")]
    assert {"high 0.5 degC", "low -0.5 degC"} <= {label.text for label in labels}
    for one in labels:
        for other in labels:
            if one is not other and one.anchor == other.anchor:
                assert abs(one.y - other.y) >= 10.0


def test_bad_readings_are_marked_and_counted_with_their_reason() -> None:
    bad = panel(traces=(trace([70.0, math.nan, math.nan, 71.0], [0, 5, 5, 0]),))
    drawing = panels.draw(figure(bad))
    assert "bad" in looks(drawing)
    assert any("no reply 2" in text for text in words(drawing))


def test_a_suspect_number_is_a_cross_at_the_edge_and_leaves_the_scale_alone() -> None:
    strayed = panel(traces=(trace([70.0, 4000.0, 71.0, 70.0], [0, 1, 0, 0]),))
    assert value_range(strayed)[1] < 72
    assert any(isinstance(p, Sign) and p.look == "bad" for p in panels.draw(figure(strayed)).parts)


def test_crossing_onset_reference_phases_gaps_and_sessions_are_marked() -> None:
    moment = Moment(earliest_ns=T0 + 40 * SECOND, latest_ns=T0 + 50 * SECOND, best_ns=T0 + 44 * SECOND)
    marked = panel(HIGH, crossing=moment, onset=moment)
    drawing = panels.draw(
        figure(
            marked,
            zero_ns=T0 + 44 * SECOND,
            phases=(
                NamedSpan(start_ns=T0, end_ns=T0 + 60 * SECOND, name="warm-up"),
                NamedSpan(start_ns=T0 + 60 * SECOND, end_ns=END, name="high mains"),
            ),
            unrecorded=(NamedSpan(start_ns=T0 + 70 * SECOND, end_ns=T0 + 80 * SECOND),),
            sessions=(NamedSpan(start_ns=T0 + 80 * SECOND, end_ns=END),),
        )
    )
    assert {"crossing", "best", "onset", "reference", "phase0", "phase1", "gap", "session"} <= set(
        looks(drawing)
    )
    assert {"warm-up", "high mains", "onset", "0"} <= set(words(drawing))
    assert any("0 = 2030-03-17" in text for text in words(drawing))


def test_several_channels_in_a_panel_have_a_legend_one_has_none() -> None:
    several = panel(traces=tuple(trace([1.0, 2.0], look=f"s{k}", label=f"A{k}.heatsink") for k in (1, 2, 3)))
    assert {"A1.heatsink", "A2.heatsink", "A3.heatsink"} <= set(words(panels.draw(figure(several))))
    assert "x" not in words(panels.draw(figure(panel())))


def test_a_panel_without_a_single_good_reading_is_drawn() -> None:
    nothing = panel(HIGH, traces=(trace([math.nan, math.nan], [5, 5]),))
    assert "high 95 degC" in words(panels.draw(figure(nothing)))


seconds = st.floats(-1e5, 1e5)


@given(
    st.lists(st.tuples(seconds, st.floats(0, 1e3), st.booleans(), st.booleans()), min_size=1, max_size=12),
    st.sampled_from([WIDE, NARROW]),
)
def test_later_intervals_never_stand_left_of_earlier_ones(
    spans: list[tuple[float, float, bool, bool]], width: float
) -> None:
    rows = []
    for number, (start, length, open_left, open_right) in enumerate(spans):
        bar = Bar(
            label=str(number), earliest_s=None if open_left else start,
            latest_s=None if open_right else start + length, best_s=start + length / 2,
        )  # fmt: skip
        rows.append(
            IntervalRow(rank="1", channel=f"c{number}", crossing=bar, onset=bar if number % 2 else None)
        )
    drawing = interval_chart.draw(rows, "t", "d", width)
    boxes = [part for part in drawing.parts if isinstance(part, Area) and part.look == "interval"]
    assert len(boxes) == len(rows)
    starts = [
        (span[0], box.points[:, 0].min()) for span, box in zip(spans, boxes, strict=True) if not span[2]
    ]
    for a, x in starts:
        for b, y in starts:
            if a <= b:
                assert x <= y + 0.05
    for part in drawing.parts:
        if isinstance(part, PolyLine | Area):
            assert part.points[:, 0].min() >= 0
            assert part.points[:, 0].max() <= width


@pytest.mark.parametrize("width", [WIDE, NARROW])
def test_names_and_marks_of_the_intervals_do_not_cover_each_other(width: float) -> None:
    bars = [Bar(label="x", earliest_s=s, latest_s=s + 0.5, best_s=s + 0.2) for s in (0.0, 10.0, 12.0, 4000.0)]
    rows = [IntervalRow(rank="1-4", channel=f"A2.channel{at}", crossing=bar) for at, bar in enumerate(bars)]
    drawing = interval_chart.draw(rows, "t", "d", width)
    ticks = sorted(p.x for p in drawing.parts if isinstance(p, Label) and p.anchor == "middle")
    assert len(ticks) >= 3
    assert min(np.diff(ticks)) > 20
    assert "axis logarithmic away from 0" in words(drawing)
