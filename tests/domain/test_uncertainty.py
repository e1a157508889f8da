"""The measurement model against the GUM's examples, a library for correlated errors, and plain draws."""

from __future__ import annotations

import ast
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from uncertainties import UFloat, ufloat
from uncertainties.umath import exp as u_exp
from uncertainties.umath import log as u_log
from uncertainties.umath import sqrt as u_sqrt

import drivers
from rig.domain.model import Calibration, Channel, ChannelKind, ChannelSource
from rig.domain.propagation import BENDS
from rig.domain.uncertainty import (
    MeasurementModel,
    combined,
    junction_slope,
    rectangular,
    resolution,
    triangular,
)
from rig.rigfile import yaml_reader

ROOT = Path(__file__).parents[2]


def channel(name: str, formula: str | None = None, *, unit: str = "V", **facts: Any) -> Channel:
    source = None if formula is not None else ChannelSource(instrument="meter", field=name)
    facts = {"source": source, **facts}
    return Channel(
        name=name, unit_of_measure=unit, unit=None, kind=ChannelKind.RESPONSE, formula=formula, **facts
    )


def room(*channels: Channel) -> dict[str, Channel]:
    return {one.name: one for one in channels}


def sure_of(uncertainty: float, certificate: str = "") -> Calibration:
    return Calibration(uncertainty=uncertainty, certificate=certificate)


def test_standard_uncertainties_of_known_shapes() -> None:
    """JCGM 100:2008 4.3.7 and 4.4.5 (96..104 degC: 2.3), 4.3.9, F.2.2.1; a laboratory guide (7..10: 0.87)."""
    assert rectangular(4) == pytest.approx(2.3094, abs=5e-5)
    assert rectangular(1.5) == pytest.approx(0.87, abs=5e-3)
    assert triangular(4) == pytest.approx(1.6330, abs=5e-5)
    assert resolution(0.1) == pytest.approx(0.0289, abs=5e-5)


def test_independent_parts_combine_as_the_root_of_squares() -> None:
    """JCGM 100:2008 H.1.3.2: 5.8, 3.9 and 6.7 nm give 9.7 nm."""
    assert combined([5.8, 3.9, 6.7]) == pytest.approx(9.682, abs=5e-4)


def test_a_channel_is_as_uncertain_as_the_rig_file_says() -> None:
    model = MeasurementModel(channel("t", accuracy=4.0, resolution=0.1), {})
    assert model.standard() == pytest.approx(combined([2.3094, 0.0289]), abs=5e-5)
    assert model.half_width() == pytest.approx(4.05)
    bare = MeasurementModel(channel("t"), {})
    assert (bare.standard(), bare.half_width(), bare.is_stated) == (0.0, 0.0, False)
    assert bare.budget().not_stated == (
        "accuracy of t",
        "resolution of t",
        "uncertainty of the calibration of t",
    )


def test_an_error_that_grows_with_the_reading_is_taken_at_the_reading() -> None:
    """0.5 % of 60 V and 0.2 V: 0.5 V (arithmetic)."""
    model = MeasurementModel(channel("v", accuracy=0.2, accuracy_share=0.005), {})
    assert model.needs_values
    assert model.half_width({"v": 60.0}) == model.half_width({"v": -60.0}) == pytest.approx(0.5)
    assert math.isnan(model.half_width())


