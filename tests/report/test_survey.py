"""One pass over the channels: counts, excursions and extremes are those of the readings."""

import numpy as np
import pytest

from rig.core.model import Status
from rig.report.survey import survey
from tests.report import recordings
from tests.report.recordings import Recording, layout


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
    assert one.narrowest.margin == pytest.approx(95.0 - recordings.STRAY_DEGC)
    assert not one.open_at_end


def test_what_died_is_out_at_the_end(recording: Recording) -> None:
    found = survey(recording, 430)
    assert [name for name, one in found.items() if one.open_at_end] == ["A2.heatsink", "A2.volts"]
