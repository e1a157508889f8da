"""One pass over the channels: counts, excursions and extremes are those of the readings."""

from dataclasses import replace

import numpy as np
import pytest

from rig.domain.layout_json import limits_to_json
from rig.domain.model import EventKind, Limit, Side, Status
from rig.render.channel_survey import survey
from tests.render import recordings
from tests.render.recordings import Recording, layout


@pytest.fixture(scope="module")
def recording() -> Recording:
    return Recording(layout())


def test_counts_and_extremes_agree_with_a_plain_look_at_the_readings(recording: Recording) -> None:
    found = survey(recording, 430)
    assert list(found) == list(recording.layout.channels)
    for name, one in found.items():
        series = recording.series(name)
        assert one.readings == len(series)
        for status in Status:
            assert one.counts.get(status, 0) == int((series.status == status).sum())
        for extreme in one.extremes:
            good = series.value[series.status == Status.GOOD]
            worst = good.max() if extreme.limit.side == "high" else good.min()
            assert extreme.value == worst
            at = series.t_ns[np.nanargmin(np.abs(series.value - worst))]
            assert extreme.t_ns == at


def test_a_stray_reading_shorter_than_the_on_delay_is_an_extreme_only(
    recording: Recording,
) -> None:
    one = survey(recording, 430)["A1.heatsink"]
    assert one.excursions == ()
    assert one.narrowest is not None
    # by the limit of the first session, in which it strayed
    assert one.narrowest.margin == pytest.approx(90.0 - recordings.STRAY_DEGC)
    assert not one.open_at_end


def test_limits_of_a_phase_a_reload_or_a_pre_flight_are_those_that_count_while_they_hold() -> None:
    own = limits_to_json(layout().channels["A1.heatsink"].limits)
    lower = limits_to_json([Limit(side=Side.HIGH, value=60.0)])
    held = recordings.event(EventKind.PHASE, 45, "run", "phase p", phase="p", limits={"A1.heatsink": lower})
    over = recordings.event(EventKind.CONFIG_CHANGE, 50, "run", "limits changed", limits={"A1.heatsink": own})
    none = recordings.event(EventKind.PHASE, 0.001, "run", "p", what="pre-flight", limits={"A1.heatsink": []})
    one = survey(Recording(layout(), (held, over, none)), 430)["A1.heatsink"]
    assert [(x.limit, x.end_ns) for x in one.excursions] == [(60.0, recordings.at(50))]
    assert recordings.at(45) <= one.excursions[0].start_ns < recordings.at(45.1)
    assert not one.open_at_end
    assert one.narrowest is not None
    assert one.narrowest.limit.value == 60.0  # the stray one came while a pre-flight let no limit hold


def test_limits_that_change_when_nothing_is_read_any_more_end_no_excursion() -> None:
    none: dict[str, list[object]] = {name: [] for name in layout().channels}
    after = recordings.event(
        EventKind.PHASE, recordings.END_H + 1, "run", "p", what="pre-flight", limits=none
    )
    found = survey(Recording(layout(), (replace(after, session=3),)), 430)
    assert [name for name, one in found.items() if one.open_at_end] == ["A2.heatsink", "A2.volts"]


def test_what_died_is_out_at_the_end(recording: Recording) -> None:
    found = survey(recording, 430)
    assert [name for name, one in found.items() if one.open_at_end] == ["A2.heatsink", "A2.volts"]
