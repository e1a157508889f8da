"""Sensor curves against printed tables."""

from __future__ import annotations

import math

import pytest
import thermocouple_its90
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.conversions import NAMES, THERMOCOUPLES, curve, needs_cold_junction
from rig.domain.model import Status

# NIST ITS-90 tables (SRD 60, Monograph 175): degC -> mV against a junction at 0 degC, 3 decimals
TABLE = {
    "K": {
        -200: -5.891, -100: -3.554, -20: -0.778, 0: 0.0, 25: 1.0, 40: 1.612, 50: 2.023, 60: 2.436,
        80: 3.267, 85: 3.474, 100: 4.096, 120: 4.920, 130: 5.328, 150: 6.138, 155: 6.339, 180: 7.340,
        200: 8.138, 250: 10.153, 300: 12.209, 500: 20.644, 1000: 41.276, 1372: 54.886,
    },
    "J": {
        -210: -8.095, -100: -4.633, -40: -1.961, 25: 1.277, 50: 2.585, 60: 3.116, 80: 4.187, 85: 4.456,
        100: 5.269, 120: 6.360, 150: 8.010, 180: 9.669, 200: 10.779, 760: 42.919, 1200: 69.553,
    },
    "T": {
        -200: -5.603, -100: -3.379, -40: -1.475, 25: 0.992, 50: 2.036, 60: 2.468, 80: 3.358, 85: 3.585,
        100: 4.279, 120: 5.228, 150: 6.704, 180: 8.237, 200: 9.288, 400: 20.872,
    },
    "N": {-200: -3.990, -40: -1.023, 25: 0.659, 50: 1.340, 80: 2.189, 100: 2.774, 150: 4.302, 300: 9.341,
          600: 20.613, 1300: 47.513},
    "E": {-200: -8.825, -40: -2.255, 25: 1.495, 50: 3.048, 80: 4.985, 100: 6.319, 150: 9.789, 200: 13.421,
          600: 45.093, 1000: 76.373},
    "R": {25: 0.141, 100: 0.647, 1000: 10.506, 1500: 17.451},
    "S": {25: 0.143, 100: 0.646, 1000: 9.587, 1500: 15.582},
    "B": {0: 0.0, 25: -0.002, 100: 0.033, 250: 0.291, 1000: 4.834, 1820: 13.820},
}  # fmt: skip


def thermocouple_mv(letter: str, hot_c: float) -> float:
    """The forward curve of the library that the inverse rests on, junction at 0 degC."""
    return float(thermocouple_its90.get(letter).emf(hot_c))


def platinum_ohm(temp_c: float) -> float:
    """IEC 60751:2022, 4.2, for 100 ohm at 0 degC, with the standard's coefficients."""
    cold = -4.183e-12 * (temp_c - 100) * temp_c**3 if temp_c < 0 else 0.0
    return 100 * (1 + 3.9083e-3 * temp_c - 5.775e-7 * temp_c**2 + cold)


ROWS = [(letter, temp_c, mv) for letter, rows in TABLE.items() for temp_c, mv in rows.items()]


@pytest.mark.parametrize(("letter", "temp_c", "mv"), ROWS)
def test_emf_is_the_printed_one(letter: str, temp_c: float, mv: float) -> None:
    assert round(thermocouple_mv(letter, temp_c), 3) == pytest.approx(mv, abs=1e-9)


@pytest.mark.parametrize(("letter", "temp_c", "mv"), [row for row in ROWS if row[0] != "B" or row[1] >= 250])
def test_the_printed_emf_gives_the_temperature_within_its_own_rounding(
    letter: str, temp_c: float, mv: float
) -> None:
    got, status = curve(f"thermocouple {letter}")(mv, 0.0)
    assert status is Status.GOOD
    # half of the last printed digit through the local slope (slopes of the same tables)
    step = 0.5
    low, high = max(temp_c - step, min(TABLE[letter])), min(temp_c + step, max(TABLE[letter]))
    slope = (thermocouple_mv(letter, high) - thermocouple_mv(letter, low)) / (high - low)
    assert got == pytest.approx(temp_c, abs=0.000501 / abs(slope) * 1.05)


