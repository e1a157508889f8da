"""Rises over ambient: what their inputs lag and may be off by is theirs too."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.domain.model import Channel
from rig.forensics import analyse
from rig.forensics.answer import CrossingExcursion, PostMortem
from rig.forensics.inputs import PROVEN_SIGMAS, fastest
from tests.forensics.rooms import START_NS, Room, channel, high, series

LAG_S = 8.0
RATE = 0.2
T = np.arange(0, 900.0)


def rise(name: str, formula: str, limit: float) -> Channel:
    return replace(channel(name, high(limit), unit_of_measure="K"), source=None, formula=formula)


def explained(*, air_rate: float, air_lag_s: float, rise_first_s: float, accuracy: float = 0.0) -> PostMortem:
    """Return the answer for a heatsink that passes 95 degC at 600 s on a ramp, and its rise close to that.

    On a ramp a first-order sensor reads what was true one time constant before (textbook).
    """
    rng = np.random.default_rng(5)
    hot = 95.0 + RATE * (T - LAG_S - 600.0) + rng.normal(0, 0.02, len(T))
    air = 30.0 + air_rate * (T - air_lag_s - 600.0) + rng.normal(0, 0.02, len(T))
    limit = 65.0 - rise_first_s * (RATE - air_rate)
    channels = [
        channel(
            "A1.heatsink",
            high(95.0),
            unit_of_measure="degC",
            lag_s=LAG_S,
            lag_tolerance_s=0.8,
            accuracy=accuracy,
        ),
        channel("A1.air", unit_of_measure="degC", lag_s=air_lag_s, accuracy=accuracy),
        rise("A1.rise", "A1.heatsink - A1.air", limit),
    ]
    data = {
        "A1.heatsink": series("A1.heatsink", T, hot, h_s=0.02),
        "A1.air": series("A1.air", T, air, h_s=0.02),
        "A1.rise": series("A1.rise", T, hot - air, h_s=0.02),
    }
    return analyse(Room(channels, data), unit="A1")


def crossing(answer: PostMortem, name: str) -> CrossingExcursion:
    found = answer.story(name).ordered
    assert found is not None
    return found


def holds(found: CrossingExcursion, moment_s: float) -> bool:
    interval = found.interval
    assert interval.earliest_ns is not None
    assert interval.latest_ns is not None
    return interval.earliest_ns <= START_NS + moment_s * 1e9 <= interval.latest_ns


@pytest.mark.parametrize("air_lag_s", [0.0, 8.0, 60.0])
@pytest.mark.parametrize("air_rate", [0.0, 0.02, -0.02])
def test_a_rise_that_left_four_seconds_before_its_heatsink_is_never_put_after_it(
    air_rate: float, air_lag_s: float
) -> None:
    answer = explained(air_rate=air_rate, air_lag_s=air_lag_s, rise_first_s=4.0)
    assert holds(crossing(answer, "A1.heatsink"), 600.0)
    assert holds(crossing(answer, "A1.rise"), 596.0)
    wrong = [p for p in answer.order.pairs if p.certain and (p.first, p.second) == ("A1.heatsink", "A1.rise")]
    assert wrong == []


def test_a_rise_that_left_long_before_its_heatsink_is_put_before_it() -> None:
    answer = explained(air_rate=0.0, air_lag_s=0.0, rise_first_s=30.0)
    [pair] = [p for p in answer.order.pairs if {p.first, p.second} == {"A1.heatsink", "A1.rise"}]
    assert (pair.certain, pair.first) == (True, "A1.rise")


def test_what_both_thermometers_may_be_off_by_widens_the_rise() -> None:
    """Twice 0.5 K at 0.2 K/s: 5 s either side, of which 95 % (rectangular)."""
    answer = explained(air_rate=0.0, air_lag_s=0.0, rise_first_s=4.0, accuracy=0.5)
    found = crossing(answer, "A1.rise")
    assert found.interval.width_s == pytest.approx(0.95 * 2 * 1.0 / RATE, rel=0.15)
    assert any(r.code == "accuracy" and "+-1 K" in r.text for r in found.interval.reasons)


def test_a_rate_of_change_is_found_in_noise_and_never_below_the_truth() -> None:
    t = np.arange(0, 200.0)
    noise = np.random.default_rng(3).normal(0, 0.05, len(t))
    still = fastest(t, 30 + noise, 0.0, 8.0)
    assert 0 < still < 0.05
    ramp = fastest(t, 30 + 0.1 * t + noise, 0.0, 8.0)
    assert 0.1 <= ramp < 0.15
    # a step of so many standard deviations within one poll shows itself; a smaller one is left to the noise
    scatter = PROVEN_SIGMAS * 0.05 * np.sqrt(2)
    assert fastest(t, 30 + noise + np.where(t > 100, 2.5 * scatter, 0.0), 0.0, 8.0) > scatter
    assert fastest(t[:2], t[:2], 0.0, 8.0) == np.inf
