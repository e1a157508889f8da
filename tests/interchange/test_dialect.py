"""How a table is written, found out from its text alone."""

import codecs

import pytest

from rig.errors import UsageError
from rig.interchange import dialect
from rig.interchange.limits_file import TableSection


def found(text: str, **table: object) -> dialect.Dialect:
    return dialect.find(text.splitlines(), "utf-8", TableSection(**table), "t.csv")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "delimiter", "decimal"),
    [
        ("time,a,b\n2031-02-03T00:00:00Z,1.5,2.5\n2031-02-03T00:00:01Z,1.6,2.5\n", ",", "."),
        ("time;a;b\n03.02.2031 00:00:00;1,5;2,5\n03.02.2031 00:00:01;1,6;2,5\n", ";", ","),
        ("time\ta\tb\n2031-02-03 00:00\t1,5\t2,25\n2031-02-03 00:01\t1,6\t2,5\n", "\t", ","),
        ("time|a\n1700000000|7\n1700000001|8\n", "|", "."),
        ('time,a\n2031-02-03T00:00:00Z,"1,5"\n2031-02-03T00:00:01Z,"1,6"\n', ",", ","),
        ("time;a\n2031-02-03T00:00:00,250;1,5\n2031-02-03T00:00:01,250;1,6\n", ";", ","),
        ("time;a\n2031-02-03T00:00:00;\n2031-02-03T00:00:01;OL\n", ";", "."),
    ],
)
def test_delimiter_and_decimal_sign_are_found(text: str, delimiter: str, decimal: str) -> None:
    one = found(text)
    assert (one.delimiter, one.decimal, one.names[0]) == (delimiter, decimal, "time")


def test_lines_before_the_header_and_a_line_of_units_are_told() -> None:
    one = found("Logger 7;;\nstarted 03.02.2031;;\nZeit;T1;U\ns;°C;V\n03.02.2031 10:00:00;1,5;2,5\n")
    assert (one.header_line, one.first, one.names) == (3, 5, ("Zeit", "T1", "U"))
    assert one.units == ("s", "°C", "V")
    assert any("lines 1 to 2" in said for said in one.said)


def test_a_unit_in_brackets_belongs_to_its_column() -> None:
    one = found("time,heatsink [degC],U (mV),x [note]\n2031-02-03T00:00:00Z,1.5,2.5,3\n")
    assert one.units == ("", "degC", "mV", "")
    assert dialect.bare("U (mV)") == "U"
    assert dialect.bare("x [note]") == "x [note]"


def test_a_table_without_names_gets_numbers_for_names() -> None:
    assert found("2031-02-03T00:00:00Z,1.5\n2031-02-03T00:00:01Z,1.6\n").names == ("column 1", "column 2")


def test_what_may_be_a_thousand_or_one_is_refused_with_what_to_write() -> None:
    text = "time;a\n2031-02-03 00:00:00;1,234\n2031-02-03 00:00:01;1,235\n"
    with pytest.raises(
        UsageError, match=r"'1,234' may be .*decimal: comma\} or \{decimal: point, thousands: comma"
    ):
        found(text)
    assert found(text, decimal="comma").decimal == ","
    # one number that can only be read one way settles it
    assert found(text + "2031-02-03 00:00:02;0,5\n").decimal == ","
    assert found(text + "2031-02-03 00:00:02;0.5\n").thousands == ","


def test_two_decimal_signs_in_one_file_are_refused() -> None:
    with pytest.raises(UsageError, match=r"decimal commas .*1,5.* and with decimal points .*2.25"):
        found("time;a;b\n2031-02-03 00:00:00;1,5;2.25\n")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "no text in the file"),
        ("\n\n", "no text in the file"),
        ("just some words\nand more words\n", "no comma, semicolon, tab or bar"),
        ("name,colour\nx,red\ny,blue\n", "none of 3 lines begins like data"),
    ],
)
def test_what_is_no_table_is_refused(text: str, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        found(text)


def test_a_byte_order_mark_tells_the_encoding() -> None:
    assert dialect.encoding_of(codecs.BOM_UTF8 + b"t", utf8=True)[0] == "utf-8-sig"
    assert dialect.encoding_of(codecs.BOM_UTF16_LE + b"t\0", utf8=False)[0] == "utf-16"
    assert dialect.encoding_of(b"t\xe9", utf8=False) == (
        "cp1252",
        dialect.encoding_of(b"t\xe9", utf8=False)[1],
    )
    assert "windows-1252" in dialect.encoding_of(b"t\xe9", utf8=False)[1]


def test_a_quote_without_end_ends_with_its_line() -> None:
    assert dialect.split('a,"b,c', ",") == ["a", "b,c"]
    assert dialect.split('a,"b,c",d', ",") == ["a", "b,c", "d"]
