"""First-out of a unit as it happens. Times are set by the test; what is certain follows from the brackets.

The order of intervals is that of Fishburn (interval orders): x before y only if x ends before y begins.
"""

from __future__ import annotations

import math
import random
from dataclasses import replace
from typing import Any

from rig.alerts.facts import FirstOut
from rig.alerts.first_out import FEWEST_BEFORE, ExcursionTimes
from rig.domain.model import Event, EventKind, Layout, Limit, Side
from tests.alerts.makers import SECOND, Story, at, layout

PERIOD_S = 0.5
HEATSINKS = ("A1.heatsink", "A2.heatsink")


def limited(**words: Any) -> Layout:
    """The usual layout with a high limit on every channel that is measured; ``words`` go to A1.heatsink."""
    plan = layout()
    limit = (Limit(side=Side.HIGH, value=95.0),)
    channels = {
        name: replace(channel, limits=limit if channel.formula is None else ())
        for name, channel in plan.channels.items()
    }
    channels["A1.heatsink"] = replace(channels["A1.heatsink"], **words)
    channels["A2.heatsink"] = replace(channels["A2.heatsink"], unit="A1")  # two channels of one unit
    return replace(plan, channels=channels)


def followed(
    times: ExcursionTimes, steps: tuple[int, int], *, count: int = 200, mains: int | None = None
) -> None:
    """Follow readings that leave the limit at the numbers given: 85 before, 105 from there on."""
    noise = random.Random(1)
    for k in range(count):
        values = tuple((105.0 if k >= step else 85.0) + noise.gauss(0, 0.05) for step in steps)
        times.follow(1, (at(k * PERIOD_S), SECOND // 100), HEATSINKS, values, b"\0\0")
        volts = 105.0 if mains is not None and k >= mains else 85.0
        times.follow(1, (at(k * PERIOD_S), SECOND // 100), ("mains",), (volts + noise.gauss(0, 0.05),), b"\0")


def out(times: ExcursionTimes, channel: str, step: int) -> Event:
    event = Story().out(step * PERIOD_S + 5, channel=channel)
    times.take(event, at(step * PERIOD_S))
    return event


def test_what_certainly_left_first_is_stated_with_its_first_reading_outside() -> None:
    times = ExcursionTimes(limited())
    followed(times, (103, 100))
    out(times, "A1.heatsink", 103)
    out(times, "A2.heatsink", 100)
    assert times.first_out("A1") == FirstOut(channels=("A2.heatsink",), t_ns=at(50.0))


def test_what_left_within_one_scan_is_named_together_without_an_order() -> None:
    times = ExcursionTimes(limited())
    followed(times, (100, 100))
    out(times, "A1.heatsink", 100)
    out(times, "A2.heatsink", 100)
    found = times.first_out("A1")
    assert found is not None
    assert found.channels == HEATSINKS
    # from the last reading inside (0.5 s before, 10 ms half-width) to the first outside, 10 ms half-width
    assert abs(found.within_s - 0.52) < 1e-6


def test_one_scan_apart_the_brackets_touch_and_two_scans_apart_they_do_not() -> None:
    for apart, certain in ((1, False), (2, True)):
        times = ExcursionTimes(limited())
        followed(times, (100, 100 + apart))
        out(times, "A1.heatsink", 100)
        out(times, "A2.heatsink", 100 + apart)
        found = times.first_out("A1")
        assert found is not None
        assert (len(found.channels) == 1) == certain


def test_brackets_that_only_touch_are_not_in_order() -> None:
    """One ends with its first reading outside at 50.01 s, where the other's last reading inside begins."""
    for gap_ns, certain in ((0, False), (1, True)):
        times = ExcursionTimes(limited())
        half_ns = SECOND // 100
        for k in range(200):
            value = 105.0 if k >= 100 else 85.0
            times.follow(1, (at(k * PERIOD_S), half_ns), ("A1.heatsink",), (value + k % 2 / 10,), b"\0")
            later = at(k * PERIOD_S) + 2 * half_ns + gap_ns
            value = 105.0 if k >= 101 else 85.0
            times.follow(1, (later, half_ns), ("A2.heatsink",), (value + k % 2 / 10,), b"\0")
        out(times, "A1.heatsink", 100)
        times.take(Story().out(60, channel="A2.heatsink"), at(50.5) + 2 * half_ns + gap_ns)
        found = times.first_out("A1")
        assert found is not None
        assert (found.channels == ("A1.heatsink",)) == certain


def test_one_excursion_whose_beginning_is_not_known_leaves_all_unstated() -> None:
    times = ExcursionTimes(limited())
    followed(times, (100, 999))
    times.follow(1, (at(100), SECOND // 100), ("mains",), (85.0,), b"\0")
    out(times, "A1.heatsink", 100)
    assert times.first_out("A1") is not None
    times.take(Story().out(101, channel="mains"), at(100.5))  # and no reading of it then
    assert times.first_out("A1") is None


def test_a_reading_outside_within_the_noise_states_nothing() -> None:
    """95.1 beyond 95 with a scatter of 1; 105 is beyond it by ten times that."""
    for height, known in ((95.1, False), (105.0, True)):
        times, noise = ExcursionTimes(limited()), random.Random(3)
        for k in range(101):
            values = (height if k == 100 else 85.0 + noise.gauss(0, 1.0), 85.0)
            times.follow(1, (at(k * PERIOD_S), SECOND // 100), HEATSINKS, values, b"\0\0")
        out(times, "A1.heatsink", 100)
        assert (times.first_out("A1") is not None) == known


def test_a_stimulus_takes_part_and_another_unit_does_not() -> None:
    times = ExcursionTimes(limited())
    followed(times, (100, 200), mains=90)
    out(times, "A1.heatsink", 100)
    out(times, "mains", 90)
    found = times.first_out("A1")
    assert found is not None
    assert found.channels == ("mains",)
    assert times.first_out("A2") == FirstOut(channels=("mains",), t_ns=at(45.0))


def test_while_a_channel_is_out_that_does_not_count_yet_nothing_is_stated() -> None:
    times = ExcursionTimes(limited())
    followed(times, (150, 100))
    out(times, "A1.heatsink", 150)
    assert times.first_out("A1") is None  # A2.heatsink waits for its on-delay
    out(times, "A2.heatsink", 100)
    assert times.first_out("A1") is not None


def test_a_lagging_sensor_is_not_taken_for_the_later_one() -> None:
    """A step at 45 s behind a first-order lag of 10 s reads beyond half of it 10 ln 2 = 6.9 s later.

    The other channel steps at 49 s. By the readings it is first; in truth it is second.
    """
    for lag_s, stated in ((0.0, True), (10.0, False)):
        times = ExcursionTimes(limited(lag_s=lag_s))
        noise = random.Random(2)
        for k in range(200):
            behind = 85.0 + 20.0 * (1.0 - math.exp(-max(k * PERIOD_S - 45.0, 0.0) / 10.0))
            values = (behind + noise.gauss(0, 0.05), (105.0 if k >= 98 else 85.0) + noise.gauss(0, 0.05))
            times.follow(1, (at(k * PERIOD_S), SECOND // 100), HEATSINKS, values, b"\0\0")
        out(times, "A2.heatsink", 98)
        out(times, "A1.heatsink", 104)
        found = times.first_out("A1")
        assert (found is not None and found.channels == ("A2.heatsink",)) == stated


def test_too_few_readings_before_state_nothing_and_just_enough_do() -> None:
    for before, known in ((FEWEST_BEFORE - 1, False), (FEWEST_BEFORE, True)):
        times = ExcursionTimes(limited())
        followed(times, (before, 999))
        out(times, "A1.heatsink", before)
        assert (times.first_out("A1") is not None) == known


def test_a_limit_moved_past_the_readings_states_nothing() -> None:
    times = ExcursionTimes(limited())
    followed(times, (50, 999))
    event = Story().out(60)
    times.take(event, at(55.0))  # out from 25 s on, but counted from 55 s on: the limit was moved then
    assert times.first_out("A1") is None


def test_readings_of_an_earlier_session_state_nothing() -> None:
    times = ExcursionTimes(limited())
    followed(times, (100, 999))
    times.follow(2, (at(200), SECOND // 100), HEATSINKS, (105.0, 85.0), b"\0\0")
    out(times, "A1.heatsink", 100)
    assert times.first_out("A1") is None


def test_what_leaves_soon_after_a_restart_has_too_few_readings_before_it() -> None:
    times = ExcursionTimes(limited())
    followed(times, (999, 999))
    times.follow(2, (at(100.0), SECOND // 100), HEATSINKS, (85.0, 85.0), b"\0\0")
    times.follow(2, (at(100.5), SECOND // 100), HEATSINKS, (105.0, 85.0), b"\0\0")
    story = Story()
    story.session = 2
    times.take(story.out(105), at(100.5))
    assert times.first_out("A1") is None


def test_an_excursion_that_is_over_counts_until_all_of_the_unit_are_back() -> None:
    times, story = ExcursionTimes(limited()), Story()
    followed(times, (100, 120))
    out(times, "A1.heatsink", 100)
    out(times, "A2.heatsink", 120)
    times.take(story.back(80, "A1.heatsink"), None)
    found = times.first_out("A1")
    assert found is not None
    assert found.channels == ("A1.heatsink",)
    times.take(story.back(90, "A2.heatsink"), None)
    assert times.first_out("A1") is None


def test_limits_of_a_phase_decide_what_is_pending() -> None:
    times = ExcursionTimes(limited())
    followed(times, (100, 999))
    lower = {"A2.heatsink": [{"side": "high", "value": 80.0}]}
    out(times, "A1.heatsink", 100)
    assert times.first_out("A1") is not None
    times.take(Story().event(EventKind.PHASE, 1, "hot", what="due", limits=lower), None)
    assert times.first_out("A1") is None


def test_events_that_name_no_channel_or_side_are_left_alone() -> None:
    times = ExcursionTimes(limited())
    for subject, data in (("nobody", {"side": "high", "limit": 1.0}), ("A1.heatsink", {"side": 3})):
        times.take(Story().event(EventKind.LIMIT_OUT, 0, subject, **data), None)
    assert times.first_out("A1") is None
    ExcursionTimes(None).take(Story().out(0), None)