# NIST ITS-90 tables, computed from the coefficients to more digits by two independent programs
@pytest.mark.parametrize(
    ("letter", "mv", "temp_c"),
    [
        ("K", -3.554, -100.0121), ("K", 1.000, 24.9940), ("K", 4.096, 99.9944), ("K", 12.209, 300.0105),
        ("K", 41.276, 1000.0101), ("J", 5.269, 100.0015), ("J", 42.919, 760.0056), ("T", 4.279, 100.0103),
        ("N", 36.256, 1000.0120), ("S", 9.587, 999.9915), ("R", 0.647, 99.947),
    ],
)  # fmt: skip
def test_the_inverse_is_exact_and_not_the_published_polynomial(letter: str, mv: float, temp_c: float) -> None:
    assert curve(f"thermocouple {letter}")(mv, 0.0)[0] == pytest.approx(temp_c, abs=0.001)


def fahrenheit(temp_c: float) -> float:
    return temp_c * 9 / 5 + 32


# a public exercise on thermocouple junctions (instrumentationtools.com), its answers in whole degrees
@pytest.mark.parametrize(("mv", "answer_f"), [(2.55, 195), (6.21, 357), (10.93, 567), (18.83, 904)])
def test_published_exercise_type_k_with_the_junction_at_84_degrees_fahrenheit(
    mv: float, answer_f: float
) -> None:
    temp_c, _ = curve("thermocouple K")(mv, (84 - 32) * 5 / 9)
    assert fahrenheit(temp_c) == pytest.approx(answer_f, abs=0.5)


@pytest.mark.parametrize(("mv", "answer_c"), [(5.05, 112), (31.44, 586), (40.29, 732)])
def test_published_exercise_type_j_with_the_junction_at_17_degrees(mv: float, answer_c: float) -> None:
    assert curve("thermocouple J")(mv, 17.0)[0] == pytest.approx(answer_c, abs=0.5)


# formula of IEC 60584-1: the junction's emf is added; the last column is what adding degrees would say
@pytest.mark.parametrize(
    ("letter", "mv", "junction_c", "temp_c", "wrong_c"),
    [
        ("K", 4.096, 25.0, 124.3099, 124.99),
        ("T", 3.287, 25.0, 100.0098, None),
        ("K", 10.000, 25.0, 270.7137, None),
        ("K", 11.2083, 25.0, 300.0, 300.78),
        ("K", -1.7778, 25.0, -20.0, -21.9),
        ("J", 9.7596, 20.0, 200.0, 201.63),
        ("S", 9.4445, 25.0, 1000.0, 1012.62),
        ("N", 20.0080, 23.0, 600.0, 607.45),
    ],
)
def test_the_junctions_emf_is_added_and_never_its_degrees(
    letter: str, mv: float, junction_c: float, temp_c: float, wrong_c: float | None
) -> None:
    convert = curve(f"thermocouple {letter}")
    got, status = convert(mv, junction_c)
    assert status is Status.GOOD
    assert got == pytest.approx(temp_c, abs=0.006)
    if wrong_c is not None:
        assert convert(mv, 0.0)[0] + junction_c == pytest.approx(wrong_c, abs=0.01)


@pytest.mark.parametrize("letter", [letter for letter in THERMOCOUPLES if letter != "B"])
def test_a_shorted_input_reads_the_junction(letter: str) -> None:
    assert curve(f"thermocouple {letter}")(0.0, 23.4)[0] == pytest.approx(23.4, abs=1e-6)


# ends of the printed tables lie up to half a microvolt outside of the exact range
@pytest.mark.parametrize(
    ("letter", "mv", "temp_c"),
    [
        ("T", 20.872, 400), ("E", 76.373, 1000), ("N", 47.513, 1300), ("K", -6.458, -270),
        ("T", -6.258, -270), ("E", -9.835, -270), ("S", -0.236, -50), ("K", 54.886, 1372),
        ("B", 13.820, 1820),
    ],
)  # fmt: skip
def test_the_printed_ends_of_the_tables_are_in_range(letter: str, mv: float, temp_c: float) -> None:
    got, status = curve(f"thermocouple {letter}")(mv, 0.0)
    assert status is Status.GOOD
    assert got == pytest.approx(temp_c, abs=0.1)


