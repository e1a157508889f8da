"""Units of measure against the SI brochure and handbook conversions."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.units import UnitError, amount, difference, difference_unit, exact_number, unit_of_measure


@pytest.mark.parametrize(
    ("text", "target", "expected"),
    [
        # BIPM, SI brochure, 9th edition: table 7 (prefixes), table 4 (derived units), table 8 (min, h, d).
        ("500 ms", "s", 0.5),
        ("300 ms", "s", 0.3),
        ("1 us", "s", 1e-6),
        ("2 kohm", "ohm", 2000.0),
        ("47 uF", "F", 47e-6),
        ("1 MW", "kW", 1000.0),
        ("1 h", "s", 3600.0),
        ("21 d", "s", 1_814_400.0),
        ("1 kWh", "J", 3.6e6),
        ("1 bar", "kPa", 100.0),
        ("1 V*A", "W", 1.0),
        ("1 V^2/ohm", "W", 1.0),
        ("1 J/s", "W", 1.0),
        ("1 A*s", "C", 1.0),
        ("1 V*s", "Wb", 1.0),
        ("1 s/ohm", "F", 1.0),
        ("1 N*m", "J", 1.0),
        ("3000 rpm", "Hz", 50.0),
        ("5 %", "1", 0.05),
        ("5 1", "1", 5.0),
        ("50 1/s", "Hz", 50.0),
        ("250 ppm", "%", 0.025),
        ("2 K/W", "mK/W", 2000.0),
        # NIST SP 811 (2008), B.8: t/degC = (t/degF - 32)/1.8; water freezes at 32 and boils at 212 degF.
        ("32 degF", "degC", 0.0),
        ("212 degF", "degC", 100.0),
        ("-40 degF", "degC", -40.0),
        ("25 degC", "degF", 77.0),
        ("95 °C", "degC", 95.0),
        ("10 Ω", "ohm", 10.0),
        ("10 \u2126", "ohm", 10.0),
        ("3 \u00b5s", "us", 3.0),
        ("3 \u03bcs", "us", 3.0),
        ("4 dBu", "dBu", 4.0),
    ],
)
def test_amounts_convert_as_the_tables_say_and_round_once(text: str, target: str, expected: float) -> None:
    assert amount(text).to(target) == expected


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("5", "no unit"),
        ("1e3", "no unit"),
        ("V", "not an amount"),
        ("", "not an amount"),
        ("12:30", "not an amount"),
        ("0123 V", "not an amount"),
        ("08 V", "not an amount"),
        ("1,5 V", "not an amount"),
        ("1_000 V", "not an amount"),
        (".5 V", "not an amount"),
        ("5. V", "not an amount"),
        ("--5 V", "not an amount"),
        ("nan V", "not an amount"),
        ("inf V", "not an amount"),
        ("0x10 V", "not a unit"),
        ("1e400 V", "does not fit"),
        ("1e-400 V", "does not fit"),
        ("5 furlong", "not a unit"),
        ("5 /V", "not a unit"),
        ("5 V/", "not a unit"),
        ("5 V V", "not a unit"),
        ("5 degC/W", "stands alone"),
        ("5 kdegC", "not a unit"),
        ("5 mmin", "not a unit"),
        ("5 V\n6 V", "not a unit"),
        ("5 " + "V*" * 40 + "V", "not an amount"),
    ],
)
def test_whatever_is_not_a_plain_amount_is_refused_with_its_reason(text: str, reason: str) -> None:
    with pytest.raises(UnitError, match=reason):
        amount(text)


@pytest.mark.parametrize(
    ("text", "suggestion"),
    [
        ("5 Volt", "V"),
        ("5 volts", "V"),
        ("5 sec", "s"),
        ("95 C", None),
        ("95 c", "degC"),
        ("95 degc", "degC"),
        ("50 hz", "Hz"),
        ("5 Ohm", "ohm"),
        ("5 percent", "%"),
    ],
)
def test_near_misses_are_told_what_was_meant(text: str, suggestion: str | None) -> None:
    if suggestion is None:
        with pytest.raises(UnitError, match="degrees Celsius are written degC"):
            amount(text).to("degC")
        return
    with pytest.raises(UnitError) as caught:
        amount(text)
    assert caught.value.allowed == f"did you mean {suggestion}?"


@pytest.mark.parametrize(
    ("text", "target", "hint"),
    [
        ("95 K", "degC", "K is for differences"),
        ("95 degC", "K", "written in K"),
        ("5 A", "V", "write it in V"),
        ("3 dBu", "V", "write it in V"),
        ("3 dBu", "dBV", "write it in dBV"),
        ("1 W", "V", "write it in V"),
    ],
)
def test_amounts_of_another_kind_are_refused(text: str, target: str, hint: str) -> None:
    with pytest.raises(UnitError, match=hint):
        amount(text).to(target)


def test_differences_of_temperature_are_in_kelvin_and_scale_with_the_channel() -> None:
    # NIST SP 811, B.8: a difference of 1 K is 1.8 degrees Fahrenheit.
    assert difference(amount("2 K"), "degC") == 2.0
    assert difference(amount("500 mK"), "degC") == 0.5
    assert difference(amount("1 K"), "degF") == 1.8
    assert difference(amount("500 mV"), "V") == 0.5
    assert difference_unit("degF") == "K"
    assert difference_unit("V") == "V"
    with pytest.raises(UnitError, match="point on a scale"):
        difference(amount("2 degC"), "degC")


def test_a_number_without_unit_fits_plain_numbers_only() -> None:
    assert amount("0.8", bare=True).to("1") == 0.8
    assert difference(amount("0.1", bare=True), "1") == 0.1
    for target in ("V", "degC", "%"):
        with pytest.raises(UnitError, match=f"has no unit of measure; write it in {target}"):
            amount("5", bare=True).to(target)
    with pytest.raises(UnitError, match="no unit"):
        difference(amount("5", bare=True), "degC")


def test_symbols_come_out_in_ascii() -> None:
    assert unit_of_measure("°C").symbol == "degC"
    assert unit_of_measure("kΩ").symbol == "kohm"
    assert unit_of_measure("µV").symbol == "uV"


def test_a_product_too_large_for_a_number_is_refused_not_infinite() -> None:
    huge = "1e300 " + "*".join(["GV"] * 5)
    with pytest.raises(UnitError, match="too large"):
        amount(huge).to("*".join(["V"] * 5))


@given(
    st.decimals(min_value=-(10**9), max_value=10**9, allow_nan=False, places=6),
    st.sampled_from([("V", "mV"), ("s", "d"), ("degC", "degF"), ("K/W", "mK/kW"), ("rpm", "Hz"), ("1", "%")]),
)
def test_conversion_there_and_back_is_exact(number: Decimal, pair: tuple[str, str]) -> None:
    there = amount(f"{number:f} {pair[0]}").exact(pair[1])
    unit = unit_of_measure(pair[0])
    other = unit_of_measure(pair[1])
    back = (there * other.factor + other.offset - unit.offset) / unit.factor
    assert back == Fraction(str(number))


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_as_python_prints_them_are_read_exactly(number: float) -> None:
    assert float(exact_number(repr(number))) == number


@given(st.text(max_size=80))
def test_any_text_is_an_amount_or_a_named_refusal(text: str) -> None:
    try:
        read = amount(text)
    except UnitError:
        return
    assert read.text[0] in "+-0123456789"
