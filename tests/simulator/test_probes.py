"""Probes: lag, averaging and failures, apart from any amplifier."""

from dataclasses import replace

import numpy as np
import pytest

from rig.simulator.probes import Probes
from rig.simulator.room_plan import RoomProbe, plan

STEP_NS = 5_000_000
SECOND = 1_000_000_000


def probe(*, lag_s: float = 0.0, averaging_s: float = 0.0) -> RoomProbe:
    model = plan(units=1).probes[0]
    quantity = replace(model.quantity, averaging_s=averaging_s)
    return replace(model, channel="x", quantity=quantity, lag_s=lag_s, true_lag_s=lag_s)


def ramped(one: RoomProbe, *, per_s: float, seconds: float) -> tuple[Probes, int]:
    probes = Probes([one], step_ns=STEP_NS)
    probes.begin(np.array([0.0]), 0)
    steps = round(seconds * SECOND / STEP_NS)
    for step in range(1, steps + 1):
        probes.feel(np.array([per_s * step * STEP_NS / SECOND]), 20.0)
    return probes, steps * STEP_NS


def read(probes: Probes, at_ns: int) -> float:
    value = probes.read("x", at_ns)
    assert value is not None
    return value


def test_on_a_ramp_a_lagging_probe_is_late_by_its_time_constant() -> None:
    """First-order lag on a ramp of a per second: y lags by a*tau in value, by tau in time (formula)."""
    probes, now_ns = ramped(probe(lag_s=0.5), per_s=4.0, seconds=10.0)
    assert read(probes, now_ns) == pytest.approx(4.0 * (10.0 - 0.5), abs=0.02)


def test_after_a_step_it_has_gone_63_per_cent_in_one_time_constant() -> None:
    probes = Probes([probe(lag_s=0.5)], step_ns=STEP_NS)
    probes.begin(np.array([0.0]), 0)
    for _ in range(100):
        probes.feel(np.array([100.0]), 20.0)
    assert read(probes, 100 * STEP_NS) == pytest.approx(63.212, abs=0.01)


def test_between_two_steps_it_runs_in_a_straight_line() -> None:
    probes, now_ns = ramped(probe(), per_s=1.0, seconds=1.0)
    assert read(probes, now_ns - STEP_NS // 4) == pytest.approx(1.0 - 0.25 * STEP_NS / SECOND, abs=1e-12)


def test_an_averaging_instrument_reads_the_middle_of_its_window_on_a_ramp() -> None:
    """The mean of a ramp over a window w belongs w/2 earlier (GUM-style reasoning; exact for a ramp)."""
    probes, now_ns = ramped(probe(averaging_s=0.2), per_s=3.0, seconds=1.0)
    assert read(probes, now_ns) == pytest.approx(3.0 * (1.0 - 0.1), abs=1e-6)


def test_before_it_broke_an_open_probe_still_reads() -> None:
    probes, now_ns = ramped(probe(), per_s=1.0, seconds=1.0)
    probes.fail("x", "open", now_ns - 100)
    assert probes.read("x", now_ns) is None
    assert probes.read("x", now_ns - 101) is not None


def test_a_stuck_probe_holds_the_value_at_which_it_stuck() -> None:
    probes, now_ns = ramped(probe(), per_s=1.0, seconds=1.0)
    probes.fail("x", "stuck", now_ns)
    probes.feel(np.array([9.0]), 20.0)
    assert read(probes, now_ns + STEP_NS) == pytest.approx(1.0)


def test_a_fallen_probe_goes_to_the_air_with_its_lag() -> None:
    probes, now_ns = ramped(probe(lag_s=0.1), per_s=90.0, seconds=1.0)
    probes.fail("x", "fallen-off", now_ns)
    for _ in range(200):
        probes.feel(np.array([90.0]), 20.0)
    assert read(probes, now_ns + 200 * STEP_NS) == pytest.approx(20.0, abs=0.01)
