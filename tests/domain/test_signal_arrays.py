"""Signals over arrays are the fold of the signal's step, and states live are the states afterwards."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain import signal_arrays
from rig.domain.accounting import LevelPlan
from rig.domain.model import Series, Status
from rig.domain.operating_state import Input, StateChange, UnitCondition, UnitRules
from rig.domain.signals import SignalChange, SignalName, SignalState, lapse, shown, step
from rig.domain.state_machine import advance, follow

S = 1_000_000_000
LEVEL = LevelPlan(channel="c", on_above=5.0, off_below=3.0)
STALE = 4 * S

READINGS = st.lists(
    st.tuples(
        st.integers(1, 7 * S),
        st.integers(0, S // 2),
        st.sampled_from([0.0, 2.999, 3.0, 4.0, 4.5, 5.0, 5.001, 9.0, float("nan")]),
        st.sampled_from([Status.GOOD, Status.GOOD, Status.GOOD, Status.NO_REPLY, Status.SUSPECT]),
    ),
    max_size=40,
)


def series_of(readings: list[tuple[int, int, float, Status]]) -> Series:
    received = np.cumsum(np.array([one[0] for one in readings], np.int64))
    half = np.array([one[1] for one in readings], np.int64)
    return Series(
        channel="c",
        t_ns=received - half,
        h_ns=half,
        value=np.array([one[2] for one in readings], np.float64),
        status=np.array([one[3] for one in readings], np.uint8),
        session=np.zeros(len(readings), np.int32),
    )


def folded(series: Series, signal: SignalName, until_ns: int) -> list[SignalChange]:
    state, found = SignalState(), []
    for t, h, value, status in zip(series.t_ns, series.h_ns, series.value, series.status, strict=True):
        state, gone = lapse(state, signal, STALE, int(t + h))
        reading = (int(t - h), int(t + h), float(value), int(status))
        state, change = step(state, signal, LEVEL, reading)
        found += [one for one in (gone, change) if one is not None]
    state, gone = lapse(state, signal, STALE, until_ns)
    return [*found, *([gone] if gone else [])]


@given(READINGS, st.integers(0, 9 * S))
def test_the_arrays_are_the_fold_of_the_step(
    readings: list[tuple[int, int, float, Status]], rest: int
) -> None:
    series = series_of(readings)
    until_ns = (int(series.t_ns[-1] + series.h_ns[-1]) if len(series) else 0) + rest
    found = signal_arrays.changes(series, SignalName.OUTPUT, LEVEL, STALE, until_ns)
    assert found == folded(series, SignalName.OUTPUT, until_ns)


@given(st.lists(READINGS, min_size=4, max_size=4))
def test_states_live_are_the_states_afterwards(four: list[list[tuple[int, int, float, Status]]]) -> None:
    """Live: reading by reading as they are received, lapses asked at each; afterwards: changes, sorted."""
    rules = UnitRules(
        wired={one: one.value for one in SignalName},
        settle_ns=2 * S,
        failed_after_ns=9 * S,
        idle_after_ns=5 * S,
    )
    every = {signal: series_of(one) for signal, one in zip(SignalName, four, strict=True)}
    end_ns = max((int((one.t_ns + one.h_ns)[-1]) for one in every.values() if len(one)), default=0) + 20 * S

    rows = sorted(
        (int(one.t_ns[at] + one.h_ns[at]), place, at)
        for place, one in enumerate(every.values())
        for at in range(len(one))
    )
    states = {signal: SignalState() for signal in SignalName}
    unit, live = UnitCondition(serial="1"), list[StateChange]()
    for now_ns, place, at in [*rows, (end_ns, -1, -1)]:
        due: list[tuple[int, int, Input]] = []
        for order, signal in enumerate(SignalName):
            states[signal], gone = lapse(states[signal], signal, STALE, now_ns)
            if gone is not None:
                due.append((gone.at_ns, order, gone))
        for _, _, one in sorted(due, key=lambda it: it[:2]):
            unit, more = follow(unit, rules, one)
            live += more
        if place >= 0:
            signal = list(SignalName)[place]
            series = every[signal]
            t, h = int(series.t_ns[at]), int(series.h_ns[at])
            reading = (t - h, t + h, float(series.value[at]), int(series.status[at]))
            states[signal], change = step(states[signal], signal, LEVEL, reading)
            if change is not None:
                unit, more = follow(unit, rules, change)
                live += more
    unit, more = advance(unit, rules, end_ns)
    live += more

    found: list[SignalChange] = []
    for signal, series in every.items():
        found += signal_arrays.changes(series, signal, LEVEL, STALE, end_ns)
    unit, afterwards = UnitCondition(serial="1"), list[StateChange]()
    for one in sorted(found, key=lambda it: it.at_ns):
        unit, more = follow(unit, rules, one)
        afterwards += more
    unit, more = advance(unit, rules, end_ns)
    assert [*afterwards, *more] == live


@pytest.mark.parametrize(
    ("value", "was", "expected"),
    [
        (5.001, False, True),
        (5.0, False, False),
        (3.0, True, True),
        (2.999, True, False),
        (4.001, None, True),
        (4.0, None, False),
    ],
)
def test_a_signal_keeps_its_state_between_its_levels(value: float, was: bool | None, expected: bool) -> None:
    assert shown(LEVEL, value, was) is expected


@pytest.mark.parametrize(("later_ns", "lapsed"), [(STALE, False), (STALE + 1, True)])
def test_a_signal_is_unread_once_its_last_good_reading_is_too_old(later_ns: int, lapsed: bool) -> None:
    state, _ = step(SignalState(), SignalName.OUTPUT, LEVEL, (0, S, 9.0, Status.GOOD))
    now, change = lapse(state, SignalName.OUTPUT, STALE, S + later_ns)
    assert (now.on is None) is lapsed
    assert (change is not None) is lapsed