@pytest.mark.parametrize(
    ("name", "value", "junction_c", "status"),
    [
        ("thermocouple K", 54.9, 0.0, Status.OVER),
        ("thermocouple K", -6.46, 0.0, Status.UNDER),
        ("thermocouple K", 9.9e37, 25.0, Status.OVER),
        ("thermocouple K", math.inf, 25.0, Status.OVER),
        ("thermocouple K", -math.inf, 25.0, Status.UNDER),
        ("thermocouple K", math.nan, 25.0, Status.NO_VALUE),
        ("thermocouple K", 1.0, None, Status.NOT_COMPUTED),
        ("thermocouple K", 1.0, math.nan, Status.NOT_COMPUTED),
        ("thermocouple K", 1.0, 5000.0, Status.NOT_COMPUTED),
        ("thermocouple B", 0.2, 0.0, Status.UNDER),  # two temperatures have this emf
        ("pt100", 400.0, None, Status.OVER),
        ("pt100", 1e9, None, Status.OVER),
        ("pt100", 18.0, None, Status.UNDER),
        ("pt100", -1.0, None, Status.UNDER),
        ("pt100", math.nan, None, Status.NO_VALUE),
    ],
)
def test_outside_of_a_curve_there_is_no_temperature(
    name: str, value: float, junction_c: float | None, status: Status
) -> None:
    got, why = curve(name)(value, junction_c)
    assert why is status
    assert math.isnan(got)


def test_volts_are_a_thousand_millivolts() -> None:
    assert curve("thermocouple K from V")(0.004096, 25.0) == curve("thermocouple K")(4.096, 25.0)


# IEC 60751:2022 with A 3.9083e-3, B -5.775e-7, C -4.183e-12; the standard prints the two decimals
@pytest.mark.parametrize(
    ("temp_c", "ohm", "printed"),
    [
        (-200, 18.5201, 18.52), (-100, 60.2558, 60.26), (-50, 80.3063, 80.31), (0, 100.0, 100.0),
        (25, 109.7347, 109.73), (50, 119.3971, 119.40), (100, 138.5055, 138.51), (200, 175.8560, 175.86),
        (300, 212.0515, 212.05), (400, 247.0920, 247.09), (600, 313.7080, 313.71), (850, 390.4811, 390.48),
    ],
)  # fmt: skip
def test_platinum_has_the_printed_resistance_and_back(temp_c: float, ohm: float, printed: float) -> None:
    assert platinum_ohm(temp_c) == pytest.approx(ohm, abs=5e-5)
    assert round(platinum_ohm(temp_c), 2) == pytest.approx(printed)
    got, status = curve("pt100")(printed, None)
    assert status is Status.GOOD
    assert got == pytest.approx(temp_c, abs=0.018)
    assert curve("pt1000")(10 * ohm, None)[0] == pytest.approx(temp_c, abs=5e-4)


# the inverse of printed values, by another package
@pytest.mark.parametrize(("ohm", "temp_c"), [(138.51, 100.0119), (60.26, -99.9897), (119.40, 50.0075)])
def test_the_inverse_of_printed_ohms(ohm: float, temp_c: float) -> None:
    assert curve("pt100")(ohm, None)[0] == pytest.approx(temp_c, abs=1e-4)


def test_the_mean_coefficient_is_that_of_the_standard() -> None:
    # IEC 60751, scope: 3.851e-3 per degC
    assert curve("pt100")(100 * (1 + 100 * 3.85055e-3), None)[0] == pytest.approx(100, abs=1e-4)


def test_platinum_is_the_curve_of_an_independent_package_everywhere() -> None:
    from rtd_sensor import pt100

    for tenth in range(-2000, 8501, 7):
        temp_c = tenth / 10
        assert curve("pt100")(pt100.celsius_to_resistance(temp_c), None)[0] == pytest.approx(temp_c, abs=1e-7)


@given(st.floats(-200.0, 850.0))
def test_platinum_there_and_back(temp_c: float) -> None:
    assert curve("pt100")(platinum_ohm(temp_c), None)[0] == pytest.approx(temp_c, abs=1e-8)


@given(st.sampled_from(NAMES), st.floats(), st.one_of(st.none(), st.floats()))
def test_any_number_gives_a_temperature_or_a_status(
    name: str, value: float, junction_c: float | None
) -> None:
    got, status = curve(name)(value, junction_c)
    assert status.has_number == math.isfinite(got)


def test_an_unknown_curve_lists_the_known_ones() -> None:
    with pytest.raises(ValueError, match="no conversion named 'pt50'; there are: thermocouple B"):
        curve("pt50")
    with pytest.raises(ValueError, match="thermocouple K"):
        curve("thermocouple k")


def test_only_thermocouples_need_a_cold_junction() -> None:
    assert [name for name in NAMES if not needs_cold_junction(name)] == ["pt100", "pt1000"]
