"""The amplifier's physics against textbook formulas."""

import math
from dataclasses import replace
from itertools import pairwise

import pytest

from rig.simulator.physics import Amplifier, Design, Load, Stimulus, approach, copper_ohm, stage

RESISTOR = Load(text="8 ohm resistor")
CALM = Stimulus()


def soaked(**changes: float) -> Amplifier:
    amplifier = Amplifier(design=replace(Design(), **changes), load=RESISTOR)
    amplifier.soak(CALM)
    return amplifier


def run(amplifier: Amplifier, seconds: float, step_s: float = 0.01, stimulus: Stimulus = CALM) -> None:
    for _ in range(round(seconds / step_s)):
        amplifier.step(step_s, stimulus)


@pytest.mark.parametrize(
    ("watt", "ohm", "volt"), [(100.0, 8.0, 28.2843), (100.0, 16.0, 40.0), (1.0, 8.0, 2.8284)]
)
def test_load_power_is_volts_squared_over_ohms(watt: float, ohm: float, volt: float) -> None:
    """P = V^2/R (Ohm's law)."""
    now = stage(peak_v=volt * math.sqrt(2.0), rail_v=60.0, bias_a=0.0, impedance=complex(ohm))
    assert now.load_w == pytest.approx(watt, rel=2e-5)


def test_an_ideal_class_b_stage_at_full_swing_is_pi_over_four_efficient() -> None:
    """Textbook limit of class B: efficiency pi/4 = 78.54 % at full sine."""
    full = stage(peak_v=40.0, rail_v=40.0, bias_a=0.0, impedance=8 + 0j)
    assert full.load_w / full.supply_w == pytest.approx(0.785398, abs=1e-6)


def test_class_b_dissipates_most_at_four_over_pi_squared_of_full_output() -> None:
    """Textbook: at most 4/pi^2 = 0.4053 of full output in both devices, reached at 0.4053 of it."""
    full_w = stage(peak_v=40.0, rail_v=40.0, bias_a=0.0, impedance=8 + 0j).load_w
    swept = [
        stage(peak_v=volt / 1000.0, rail_v=40.0, bias_a=0.0, impedance=8 + 0j) for volt in range(1, 40_001)
    ]
    worst = max(swept, key=lambda one: one.dissipation_w)
    assert worst.dissipation_w / full_w == pytest.approx(0.405285, abs=1e-6)
    assert worst.load_w / full_w == pytest.approx(0.405285, abs=1e-4)


def test_a_reactive_load_makes_more_heat_from_the_same_current() -> None:
    """A purely reactive load takes no power, so all of the supply's power stays in the stage."""
    pure = stage(peak_v=30.0, rail_v=40.0, bias_a=0.0, impedance=8j)
    assert pure.load_w == pytest.approx(0.0, abs=1e-9)
    assert pure.dissipation_w == pytest.approx(2 * 40.0 * (30.0 / 8.0) / math.pi)


def test_a_loudspeaker_peaks_at_its_resonance_and_rises_towards_the_top() -> None:
    """Z = R + j w L + Rp / (1 + j Q (f/f0 - f0/f)): the usual equivalent circuit of a moving coil."""
    speaker = Load(text="speaker", ohm=6.0, henry=0.5e-3, peak_ohm=20.0, peak_hz=50.0, q=3.0)
    assert speaker.impedance(50.0).real == pytest.approx(26.0)
    assert abs(speaker.impedance(300.0)) < 8.0
    assert abs(speaker.impedance(10_000.0)) == pytest.approx(math.hypot(6.0, 31.416), rel=0.01)


def test_a_first_order_node_goes_63_per_cent_of_the_way_in_one_time_constant() -> None:
    """Step response 63.212, 86.466, 95.021, 99.326 % at 1, 2, 3, 5 tau: 1 - exp(-t/tau)."""
    for count, per_cent in ((1, 63.212), (2, 86.466), (3, 95.021), (5, 99.326)):
        assert 100.0 * approach(0.0, 1.0, count * 7.0, 7.0) == pytest.approx(per_cent, abs=5e-4)


