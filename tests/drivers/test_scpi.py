"""SCPI instruments: what is not in every driver's contract."""

from __future__ import annotations

from typing import Any

import pytest
from pyvisa import util

from rig.domain.model import Status
from rig.errors import InstrumentError, ReplyError
from tests.drivers.examples import first, made, report

PLAIN: dict[str, Any] = {
    "identity": ".*",
    "terminator": "LF",
    "reads": [{"ask": "READ?", "fields": ["a", "b"]}],
}


def scpi(**changes: Any) -> Any:
    return made("scpi", {**PLAIN, **changes})


@pytest.mark.parametrize(
    "line", [b"0\n", b"1,2,3\n", b"1,\n", b"1,2,\n", b"\n", b"1;2\n", b"1,2x\n", b"1,,2\n", b",1\n"]
)
def test_a_reply_with_another_number_of_fields_is_never_spread_over_the_channels(line: bytes) -> None:
    # a compound query of which one part failed is answered with fewer fields by real firmware
    with pytest.raises(ReplyError) as caught:
        scpi().polls[0].parse(line)
    assert caught.value.used == len(line)


@pytest.mark.parametrize("line", [b"1,2\n", b"1,2\r\n", b" +1.0 , 2.E0\n", b"1\t,\t2\n"])
def test_cr_lf_and_blanks_around_numbers_are_tolerated(line: bytes) -> None:
    reply = scpi().polls[0].parse(line)
    assert reply is not None
    assert (reply.values, reply.used) == ((1.0, 2.0), len(line))


def test_a_number_without_its_terminator_is_not_yet_a_number() -> None:
    driver = scpi()
    for cut in (b"1", b"1,2", b"1,23", b"1,23.4", b"1,23.4\r"):
        assert driver.polls[0].parse(cut) is None


@pytest.mark.parametrize(
    ("terminator", "sent", "reply"),
    [("LF", b"READ?\n", b"1,2\n"), ("CR", b"READ?\r", b"1,2\r"), ("CRLF", b"READ?\r\n", b"1,2\r\n")],
)
def test_terminators_are_what_the_rig_file_says(terminator: str, sent: bytes, reply: bytes) -> None:
    exchange = first(scpi(terminator=terminator))
    assert exchange.request() == sent
    assert exchange.parse(reply) is not None


def test_the_answer_may_end_otherwise_than_the_question() -> None:
    exchange = first(scpi(**{"terminator": "CR", "reply-terminator": "LF"}))
    assert exchange.request() == b"READ?\r"
    assert exchange.parse(b"1,2\r\n") is not None


@pytest.mark.parametrize("missing", ["terminator", "identity", "reads"])
def test_terminator_identity_and_reads_have_no_defaults(missing: str) -> None:
    options = {name: value for name, value in PLAIN.items() if name != missing}
    with pytest.raises(ValueError, match=f"{missing}: missing"):
        made("scpi", options)


def test_a_field_named_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="field a is named twice"):
        scpi(reads=[{"ask": "A?", "fields": ["a"]}, {"ask": "B?", "fields": ["a", "b"]}])


def test_a_pattern_that_is_none_is_refused_at_the_desk() -> None:
    with pytest.raises(ValueError, match=r"identity: .* is not a regular expression"):
        scpi(identity="EXAMPLE(")


@pytest.mark.parametrize(
    ("pattern", "line"),
    [
        ("EXAMPLE,METER,17,1", b"EXAMPLE,METER,171,1\n"),
        ("EXAMPLE,METER,17", b"EXAMPLE,METER,17,1\n"),
        ("METER", b"EXAMPLE,METER\n"),
        ("EXAMPLE.*", b"\n"),
        (".*", b"EX\xffMPLE\n"),
    ],
)
def test_the_whole_identity_must_match(pattern: str, line: bytes) -> None:
    with pytest.raises(ReplyError, match=r"another instrument answers: its identity is|not ASCII text"):
        scpi(identity=pattern).opening[0].parse(line)


def test_no_pattern_can_hold_the_bus() -> None:
    exchange = scpi(identity="(?:a|aa)+c").opening[0]
    with pytest.raises(ReplyError, match="takes too long"):
        exchange.parse(b"a" * 400 + b"\n")


# SCPI-99 21.8: <int>,"<text>[;<device info>]"; both forms of the empty queue are seen in manuals
@pytest.mark.parametrize("line", [b'0,"No error"\n', b'+0,"No error"\n', b'-000,"No error"\r\n', b"0\n"])
def test_an_empty_error_queue_is_an_empty_text(line: bytes) -> None:
    reply = report(scpi()).parse(line)
    assert reply is not None
    assert reply.text == ""


