"""What readings show beyond doubt, on distances from the limit made by hand, in standard deviations."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rig.domain.uncertainty import MeasurementModel
from rig.forensics.guaranteed_bracket import GuaranteedBracket, guaranteed_bracket
from rig.forensics.local import Local
from rig.forensics.noise import Noise
from tests.forensics.rooms import channel

FAR = 1000.0
"""Beyond doubt by itself, and in every mean it is part of."""


def near(
    z: list[float],
    first_outside: int,
    *,
    dt: float = 1.0,
    deadband: float = 0.0,
    step: float = 0.0,
    **more: Any,
) -> Local:
    """Readings a distance ``z`` beyond the limit, taken ``dt`` apart within +-0.1 s; the first is at 0 s."""
    t = np.arange(len(z), dtype=np.float64) * dt
    one = channel("A1.x", **more)
    return Local(
        channel=one, bounds=MeasurementModel(one, {}).bounds(),
        base_ns=0, t=t, h=np.full(len(z), 0.1), z=np.array(z, dtype=float),
        last_inside=first_outside - 1, first_outside=first_outside, deadband=deadband,
        noise=Noise(sigma=1.0, step=step, degrees=100, smooth=False),
    )  # fmt: skip


def ends(found: GuaranteedBracket) -> tuple[float, float]:
    return round(found.earliest_s, 6), round(found.latest_s, 6)


def test_the_bracket_lies_between_the_last_and_the_first_reading_that_show_a_side() -> None:
    found = guaranteed_bracket(near([-FAR] * 20 + [0.5] + [FAR] * 20, 20))
    assert ends(found) == (18.9, 21.1)
    assert (found.inside, found.outside, found.sure) == (19, 21, True)


@pytest.mark.parametrize(("last", "earliest"), [(-4.2, 19.9), (-3.8, 18.9)])
def test_a_reading_shows_that_it_is_inside_by_four_sigmas(last: float, earliest: float) -> None:
    assert ends(guaranteed_bracket(near([-FAR] * 20 + [last] + [FAR] * 20, 21))) == (earliest, 21.1)


@pytest.mark.parametrize(("first", "latest"), [(4.2, 20.1), (3.8, 21.1)])
def test_a_reading_shows_that_it_is_out_by_four_sigmas(first: float, latest: float) -> None:
    assert ends(guaranteed_bracket(near([-FAR] * 20 + [first] + [FAR] * 20, 20))) == (18.9, latest)


@pytest.mark.parametrize(("first", "latest"), [(5.7, 20.1), (5.4, 21.1)])
def test_accuracy_and_half_the_display_step_are_added(first: float, latest: float) -> None:
    local = near([-FAR] * 20 + [first] + [FAR] * 20, 20, accuracy=1.0, step=1.2)  # 4 + 1 + 0.6
    assert ends(guaranteed_bracket(local))[1] == latest


@pytest.mark.parametrize(
    ("beyond", "latest"),
    [(2.1, 23.1), (1.9, 35.1), (1.05, 35.1), (0.95, 83.1), (0.52, 83.1), (0.48, 275.1), (0.27, 275.1)],
)
def test_four_sixteen_and_more_neighbours_show_on_average_what_one_does_not(
    beyond: float, latest: float
) -> None:
    # the mean of n readings scatters by 1/sqrt(n): 4, 16, 64 and 256 show 2, 1, 0.5 and 0.25 sigmas
    found = guaranteed_bracket(near([-FAR] * 20 + [beyond] * 400, 20))
    assert found.sure
    assert ends(found)[1] == latest


@pytest.mark.parametrize(("within", "group"), [(2.1, 4), (1.9, 16), (0.95, 64), (0.48, 256)])
def test_means_show_that_it_was_still_inside_too(within: float, group: int) -> None:
    # 400 readings inside by so much: the last group that shows it begins that many readings before their end
    found = guaranteed_bracket(near([-within] * 400 + [FAR] * 20, 400))
    assert ends(found) == (400 - group - 0.1, 400.1)


def test_never_out_beyond_doubt_is_not_sure_and_ends_with_the_first_reading_out() -> None:
    found = guaranteed_bracket(near([-FAR] * 20 + [0.2] * 4 + [-FAR] * 5, 20))
    assert not found.sure
    assert ends(found) == (18.9, 20.1)
    assert found.outside == 20


def test_never_inside_beyond_doubt_begins_with_the_first_reading() -> None:
    found = guaranteed_bracket(near([-0.5] * 3 + [FAR] * 5, 3))
    assert ends(found) == (-0.1, 3.1)
    assert found.inside == 0


@pytest.mark.parametrize(("deadband", "earliest"), [(0.0, 20.9), (0.9, 20.9), (1.1, 18.9)])
def test_past_the_first_reading_out_only_the_deadband_shows_a_way_back(
    deadband: float, earliest: float
) -> None:
    # 5 inside less 4 sigmas is at least 1 inside
    found = guaranteed_bracket(near([-FAR] * 20 + [0.5, -5.0, FAR, FAR], 20, deadband=deadband))
    assert ends(found) == (earliest, 22.1)


# ---- behind a lagging sensor (time constant 1 s): the value behind two readings is (y2 - k y1) / (1 - k)

K = float(np.exp(-0.5))
"""What half a time constant leaves of a step (first-order lag, any textbook)."""


def behind(before: float, quantity: float) -> float:
    """Return what the sensor shows half a time constant after ``before``, the quantity being steady."""
    return quantity + (before - quantity) * K


NEEDED = np.sqrt(1 + K**2) / (1 - K)
"""How much larger the scatter of the value behind is than that of a reading."""


@pytest.mark.parametrize(("sigmas", "latest"), [(5.2, 15.1), (4.8, 15.6)])
def test_behind_a_lag_five_sigmas_of_the_undone_value_show_a_side(sigmas: float, latest: float) -> None:
    z = [-100.0] * 30 + [behind(-100.0, sigmas * NEEDED), FAR, FAR]
    found = guaranteed_bracket(near(z, 31, dt=0.5, lag_s=1.0))
    assert ends(found)[1] == latest


@pytest.mark.parametrize(("sigmas", "latest"), [(5.2, 15.1), (4.8, 15.6)])
def test_behind_a_lag_the_accuracy_counts_once(sigmas: float, latest: float) -> None:
    z = [-100.0] * 30 + [behind(-100.0, sigmas * NEEDED + 3.0), 14.0, 14.0]
    assert ends(guaranteed_bracket(near(z, 31, dt=0.5, lag_s=1.0, accuracy=3.0)))[1] == latest


@pytest.mark.parametrize(("tolerance", "latest"), [(0.0, 15.1), (0.3, 15.6)])
def test_a_side_counts_only_where_both_ends_of_the_lag_tolerance_show_it(
    tolerance: float, latest: float
) -> None:
    # a rise that needs the full lag to lie beyond: with a lag of 0.7 s the quantity would not be out
    z = [-100.0] * 30 + [behind(-100.0, 6 * NEEDED), FAR, FAR]
    assert ends(guaranteed_bracket(near(z, 31, dt=0.5, lag_s=1.0, lag_tolerance_s=tolerance)))[1] == latest


@pytest.mark.parametrize(("apart", "early"), [(7.5, True), (8.5, False)])
def test_a_quantity_cannot_have_crossed_more_than_eight_time_constants_before_its_sensor(
    apart: float, early: bool
) -> None:
    k = 60
    burst = k - round(apart / 0.5)
    z = [-100.0] * k + [FAR, FAR]
    z[burst] = behind(-100.0, 50.0)
    found = guaranteed_bracket(near(z, k, dt=0.5, lag_s=1.0))
    assert ends(found)[1] == (burst * 0.5 + 0.1 if early else 30.1)


def test_a_lagging_sensor_that_still_sinks_shows_that_its_quantity_was_inside() -> None:
    # 2 K out and falling towards -30: the reading is out, the quantity is not
    z = [-100.0, 60.0]
    for _ in range(6):
        z.append(behind(z[-1], -30.0))
    z += [FAR, FAR]
    found = guaranteed_bracket(near(z, 8, dt=0.5, lag_s=1.0))
    assert found.inside >= 0
    assert found.sure


@pytest.mark.parametrize(
    ("apart", "quantity", "gap"),
    [
        (0.5, 16.0, 1),
        (0.5, 12.0, 2),
        (0.5, 7.5, 4),
        (0.5, 5.5, 8),
        (0.05, 25.0, 8),
        (0.05, 12.0, 16),
        (0.05, 7.5, 32),
        (0.05, 5.3, 64),
    ],
)
def test_looks_over_more_readings_show_what_short_ones_do_not(
    apart: float, quantity: float, gap: int
) -> None:
    # A quantity steady so many sigmas out. Undone over 1, 2, 4, 8 readings half a time constant apart it
    # scatters by sqrt(1 + k^2) / (1 - k) = 2.97, 1.69, 1.17, 1.02 sigmas, five of which are 14.9, 8.4, 5.8,
    # 5.1; over 8, 16, 32, 64 readings a twentieth apart five are 18.2, 9.9, 6.4, 5.2 (and over four 36).
    z = [-100.0] * 30
    for _ in range(200):
        z.append(quantity + (z[-1] - quantity) * float(np.exp(-apart)))
    first = next(k for k, value in enumerate(z) if value > 0)
    found = guaranteed_bracket(near(z, first, dt=apart, lag_s=1.0))
    assert found.sure
    assert ends(found)[1] == pytest.approx((29 + gap) * apart + 0.1)