def test_the_step_size_does_not_matter_to_a_first_order_node() -> None:
    fine = 20.0
    for _ in range(1000):
        fine = approach(fine, 80.0, 0.01, 3.0)
    assert fine == pytest.approx(approach(20.0, 80.0, 10.0, 3.0), abs=1e-9)


def test_in_the_steady_state_every_node_stands_at_ambient_plus_power_times_resistance() -> None:
    """Heat rise = P x Rth (10 W through 3 K/W = 30 K)."""
    amplifier = soaked()
    design, watt = amplifier.design, amplifier.dissipation_w
    sink_c = CALM.ambient_c + watt * design.sink_fan_kw
    assert amplifier.heatsink_c == pytest.approx(sink_c, abs=0.01)
    assert amplifier.case_c == pytest.approx(sink_c + watt * design.case_kw, abs=0.01)
    assert amplifier.junction_c == pytest.approx(
        sink_c + watt * (design.case_kw + design.junction_kw), abs=0.01
    )


def test_heat_stored_plus_heat_led_away_is_heat_made() -> None:
    """First law, over a warm-up from cold: sum of P dt = C dT + sum of (T - Ta)/R dt."""
    amplifier = soaked()
    amplifier.heatsink_c = amplifier.case_c = 45.0
    step_s, made_j, led_j = 0.05, 0.0, 0.0
    for _ in range(8000):
        before_c = amplifier.heatsink_c
        amplifier.step(step_s, CALM)
        made_j += amplifier.dissipation_w * step_s
        led_j += (0.5 * (before_c + amplifier.heatsink_c) - CALM.ambient_c) / amplifier.sink_kw() * step_s
    stored_j = amplifier.design.sink_jk * (amplifier.heatsink_c - 45.0)
    assert made_j > 10_000.0
    assert stored_j + led_j == pytest.approx(made_j, rel=1e-4)


def test_a_warm_copper_winding_has_more_resistance() -> None:
    """80 ohm at 20 degC is 100 ohm at 83.63 degC with 0.00393 per kelvin (public exercise)."""
    assert copper_ohm(80.0, 20.0) == 80.0
    assert copper_ohm(80.0, 83.630) == pytest.approx(100.0, abs=0.01)


def test_the_transformer_stands_where_core_and_warm_copper_together_heat_it() -> None:
    """Steady state of P x Rth with the copper loss taken at the winding's own temperature."""
    amplifier = soaked()
    design = amplifier.design
    rail_a = math.sqrt(2.0) * amplifier.out_v / 8.0 / math.pi + amplifier.bias_a
    winding_a = 1.8 * math.sqrt(2.0) * rail_a
    copper_w = winding_a**2 * copper_ohm(design.winding_ohm, amplifier.transformer_c)
    end_c = CALM.ambient_c + (design.core_w + copper_w) * design.transformer_kw
    assert amplifier.transformer_c == pytest.approx(end_c, abs=0.05)


def test_ripple_is_current_over_twice_mains_frequency_times_capacitance() -> None:
    """Full-wave rectifier: dV = I / (2 f C), textbook approximation; 1.35 A from 10 mF at 50 Hz is 1.35 V."""
    amplifier = soaked(bias_a=0.0)
    rail_a = math.sqrt(2.0) * amplifier.out_v / 8.0 / math.pi
    assert amplifier.ripple_v == pytest.approx(rail_a / (2 * 50.0 * 0.010), rel=1e-6)


def test_a_dry_capacitor_ripples_in_proportion_to_what_it_lost() -> None:
    amplifier = soaked()
    whole_v = amplifier.ripple_v
    amplifier.capacity = 0.5
    run(amplifier, 0.1)
    assert amplifier.ripple_v == pytest.approx(2.0 * whole_v, rel=0.01)


def test_a_stage_out_of_rail_clips() -> None:
    amplifier = soaked()
    run(amplifier, 1.0, stimulus=replace(CALM, level_v=5.0))
    assert amplifier.out_v < (amplifier.rail_v - amplifier.design.saturation_v) / math.sqrt(2.0)
    assert amplifier.out_v > 25.0


