"""Cells against what each text can only mean; refusals where it can mean two things."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.domain.model import Status
from rig.interchange.cells import CellReader, Found


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    [
        ("23.5", ".", 23.5), ("23,5", ",", 23.5), (" -0,25 ", ",", -0.25), ("+1.5E-3", ".", 1.5e-3),
        ("1,5E3", ",", 1500.0), ("\u22124.5", ".", -4.5), ("1 234,5", ",", 1234.5),
        ("1\u202f234\u202f567", ".", 1234567.0),
        ("1'234.5", ".", 1234.5), ("1.234,5", ",", 1234.5), ("1,234.5", ".", 1234.5), ("12", ",", 12.0),
        (".5", ".", 0.5), (",5", ",", 0.5), ("7.", ".", 7.0),
    ],
)  # fmt: skip
def test_a_number_is_read_by_the_files_decimal_sign(text: str, decimal: str, value: float) -> None:
    read, code, _ = CellReader(decimal).read(text)
    assert (read, code) == (value, Status.GOOD)


@pytest.mark.parametrize(
    ("text", "decimal"),
    [
        ("1.234", ","), ("1,234", "."), ("1.5", ","), ("1,5", "."), ("12 34", "."), ("1_000", "."),
        ("0x1F", "."),
        ("23.5 V", "."), ("1.2.3", "."), ("--5", "."), ("1e999", "."), ("\u0663", "."), ("1 234.5", ","),
    ],
)  # fmt: skip
def test_a_text_that_is_no_number_or_may_be_two_is_a_bad_reply(text: str, decimal: str) -> None:
    value, code, held = CellReader(decimal).read(text)
    assert math.isnan(value)
    assert (code, held) == (Status.BAD_REPLY, Found.BAD)


@pytest.mark.parametrize(
    ("text", "status"),
    [
        ("", Status.NO_VALUE), ("  ", Status.NO_VALUE), ("----", Status.NO_VALUE), ("NaN", Status.NO_VALUE),
        ("OL", Status.OVER), ("-OL", Status.UNDER), ("n/a", Status.NO_VALUE), ("#N/A", Status.NO_VALUE),
        ("Inf", Status.OVER), ("-inf", Status.UNDER), ("9.9E37", Status.OVER), ("9.91E+37", Status.NO_VALUE),
        ("1.#INF", Status.OVER), ("-1.#IND", Status.NO_VALUE),
    ],
)  # fmt: skip
def test_words_and_scpi_stand_ins_say_why_there_is_no_number(text: str, status: Status) -> None:
    """SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5 for the stand-ins; the words are common practice, no source."""
    value, code, _ = CellReader(".").read(text)
    assert math.isnan(value)
    assert code == status


def test_words_of_the_limits_file_win_over_the_usual_ones() -> None:
    reader = CellReader(".", words={"open": Status.OVER, "Leitung": Status.NO_VALUE})
    assert reader.read("OPEN")[1] == Status.OVER
    assert reader.read("leitung")[1] == Status.NO_VALUE


def test_groups_of_three_count_alone_only_where_they_are_declared() -> None:
    assert CellReader(".", ",").read("1,234")[0] == 1234.0
    assert CellReader(",", ".").read("1.234.567")[0] == 1234567.0


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e30, max_value=1e30))
def test_every_float_comes_back_with_either_decimal_sign(value: float) -> None:
    text = repr(value)
    assert CellReader(".").read(text)[0] == value
    assert CellReader(",").read(text.replace(".", ","))[0] == value


@given(st.text(max_size=30), st.sampled_from([".", ","]))
def test_any_text_gives_a_value_or_a_status(text: str, decimal: str) -> None:
    value, code, _ = CellReader(decimal).read(text)
    assert math.isfinite(value) == Status(code).has_number