def test_the_end_gauge_of_the_gum() -> None:
    """JCGM 100:2008 H.1, table H.1: 50.000 838 mm, parts 25, 9.7, 2.9 and 16.6 nm, u_c = 32 nm."""
    measure = "ls + d - ls * (da * theta + alpha * dt)"
    values = {"ls": 50_000_623.0, "d": 215.0, "da": 0.0, "theta": -0.1, "alpha": 11.5e-6, "dt": 0.0}
    stated = {"ls": 25.0, "d": 9.7, "da": 0.58e-6, "theta": 0.41, "alpha": 1.2e-6, "dt": 0.029}
    known = room(*(channel(name, calibration=sure_of(u)) for name, u in stated.items()))
    budget = MeasurementModel(measure, known).budget(values)
    parts = {one.cause[1]: abs(one.sensitivity) * one.standard for one in budget.contributions}
    assert budget.value / 1e6 == pytest.approx(50.000838, abs=5e-7)
    assert parts["ls"] == pytest.approx(25, abs=0.05)
    assert parts["d"] == pytest.approx(9.7, abs=0.05)
    assert parts["da"] == pytest.approx(2.9, abs=0.05)
    assert parts["dt"] == pytest.approx(16.6, abs=0.1)
    assert parts["alpha"] == parts["theta"] == 0
    first_order = math.sqrt(sum(part**2 for part in parts.values()))
    assert first_order == pytest.approx(32, abs=0.5)
    # da is 0 +- 0.58e-6 and theta -0.1 +- 0.41: their product bends; second-order terms of 11.7 and 1.7 nm
    # (H.1.7, from memory) make 34 nm, which the draws find
    assert budget.bends
    assert budget.standard == pytest.approx(34, abs=0.5)


def test_the_impedance_of_the_gum() -> None:
    """JCGM 100:2008 H.2, tables H.2 to H.4: u(R) 0.071, u(X) 0.295, u(Z) 0.236 ohm.

    The five sets' means are correlated (-0.36, 0.86, -0.65); here each is made of three independent errors
    (Cholesky), so that what is tested is that one error in several inputs is added with its sign.
    """
    sets = np.array([
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ])  # fmt: skip
    volts, amps, phase = sets.mean(axis=1)
    factor = np.linalg.cholesky(np.cov(sets) / 5)
    errors = room(*(channel(f"e{k}", calibration=sure_of(1.0)) for k in range(3)))
    terms = [" + ".join(f"{factor[row, k]:.12f} * e{k}" for k in range(3)) for row in range(3)]
    v, i = (f"({mean:.12f} + {term})" for mean, term in zip((volts, amps), terms, strict=False))
    zero = {"e0": 0.0, "e1": 0.0, "e2": 0.0}
    impedance = MeasurementModel(f"{v} / {i}", errors).budget(zero)
    assert impedance.value == pytest.approx(254.260, abs=5e-3)
    assert impedance.standard == pytest.approx(0.236, abs=1e-3)
    assert not impedance.bends
    # no cosine in formulas: to first order R = Z cos(phi) is this (JCGM 100:2008, 5.1.2)
    real = f"{v} / {i} * ({math.cos(phase):.12f} - {math.sin(phase):.12f} * ({terms[2]}))"
    assert MeasurementModel(real, errors).standard(zero) == pytest.approx(0.071, abs=1e-3)
    imaginary = f"{v} / {i} * ({math.sin(phase):.12f} + {math.cos(phase):.12f} * ({terms[2]}))"
    assert MeasurementModel(imaginary, errors).standard(zero) == pytest.approx(0.295, abs=1e-3)


def test_the_rise_of_a_room_is_as_uncertain_as_its_two_thermometers() -> None:
    """1.5 K each, shown to 0.1 K: root of the sum of squares of 0.866 K (twice) and 0.029 K (twice)."""
    channels = yaml_reader.read(ROOT / "configs" / "six-units.yaml", drivers.spec).layout.channels
    model = MeasurementModel(channels["A1.rise"], channels)
    apart = [MeasurementModel(channels[name], channels).standard() for name in ("A1.heatsink", "ambient")]
    assert model.standard() == pytest.approx(math.hypot(*apart)) == pytest.approx(1.2254, abs=5e-5)
    assert model.half_width() == pytest.approx(3.1)
    drawn = np.random.default_rng(11)
    errors = [drawn.uniform(-1.5, 1.5, (2, 400_000)), drawn.uniform(-0.05, 0.05, (2, 400_000))]
    assert model.standard() == pytest.approx(float(np.std(sum(one[0] - one[1] for one in errors))), rel=0.02)


def independent(stated: dict[str, tuple[float, float]]) -> dict[str, UFloat]:
    return {name: ufloat(value, u) for name, (value, u) in stated.items()}


