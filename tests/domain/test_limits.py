"""The limit table: three-valued, with deadband and on-delay."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.limits import (
    NORMAL,
    TABLE,
    Bound,
    BoundState,
    LimitChangeKind,
    LimitState,
    SilenceAlarm,
    Zone,
    bounds,
    step,
)
from rig.domain.model import Channel, ChannelKind, Limit, Side, Status

S = 1_000_000_000


def channel(*limits: Limit) -> Channel:
    return Channel(
        name="x", unit_of_measure="V", unit=None, kind=ChannelKind.RESPONSE, formula="1", limits=limits
    )


def high(value: float, *, deadband: float = 0.0, on_delay_s: float = 0.0) -> Bound:
    limit = Limit(side=Side.HIGH, value=value, deadband=deadband, on_delay_s=on_delay_s)
    return bounds(channel(limit))[0]


def walk(bound: Bound, readings: list[tuple[float, float]]) -> list[tuple[float, LimitChangeKind]]:
    watch = NORMAL
    seen: list[tuple[float, LimitChangeKind]] = []
    for t_s, value in readings:
        status = Status.NO_VALUE if math.isnan(value) else Status.GOOD
        watch, changes = step(watch, bound, round(t_s * S), value, status)
        seen.extend((t_s, change) for change in changes)
    return seen


def test_every_state_has_an_answer_to_every_zone() -> None:
    assert set(TABLE) == {(state, zone) for state in LimitState for zone in Zone}


def test_a_reading_without_value_moves_nothing() -> None:
    assert all(TABLE[state, Zone.UNKNOWN] is state for state in LimitState)


def test_a_value_equal_to_the_limit_is_inside() -> None:
    """Products differ on the edge (two transmitter manuals say >=); ours is strict and says so."""
    assert walk(high(253.0), [(0, 253.0), (1, 253.01)]) == [
        (1, LimitChangeKind.BEGAN),
        (1, LimitChangeKind.COUNTED),
    ]


def test_deadband_keeps_the_excursion_open_until_it_is_crossed() -> None:
    """Worked figures of a transmitter manual: high 250, deadband 10, clears at 240 and below."""
    bound = high(250.0, deadband=10.0)
    seen = walk(bound, [(0, 251), (1, 240.1), (2, 249), (3, 240.0)])
    assert seen == [(0, LimitChangeKind.BEGAN), (0, LimitChangeKind.COUNTED), (3, LimitChangeKind.ENDED)]


def test_a_spike_shorter_than_the_on_delay_does_not_count() -> None:
    """OPC 10000-9 (OPC UA Part 9), B.1.5: the value must stay beyond for the whole on-delay."""
    bound = high(95.0, on_delay_s=5.0)
    assert walk(bound, [(0, 96), (4, 96), (4.5, 94), (9, 96)]) == [
        (0, LimitChangeKind.BEGAN),
        (4.5, LimitChangeKind.PASSED),
        (9, LimitChangeKind.BEGAN),
    ]


def test_the_on_delay_decides_whether_it_counts_not_when_it_began() -> None:
    bound = high(95.0, on_delay_s=5.0)
    watch = NORMAL
    for t_s in (10, 12, 14, 15):
        watch, changes = step(watch, bound, t_s * S, 96.0, Status.GOOD)
    assert changes == (LimitChangeKind.COUNTED,)
    assert watch == BoundState(state=LimitState.OUT, began_ns=10 * S)


def test_lost_readings_neither_start_nor_end_an_excursion() -> None:
    bound = high(95.0)
    assert walk(bound, [(0, math.nan), (1, 96), (2, math.nan), (3, math.nan), (4, 94)]) == [
        (1, LimitChangeKind.BEGAN),
        (1, LimitChangeKind.COUNTED),
        (4, LimitChangeKind.ENDED),
    ]


def test_a_suspect_number_is_unknown() -> None:
    _, changes = step(NORMAL, high(95.0), 0, 400.0, Status.SUSPECT)
    assert changes == ()


def test_an_early_warning_is_a_bound_of_its_own_without_delay() -> None:
    limit = Limit(side=Side.LOW, value=207.0, early=212.0, deadband=1.0, on_delay_s=3.0)
    proper, early = bounds(channel(limit))
    assert (proper.value, proper.on_delay_ns, proper.early) == (207.0, 3 * S, False)
    assert (early.value, early.on_delay_ns, early.early) == (212.0, 0, True)
    assert walk(early, [(0, 211.9)]) == [(0, LimitChangeKind.BEGAN), (0, LimitChangeKind.COUNTED)]


@pytest.mark.parametrize(
    ("deadband", "on_delay_s", "least", "most"), [(0.0, 0.0, 10, 1000), (1.0, 0.0, 1, 1), (1.0, 5.0, 1, 1)]
)
def test_noise_on_a_slow_ramp_alarms_once_with_a_deadband(
    deadband: float, on_delay_s: float, least: int, most: int
) -> None:
    """A ramp of 0.125 K/min with 0.2 K noise chatters without a deadband (common practice, no source)."""
    noise = random.Random(78)
    ramp = [(float(t), 93.0 + 0.125 / 60 * t + noise.gauss(0.0, 0.2)) for t in range(3600)]
    counted = [
        c
        for _, c in walk(high(95.0, deadband=deadband, on_delay_s=on_delay_s), ramp)
        if c is LimitChangeKind.COUNTED
    ]
    assert least <= len(counted) <= most


@given(st.lists(st.floats(min_value=80, max_value=110) | st.just(math.nan), max_size=60))
def test_without_deadband_and_delay_the_state_is_what_the_last_valid_reading_says(
    values: list[float],
) -> None:
    bound = high(95.0)
    watch = NORMAL
    for t, value in enumerate(values):
        status = Status.NO_VALUE if math.isnan(value) else Status.GOOD
        watch, _ = step(watch, bound, t, value, status)
    valid = [value for value in values if not math.isnan(value)]
    assert (watch.state is LimitState.OUT) == (bool(valid) and valid[-1] > 95.0)


def test_silence_alarms_once_and_ends_with_a_valid_reading() -> None:
    silence = SilenceAlarm(limit_ns=60 * S, valid_ns=0)
    assert not silence.overdue(60 * S)
    assert silence.overdue(61 * S)
    assert not silence.overdue(62 * S)
    assert silence.heard(63 * S)
    assert not silence.heard(64 * S)
    assert silence.overdue(125 * S)


@pytest.mark.parametrize("side", list(Side))
def test_a_low_limit_is_the_mirror_of_a_high_one(side: Side) -> None:
    """Beyond 20 with a deadband of 2: 20 is not out, 20.5 is, 19 is neither, 18 is back."""
    sign = 1.0 if side is Side.HIGH else -1.0
    [bound] = bounds(channel(Limit(side=side, value=20.0 * sign, deadband=2.0)))
    zones = [bound.zone(sign * value, Status.GOOD) for value in (20.0, 20.5, 19.0, 18.01, 18.0, -30.0)]
    assert zones == [Zone.BAND, Zone.OUTSIDE, Zone.BAND, Zone.BAND, Zone.INSIDE, Zone.INSIDE]


def test_a_limit_without_an_early_warning_is_watched_once() -> None:
    assert len(bounds(channel(Limit(side=Side.HIGH, value=1.0)))) == 1
    assert bounds(channel()) == ()


@pytest.mark.parametrize("status", [status for status in Status if status is not Status.GOOD])
def test_a_bad_reading_does_not_run_the_on_delay_out(status: Status) -> None:
    """Beyond at 0 s; what came at 6 s is no reading: nothing counts until a good one says so at 7 s."""
    bound = high(95.0, on_delay_s=5.0)
    watch, _ = step(NORMAL, bound, 0, 96.0, Status.GOOD)
    watch, changes = step(watch, bound, 6 * S, 96.0, status)
    assert (watch.state, changes) == (LimitState.PENDING, ())
    watch, changes = step(watch, bound, 7 * S, 96.0, Status.GOOD)
    assert (watch.state, changes) == (LimitState.OUT, (LimitChangeKind.COUNTED,))


def test_what_is_pending_goes_on_from_its_first_reading() -> None:
    bound = high(95.0, on_delay_s=5.0)
    watch, changes = step(NORMAL, bound, 3 * S, 96.0, Status.GOOD)
    assert (watch, changes) == (
        BoundState(state=LimitState.PENDING, began_ns=3 * S),
        (LimitChangeKind.BEGAN,),
    )
    again, changes = step(watch, bound, 7 * S, 97.0, Status.GOOD)
    assert (again, changes) == (watch, ())


def test_silence_is_counted_from_the_latest_valid_reading() -> None:
    silence = SilenceAlarm(limit_ns=60 * S, valid_ns=0)
    assert not silence.heard(50 * S)
    assert not silence.overdue(110 * S)
    assert not silence.heard(40 * S)  # an older reading that came late moves nothing back
    assert not silence.overdue(110 * S)
    assert silence.overdue(110 * S + 1)
    late = SilenceAlarm(limit_ns=60 * S, valid_ns=100 * S)
    assert not late.overdue(160 * S)
    assert late.overdue(160 * S + 1)
