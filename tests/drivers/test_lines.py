"""Text line instruments: what is not in every driver's contract."""

from __future__ import annotations

import math
from typing import Any

import pytest

from rig.domain.model import Status
from rig.errors import ReplyError
from tests.drivers.examples import first, made

PLAIN: dict[str, Any] = {"terminator": "LF", "reads": [{"ask": "V?", "fields": ["volts", "hertz"]}]}


def lines(**changes: Any) -> Any:
    return made("lines", {**PLAIN, **changes})


def reading(**read: Any) -> Any:
    return first(lines(reads=[read]))


def test_without_a_question_the_instrument_is_listened_to() -> None:
    exchange = reading(fields=["volts"])
    assert exchange.request_bytes == 0
    assert exchange.request() == b""
    assert exchange.label == "next line"


def test_the_first_of_several_lines_is_read() -> None:
    reply = first(lines()).parse(b"230.1,50.00\r\n230.2,50.01\n")
    assert reply is not None
    assert reply.values == (230.1, 50.0)
    assert reply.used == 13


@pytest.mark.parametrize("line", [b"230.1\n", b"230.1,50,1\n", b"\n", b"230.1 50.0\n", b"230,1,50,0\n"])
def test_another_number_of_fields_is_a_reply_error(line: bytes) -> None:
    with pytest.raises(ReplyError, match="fields in"):
        first(lines()).parse(line)


def test_columns_may_be_separated_by_any_run_of_blanks() -> None:
    reply = reading(ask="T", separator="blanks", fields=["a", "b", "c"]).parse(b"  1.5 \t 2   -3\n")
    assert reply is not None
    assert reply.values == (1.5, 2.0, -3.0)


def test_a_pattern_names_the_values_in_the_order_of_its_groups() -> None:
    exchange = reading(pattern=r"U(?P<volts>[-+.0-9]+)V\s+(?P<amps>[-+.0-9]+|OL)A(?:\s+T(?P<temp>.*))?")
    assert exchange.fields == ("volts", "amps", "temp")
    reply = exchange.parse(b"U230.5V  OLA\n")
    assert reply is not None
    assert reply.values[0] == 230.5
    assert reply.statuses == (Status.GOOD, Status.OVER, Status.NO_VALUE)
    with pytest.raises(ReplyError, match="does not match the pattern"):
        exchange.parse(b"xU230.5V  1A\n")


@pytest.mark.parametrize(
    ("read", "says"),
    [
        ({"ask": "V?"}, "either fields"),
        ({"fields": ["a"], "pattern": "(?P<a>.*)"}, "either fields"),
        ({"pattern": "V=(.*)"}, "names no value"),
        ({"pattern": "V=(?P<volts>.*"}, "not a regular expression"),
        ({"ask": "µ?", "fields": ["a"]}, "not ASCII"),
    ],
)
def test_options_that_make_no_sense_are_refused_at_the_desk(read: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        reading(**read)


def test_an_instrument_that_sends_by_itself_has_one_kind_of_line() -> None:
    with pytest.raises(ValueError, match="free-running instrument has one read only"):
        lines(reads=[{"fields": ["a"]}, {"ask": "B?", "fields": ["b"]}])
    with pytest.raises(ValueError, match="field a is named twice"):
        lines(reads=[{"ask": "A?", "fields": ["a"]}, {"ask": "B?", "fields": ["a"]}])


@pytest.mark.parametrize(
    ("kind", "good"),
    [
        # over 123456789: crcmod 1.7 for the CRCs; sum and exclusive or of the nine bytes by hand
        ("crc16-modbus", "123456789*4B37"),
        ("crc16-xmodem", "123456789*31C3"),
        ("sum8", "123456789*DD"),
        ("xor8", "123456789*31"),
    ],
)
def test_checksums_are_checked(kind: str, good: str) -> None:
    driver = lines(checksum={"kind": kind}, reads=[{"ask": "V?", "fields": ["volts"]}])
    reply = first(driver).parse(good.encode() + b"\n")
    assert reply is not None
    assert reply.values == (123456789.0,)
    assert first(driver).parse(good.lower().encode() + b"\n") is not None
    for bad in (good.replace("5", "6", 1), good[:-1], good.replace("*", ""), good[:-1] + "G", "", "*"):
        with pytest.raises(ReplyError, match="checksum"):
            first(driver).parse(bad.encode() + b"\n")


def test_a_sentence_with_a_start_mark_as_marine_instruments_send_it() -> None:
    # NMEA 0183: exclusive or between $ and *; widely printed example sentence
    driver = lines(
        checksum={"kind": "xor8", "start": "$"},
        reads=[{"pattern": r"GPGLL,(?P<lat>[0-9.]+),N,(?P<lon>[0-9.]+),E,(?P<utc>[0-9]+),A"}],
    )
    reply = first(driver).parse(b"$GPGLL,5057.970,N,00146.110,E,142451,A*27\r\n")
    assert reply is not None
    assert reply.values == (5057.97, 146.11, 142451.0)


def test_an_instruments_own_words_mean_what_the_rig_file_says() -> None:
    driver = lines(words={"Err 7": "no-value", "HI": "over"})
    reply = first(driver).parse(b"err 7,HI\n")
    assert reply is not None
    assert reply.statuses == (Status.NO_VALUE, Status.OVER)
    assert all(math.isnan(value) for value in reply.values)


def test_set_up_commands_follow_the_identity() -> None:
    driver = lines(setup=["RATE 2"], identity={"ask": "ID", "pattern": "BOX.*"})
    assert [exchange.label for exchange in driver.opening] == ["ID", "RATE 2"]
    assert driver.opening[1].request() == b"RATE 2\n"
    with pytest.raises(ReplyError, match="expects no answer"):
        driver.opening[1].parse(b"OK\n")


def test_a_prompt_after_each_answer_belongs_to_it() -> None:
    exchange = first(lines(prompt="> "))
    assert exchange.parse(b"230.1,50.0\r\n>") is None
    reply = exchange.parse(b"230.1,50.0\r\n> ")
    assert reply is not None
    assert (reply.values, reply.used) == ((230.1, 50.0), 14)