@pytest.mark.parametrize(
    ("formula", "reference"),
    [
        ("a - b", lambda a, b, c: a - b),
        ("a * b / c", lambda a, b, c: a * b / c),
        ("(a + b) * (a - b)", lambda a, b, c: (a + b) * (a - b)),
        ("a - a / 2 + b", lambda a, b, c: a - a / 2 + b),
        ("sqrt(a ** 2 + b ** 2)", lambda a, b, c: u_sqrt(a**2 + b**2)),
        ("exp(c / a) * log(b)", lambda a, b, c: u_exp(c / a) * u_log(b)),
        ("log10(a) - -b", lambda a, b, c: u_log(a) / math.log(10) + b),
        ("2 ** c", lambda a, b, c: u_exp(c * math.log(2))),
        ("abs(b - a) + max(a, 1) - min(c, b)", lambda a, b, c: a - b + a - c),
    ],
)
def test_first_order_agrees_with_a_library_for_correlated_errors(formula: str, reference: Any) -> None:
    stated = {"a": (80.0, 0.03), "b": (30.0, 0.02), "c": (4.0, 0.002)}
    known = room(*(channel(name, calibration=sure_of(u)) for name, (_, u) in stated.items()))
    budget = MeasurementModel(formula, known).budget({name: value for name, (value, _) in stated.items()})
    expected = reference(**independent(stated))
    assert budget.value == pytest.approx(expected.nominal_value, rel=1e-12)
    assert not budget.bends
    assert budget.standard == pytest.approx(expected.std_dev, rel=1e-9)
    assert sum(budget.share(one) for one in budget.contributions) == pytest.approx(1.0)


def test_formulas_of_formulas_are_followed_to_what_is_measured() -> None:
    """(V I) / I is V: nothing of the current's error is left."""
    known = room(
        channel("v", calibration=sure_of(0.1)),
        channel("i", unit="A", calibration=sure_of(0.001)),
        channel("p", "v * i", unit="W"),
        channel("back", "p / i"),
    )
    model = MeasurementModel(known["back"], known)
    assert model.inputs == ("v", "i")
    assert model.standard({"v": 28.0, "i": 3.5}) == pytest.approx(0.1, rel=1e-9)


def couple(name: str, letter: str = "K", **facts: Any) -> Channel:
    source = ChannelSource(
        instrument="scanner", field=name, convert=f"thermocouple {letter}", cold_junction="block"
    )
    return channel(name, unit="degC", source=source, **facts)


def terminals(**facts: Any) -> Channel:
    return channel(
        "terminals", unit="degC", source=ChannelSource(instrument="scanner", field="block"), **facts
    )


def test_the_cold_junction_of_two_couples_cancels_in_their_difference() -> None:
    """Both move with the junction by nearly 1 K/K: their sum by 2, their difference by 0 (algebra)."""
    known = room(couple("hot", accuracy=0.3), couple("cool", accuracy=0.3), terminals(accuracy=1.0))
    at = {"hot": 80.0, "cool": 79.0, "terminals": 25.0}
    own = rectangular(0.3) * math.sqrt(2)
    apart = MeasurementModel("hot - cool", known).standard(at)
    assert apart == pytest.approx(own, rel=1e-3)
    total = MeasurementModel("hot + cool", known).standard(at)
    slope = junction_slope(known["hot"], 79.5, 25.0)
    assert total == pytest.approx(math.hypot(own, 2 * slope * rectangular(1.0)), rel=1e-3)
    # an unstated junction is said to be so
    silent = MeasurementModel("hot - cool", room(couple("hot"), couple("cool"))).budget(at)
    assert "accuracy of the cold junction of hot (scanner.block)" in silent.not_stated


def test_a_hot_couple_moves_with_its_junction_as_its_curve_says() -> None:
    """uV/K, from memory: type K 40.5 at 25 degC, 41.4 at 100 degC; type S 6.0 at 25 degC, 10.5 at 700."""
    assert junction_slope(couple("t"), 100.0, 25.0) == pytest.approx(40.5 / 41.4, rel=5e-3)
    assert junction_slope(couple("t", "S"), 700.0, 25.0) == pytest.approx(6.0 / 10.5, rel=0.01)
    assert junction_slope(couple("t"), math.nan, 25.0) == 1.0
    assert junction_slope(couple("t"), 5000.0, 25.0) == 1.0


