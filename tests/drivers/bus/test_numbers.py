"""Text to value and status."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.bus.numbers import decode, read_field, settled, words_of
from rig.domain.model import Status
from rig.errors import ReplyError

# IEEE 488.2 response types NR1, NR2, NR3 (any of them is NRf)
NUMBERS = [
    ("-12", -12.0),
    ("12.5", 12.5),
    ("1.25E+01", 12.5),
    ("+2.345E+2", 234.5),
    (" 7 ", 7.0),
    (".5", 0.5),
    ("5.", 5.0),
    ("0", 0.0),
    ("-0.0", 0.0),
    ("1e-9", 1e-9),
]


@pytest.mark.parametrize(("text", "value"), NUMBERS)
def test_the_three_number_forms_of_ieee_488_2_are_numbers(text: str, value: float) -> None:
    assert read_field(text) == (value, Status.GOOD)


# SCPI-99 vol. 1, 7.2.1.4 (infinity 9.9E37, negative -9.9E37) and 7.2.1.5 (not a number 9.91E37)
@pytest.mark.parametrize(
    ("text", "status"),
    [
        ("9.9E37", Status.OVER),
        ("9.9E+37", Status.OVER),
        ("+9.90000000E+37", Status.OVER),
        ("9.900000302096328e37", Status.OVER),
        ("-9.9E37", Status.UNDER),
        ("-9.9E+37", Status.UNDER),
        ("9.91E37", Status.NO_VALUE),
        ("9.91E+37", Status.NO_VALUE),
        ("9.909999530030929e37", Status.NO_VALUE),
    ],
)
def test_the_stand_ins_of_scpi_are_statuses_and_never_numbers(text: str, status: Status) -> None:
    value, got = read_field(text)
    assert got is status
    assert math.isnan(value)


# float32 and float64 images of the stand-ins: IEEE 754; the 64-bit hex is printed in a
# VXI measurement card manual, FORMat table
@pytest.mark.parametrize(
    ("hexes", "code", "status"),
    [
        ("7E94F56A", ">f", Status.OVER),
        ("FE94F56A", ">f", Status.UNDER),
        ("7E951BEE", ">f", Status.NO_VALUE),
        ("47D29EAD3677AF6F", ">d", Status.OVER),
        ("47D2A37DCED46143", ">d", Status.NO_VALUE),
        ("7F800000", ">f", Status.OVER),
        ("FF800000", ">f", Status.UNDER),
        ("7FFFFFFF", ">f", Status.NO_VALUE),
    ],
)
def test_stand_ins_are_known_in_binary_too(hexes: str, code: str, status: Status) -> None:
    (number,) = struct.unpack(code, bytes.fromhex(hexes))
    value, got = settled(number)
    assert got is status
    assert math.isnan(value)


# words in common use; common practice, no source
@pytest.mark.parametrize(
    ("text", "status"),
    [
        ("OL", Status.OVER),
        ("ol", Status.OVER),
        ("-OL", Status.UNDER),
        ("OVLOAD", Status.OVER),
        (" ---- ", Status.NO_VALUE),
        ("NaN", Status.NO_VALUE),
        ("-inf", Status.UNDER),
        ("open", Status.NO_VALUE),
    ],
)
def test_overload_words_are_statuses(text: str, status: Status) -> None:
    assert read_field(text)[1] is status


NO_NUMBERS = (
    *("", " ", "12,5", "1_0", "+", "1e", "e5", "1.2.3", "0x1F", "1 2", "--5", "1e400", "-1e999"),
    *("infinity", "23.4V", "½", "１２", "nan(1)", "1e99999"),
)


@pytest.mark.parametrize("text", NO_NUMBERS)
def test_anything_else_is_a_reply_error(text: str) -> None:
    with pytest.raises(ReplyError, match="neither a number nor a known word"):
        read_field(text)


def test_an_instruments_own_words_come_on_top() -> None:
    words = words_of({"Err 7": "no-value", "HI": "over", "LO": "under"})
    assert read_field("err 7", words)[1] is Status.NO_VALUE
    assert read_field("HI", words)[1] is Status.OVER
    assert read_field("lo", words)[1] is Status.UNDER
    assert read_field("OL", words)[1] is Status.OVER


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_float_that_is_not_a_stand_in_comes_back_from_its_text(number: float) -> None:
    value, status = read_field(repr(number))
    if status is Status.GOOD:
        assert value == number
    else:
        assert abs(number) == pytest.approx(9.9e37, rel=2e-3)


@given(st.text(max_size=30))
def test_no_text_gives_anything_but_a_value_a_status_or_a_reply_error(text: str) -> None:
    try:
        value, status = read_field(text)
    except ReplyError:
        return
    assert status.has_number == math.isfinite(value)


@pytest.mark.parametrize("raw", [b"\x80", b"2\xe93.4", b"\x00", b"1\n", b"\x7f", b"\x1b[0m"])
def test_bytes_that_are_not_printable_ascii_are_a_reply_error(raw: bytes) -> None:
    with pytest.raises(ReplyError, match="not ASCII text"):
        decode(raw)