def test_the_fuse_carries_its_rating_for_ever_and_blows_within_seconds_at_four_and_a_half_times() -> None:
    """Time-lag fuse-links at 4 times rated current: 150 ms to 3 s (IEC 60127-2, from memory)."""
    amplifier = soaked()
    run(amplifier, 600.0, step_s=0.1)
    assert not amplifier.blown
    amplifier.short = 1.0
    ratios = []
    for _ in range(2000):
        amplifier.step(0.005, CALM)
        if not amplifier.supply_a:
            break
        ratios.append(amplifier.supply_a / amplifier.design.fuse_a)
    assert 0.15 < 0.005 * len(ratios) < 3.0
    # In the first instants the reservoir still feeds the short.
    assert all(4.0 < ratio < 5.0 for ratio in ratios[40:])


def test_after_the_fuse_nothing_flows_and_the_unit_cools_to_the_air() -> None:
    amplifier = soaked()
    amplifier.short = 1.0
    run(amplifier, 10.0)
    run(amplifier, 60_000.0, step_s=10.0)
    assert amplifier.blown
    assert (amplifier.supply_a, amplifier.out_v) == (0.0, 0.0)
    assert amplifier.rail_v == pytest.approx(0.0, abs=1e-6)
    assert amplifier.heatsink_c == pytest.approx(CALM.ambient_c, abs=0.01)


def test_a_dead_fan_heats_the_sink_until_the_protection_mutes_and_then_lets_go_again() -> None:
    amplifier = soaked()
    amplifier.fan_drive = 0.0
    muted = []
    for _ in range(40_000):
        amplifier.step(0.1, CALM)
        muted.append(amplifier.muted)
    changes = [at for at in range(1, len(muted)) if muted[at] != muted[at - 1]]
    assert len(changes) >= 4
    assert amplifier.heatsink_c <= amplifier.design.trip_c + 0.5


def bias_by_second(tracking: float, seconds: int) -> list[float]:
    amplifier = soaked()
    amplifier.tracking = tracking
    found: list[float] = []
    while not amplifier.short and len(found) < seconds:
        run(amplifier, 1.0, step_s=0.05)
        found.append(amplifier.bias_a)
    return found


def test_a_bias_that_follows_the_heat_badly_settles_while_the_loop_gain_is_below_one() -> None:
    """Thermal feedback: gain = 2 V x dI/dT x Rth; below one it converges (textbook stability condition)."""
    found = bias_by_second(0.8, 4000)
    assert len(found) == 4000
    assert found[-1] == pytest.approx(found[-500], rel=1e-4)
    assert found[-1] > 1.5 * Design().bias_a


def test_a_bias_that_follows_it_worse_runs_away_ever_faster_and_breaks_the_device() -> None:
    """Above one it does not: nothing outside changes any more, and the current rises ever faster."""
    found = bias_by_second(0.6, 4000)
    assert len(found) < 100
    rises = [later - earlier for earlier, later in pairwise(found[:-1])]
    assert min(rises) > 0.0
    assert rises[-1] > 3.0 * rises[len(rises) // 2]


def test_thermal_time_constants_are_shortened_by_the_pace_and_electricity_is_not() -> None:
    slow, fast = soaked(), soaked()
    fast.pace = 60.0
    for amplifier in (slow, fast):
        amplifier.fan_rpm, amplifier.fan_drive = 0.0, 0.0
    run(slow, 60.0)
    run(fast, 1.0)
    assert fast.heatsink_c == pytest.approx(slow.heatsink_c, abs=0.05)
    for amplifier in (slow, fast):
        amplifier.contactor = 0.0
        run(amplifier, 0.5)
    assert fast.rail_v == pytest.approx(slow.rail_v, rel=0.05)


def test_an_open_contactor_takes_the_power_and_a_closed_one_gives_it_back() -> None:
    amplifier = soaked()
    amplifier.contactor = 0.0
    run(amplifier, 20.0)
    assert amplifier.supply_a == 0.0
    assert amplifier.out_v == 0.0
    amplifier.contactor = 1.0
    run(amplifier, 5.0)
    assert amplifier.out_v == pytest.approx(24.0, rel=0.01)