@pytest.mark.parametrize(
    ("certificates", "expected"), [(("C-1", "C-1"), 0.0), (("C-1", "C-2"), 0.2 * 2**0.5)]
)
def test_one_certificate_is_one_error(certificates: tuple[str, str], expected: float) -> None:
    known = room(*(
        channel(name, calibration=sure_of(0.2, certificate))
        for name, certificate in zip("ab", certificates, strict=True)
    ))  # fmt: skip
    assert MeasurementModel("a - b", known).standard() == pytest.approx(expected, abs=1e-12)
    assert MeasurementModel("a - b", known).half_width() == pytest.approx(
        0.0 if expected == 0 else 2 * 3 * 0.2, abs=1e-12
    )


@pytest.mark.parametrize(
    ("formula", "values", "bends"),
    [
        ("a * a", {"a": 0.0, "b": 1.0}, True),
        ("1 / a", {"a": 1.0, "b": 1.0}, True),
        ("max(a, b)", {"a": 1.0, "b": 1.0}, True),
        ("abs(a)", {"a": 0.05, "b": 1.0}, True),
        ("a / b", {"a": 100.0, "b": 50.0}, False),
    ],
)
def test_where_a_formula_bends_its_uncertainty_is_that_of_draws(
    formula: str, values: dict[str, float], bends: bool
) -> None:
    known = room(channel("a", accuracy=0.2), channel("b", calibration=sure_of(0.1)))
    budget = MeasurementModel(formula, known).budget(values)
    drawn = np.random.default_rng(2)
    a = values["a"] + drawn.uniform(-0.2, 0.2, 400_000)
    b = values["b"] + drawn.normal(0.0, 0.1, 400_000)
    found = {
        "a * a": a * a,
        "1 / a": 1 / a,
        "max(a, b)": np.maximum(a, b),
        "abs(a)": np.abs(a),
        "a / b": a / b,
    }
    assert budget.bends is bends
    assert budget.standard == pytest.approx(float(np.std(found[formula])), rel=0.02)
    inside = np.abs(b - values["b"]) <= 0.3
    assert budget.half_width >= float(np.abs(found[formula] - budget.value)[inside].max()) * (1 - 1e-9)


def test_a_product_bends_from_the_stated_share_on() -> None:
    """x y departs from its tangent by dx dy, 3 u(x) u(y) at sqrt 3 u each; its own u is u sqrt(x^2 + y^2)."""
    edge = BENDS * math.sqrt(2) / 3
    for u, bends in ((0.98 * edge, False), (1.02 * edge, True)):
        known = room(channel("x", calibration=sure_of(u)), channel("y", calibration=sure_of(u)))
        assert MeasurementModel("x * y", known).budget({"x": 1.0, "y": 1.0}).bends is bends


def test_no_uncertainty_is_stated_where_the_formula_may_have_no_result() -> None:
    known = room(channel("v"), channel("i", accuracy=0.2))
    budget = MeasurementModel("v / i", known).budget({"v": 8.0, "i": 0.1})
    assert math.isinf(budget.standard)
    assert math.isinf(budget.half_width)
    assert math.isnan(MeasurementModel("v / i", known).standard({"v": 8.0}))


def test_a_difference_of_rounded_readings_is_rounded_twice() -> None:
    known = room(channel("h", resolution=0.1), channel("a", resolution=0.1), channel("r", "h - a"))
    assert MeasurementModel(known["r"], known).step() == pytest.approx(0.2)
    assert MeasurementModel(known["h"], known).step() == pytest.approx(0.1)


def lagging(hot: float, air: float, tolerance: float = 0.0) -> MeasurementModel:
    known = room(
        channel("h", lag_s=hot, lag_tolerance_s=tolerance), channel("a", lag_s=air), channel("r", "h - a")
    )
    return MeasurementModel(known["r"], known)


def test_a_difference_lags_as_its_inputs_do_or_anywhere_between() -> None:
    alike = lagging(8.0, 8.0).lag()
    assert (alike.lag_s, alike.tolerance_s, alike.level) == (8.0, 0.0, 0.0)
    mixed = lagging(8.0, 0.0, 0.8).lag()
    assert mixed.lag_s + mixed.tolerance_s == pytest.approx(8.8)
    assert mixed.lag_s - mixed.tolerance_s == pytest.approx(0.0)