@pytest.mark.parametrize(
    ("line", "text"),
    [
        (b'-113,"Undefined header"\n', "-113 Undefined header"),
        (b'-350,"Queue overflow"\n', "-350 Queue overflow"),
        (b'+201,"Fan, rear; ""hot"""\n', '201 Fan, rear; ""hot""'),
        (b"-222,Data out of range\n", "-222 Data out of range"),
        (b'-113,"Undefined header;BAD:CMD?"\n', "-113 Undefined header;BAD:CMD?"),
        (b"7\n", "7"),
    ],
)
def test_an_entry_of_the_error_queue_is_kept_in_words(line: bytes, text: str) -> None:
    reply = report(scpi()).parse(line)
    assert reply is not None
    assert reply.text == text


@pytest.mark.parametrize("line", [b"No error\n", b"\n", b"1.5,2\n", b"99999999,x\n", b"\x80\n"])
def test_what_is_no_entry_is_a_reply_error(line: bytes) -> None:
    with pytest.raises(ReplyError):
        report(scpi()).parse(line)


def test_the_queue_is_cleared_before_the_set_up_and_must_be_empty_after_it() -> None:
    driver = scpi(setup=["FORM ASC", "CONF:VOLT"])
    labels = [exchange.label for exchange in driver.opening]
    assert labels == ["*IDN?", "*CLS", "FORM ASC", "CONF:VOLT", "SYST:ERR?"]
    assert [exchange.reply_bytes > 0 for exchange in driver.opening] == [True, False, False, False, True]
    with pytest.raises(InstrumentError, match="set-up command was refused: -113 Undefined header"):
        driver.opening[-1].parse(b'-113,"Undefined header"\n')


def test_an_instrument_without_error_queue_is_never_asked_for_it() -> None:
    driver = scpi(**{"setup": ["FORM ASC"], "error-queue": "no"})
    assert driver.report is None
    assert [exchange.label for exchange in driver.opening] == ["*IDN?", "FORM ASC"]


def block(format_: str, **more: str) -> Any:
    return first(scpi(reads=[{"ask": "FETC?", "fields": ["a", "b"], "format": format_, **more}]))


@pytest.mark.parametrize(
    ("format_", "order", "datatype"),
    [
        ("block-f32", "big-endian", "f"),
        ("block-f32", "little-endian", "f"),
        ("block-f64", "big-endian", "d"),
        ("block-i16", "little-endian", "h"),
        ("block-i32", "big-endian", "i"),
    ],
)
def test_blocks_as_pyvisa_writes_them_are_read(format_: str, order: str, datatype: Any) -> None:
    raw = util.to_ieee_block([3, -7], datatype, is_big_endian=order == "big-endian")
    exchange = block(format_, **{"byte-order": order})
    for end in (b"\n", b"\r\n"):
        reply = exchange.parse(raw + end)
        assert reply is not None
        assert reply.values == (3.0, -7.0)
        assert reply.statuses == (Status.GOOD, Status.GOOD)
        assert reply.used == len(raw + end)


@pytest.mark.parametrize(
    ("received", "says"),
    [
        (b"1,2\n", "does not begin with #"),
        (b"#0ABCDEFGH\n", "digit from 1 to 9"),
        (b"#Hff\n", "digit from 1 to 9"),
        (b"#2 8", "length of the block is not a number"),
        (b"#14ABCD\n", "a block of 4 bytes, expected 8"),
        (b"#18ABCDEFGHI\n", "after the block"),
        (b"#9999999999", "a block of 999999999 bytes, expected 8"),
    ],
)
def test_a_block_of_another_size_or_form_is_a_reply_error(received: bytes, says: str) -> None:
    with pytest.raises(ReplyError, match=says):
        block("block-f32").parse(received)


def test_a_truncated_block_is_not_a_shorter_one() -> None:
    # a published test vector of a SCPI parser library: #210ABCD is an error, not four bytes
    assert block("block-f32").parse(b"#18ABCD") is None
    assert block("block-f32").parse(b"#18ABCD\n") is None  # the line feed may be data


def test_a_leading_zero_in_a_length_is_legal() -> None:
    # IEEE 488.2, 8.7.9; a published test vector: #204ABCD holds four bytes
    exchange = first(scpi(reads=[{"ask": "F?", "fields": ["a"], "format": "block-f32"}]))
    reply = exchange.parse(b"#204\x3f\x80\x00\x00\n")
    assert reply is not None
    assert reply.values == (1.0,)