def test_where_one_input_moves_its_lag_is_that_of_the_difference() -> None:
    """r = h - a, with x = y + tau y': x_h - x_a = r + 8 r' + 8 a' for tau 8 s and 0 (algebra)."""
    lag = lagging(8.0, 0.0).lag(rates={"h": 0.5, "a": 0.01})
    assert (lag.lag_s, lag.tolerance_s) == (8.0, 0.0)
    assert lag.level == pytest.approx(8.0 * 0.01)
    still = lagging(8.0, 0.0).lag(rates={"h": 0.001, "a": 0.5})
    assert (still.lag_s, still.level) == pytest.approx((0.0, 8.0 * 0.001))


@pytest.mark.parametrize(("hot", "air"), [(0.2, 0.1), (0.1, 0.2), (-0.1, 0.3), (0.3, 0.3)])
def test_the_bound_of_mixed_lags_holds_on_ramps(hot: float, air: float) -> None:
    """A first-order sensor reads a ramp late by tau times its rate (textbook); the model must hold that."""
    model = lagging(8.0, 60.0)
    bounds = model.bounds(rates={"h": abs(hot), "a": abs(air)})
    reading_late = 8.0 * hot - 60.0 * air  # how much the true difference lies above the read one
    undone = bounds.lag_s * (hot - air)
    assert abs(reading_late - undone) <= bounds.margin + 1e-12


def test_windows_of_different_length_are_known_between_the_least_and_the_longest() -> None:
    known = room(channel("v", averaging_s=0.2), channel("i"), channel("p", "v * i"))
    bounds = MeasurementModel(known["p"], known).bounds({"v": 1.0, "i": 1.0})
    assert (bounds.averaging_least_s, bounds.averaging_s) == (0.0, 0.2)
    assert (bounds.shift_s, bounds.shift_tolerance_s) == (0.05, 0.05)
    one = MeasurementModel(known["v"], known).bounds()
    assert (one.shift_s, one.shift_tolerance_s) == (0.1, 0.0)


RAW = {"accuracy", "accuracy_share", "lag_s", "lag_tolerance_s", "averaging_s", "resolution"}
OWNERS = {
    "domain/uncertainty.py", "rigfile/channel_section.py", "rigfile/sections.py", "rigfile/field_types.py",
}  # fmt: skip
PRINTING = (
    "view/", "alerts/facts.py", "alerts/alarms.py", "daemon/observers/", "domain/limit_evaluation.py",
    "domain/phase_texts.py", "domain/preflight_checks.py",
)  # fmt: skip
"""Places that print a value of a channel to its display step."""


def test_nobody_but_the_model_reads_what_a_channel_states_of_its_measurement() -> None:
    """The layout keeps it and the reader of rig files writes it; everybody else asks the model.

    ``lag_s`` and the like of the model's own answers (``bounds``, ``lag``) are no raw reads; nor are the
    simulated room's probes and the pictures' own fields.
    """
    answers = {"bounds", "lag", "self", "quantity", "probe", "plan", "local", "excursion"}
    guilty = []
    for path in sorted((ROOT / "rig").rglob("*.py")):
        where = str(path.relative_to(ROOT / "rig"))
        if where in OWNERS or where.startswith("simulator/"):
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not (isinstance(node, ast.Attribute) and node.attr in RAW):
                continue
            if isinstance(node.value, ast.Call) and getattr(node.value.func, "attr", "") == "bounds":
                continue
            of = node.value.attr if isinstance(node.value, ast.Attribute) else getattr(node.value, "id", "")
            shown = where.startswith(PRINTING) and node.attr == "resolution"
            if of not in answers and not shown:
                guilty.append(f"{where}:{node.lineno} {of}.{node.attr}")
    assert guilty == []


def test_rounding_is_counted_once_beside_the_bound_of_a_reading() -> None:
    bounds = MeasurementModel(channel("t", accuracy=1.5, resolution=0.1), {}).bounds()
    assert (bounds.half_width, bounds.step) == (1.5, 0.1)
