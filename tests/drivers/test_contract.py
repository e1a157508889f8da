"""What every driver owes: whole, split, late, trailing, truncated, damaged and foreign replies give a
value or a named error, and nothing else.

Drivers are found by themselves; one without a module ``examples_NAME`` in this folder fails.
"""

from __future__ import annotations

import importlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

import drivers
from drivers import Exchange, Reply
from rig.domain.model import Status
from rig.errors import InstrumentError, ReplyError
from tests.drivers.examples import Answered, made

EXAMPLES: list[tuple[str, Answered]] = [
    (name, example)
    for name in drivers.available()
    for example in importlib.import_module(f"tests.drivers.examples_{name}").EXAMPLES
]
each_example = pytest.mark.parametrize(
    ("name", "example"), EXAMPLES, ids=[f"{name}: {example.name}" for name, example in EXAMPLES]
)


def prepared(name: str, example: Answered) -> tuple[Exchange, bytes]:
    """Return an exchange that has just been asked, and its true reply."""
    exchange = example.pick(made(name, example.options))
    return exchange, example.reply(exchange.request())


def fed(exchange: Exchange, received: bytes) -> Reply | ReplyError | InstrumentError | None:
    """Return what the parser makes of the bytes; anything but a reply or a named error fails the test."""
    try:
        reply = exchange.parse(received)
    except (ReplyError, InstrumentError) as error:
        caught = error
    else:
        return _sound(exchange, received, reply)
    assert str(caught)
    assert not isinstance(caught, ReplyError) or 0 <= caught.used <= len(received)
    return caught


def _sound(exchange: Exchange, received: bytes, reply: Reply | None) -> Reply | None:
    if reply is None:
        return None
    assert 0 < reply.used <= len(received)
    assert len(reply.values) == len(reply.statuses) == len(exchange.fields)
    for value, status in zip(reply.values, reply.statuses, strict=True):
        assert isinstance(value, float)
        assert isinstance(status, Status)
        assert status.has_number == math.isfinite(value)
    return reply


def same(reply: object, example: Answered) -> bool:
    """Return whether a parsed reply says what the example says."""
    if example.refused:
        return isinstance(reply, InstrumentError)
    return (
        isinstance(reply, Reply)
        and reply.text == example.text
        and list(reply.statuses) == list(example.statuses)
        and all(
            math.isclose(got, want, rel_tol=1e-9) or (math.isnan(got) and math.isnan(want))
            for got, want in zip(reply.values, example.values, strict=True)
        )
    )


def test_every_driver_brings_examples_for_each_kind_of_exchange_it_has() -> None:
    assert set(drivers.available()) == {name for name, _ in EXAMPLES} >= {"scpi", "modbus", "lines"}
    for name in drivers.available():
        fed_kinds = set()
        offered = set()
        for one, example in EXAMPLES:
            if one == name:
                driver = made(name, example.options)
                fed_kinds.add(type(example.pick(driver)))
                exchanges = [*driver.opening, *driver.polls, *([driver.report] if driver.report else [])]
                offered |= {type(exchange) for exchange in exchanges if exchange.reply_bytes}
        assert offered == fed_kinds, name


@each_example
def test_a_whole_reply_gives_its_values(name: str, example: Answered) -> None:
    exchange, reply = prepared(name, example)
    got = fed(exchange, reply)
    assert same(got, example), got
    if isinstance(got, Reply):
        assert got.used == len(reply)


@each_example
def test_the_announced_lengths_are_about_right(name: str, example: Answered) -> None:
    exchange, reply = prepared(name, example)
    assert len(exchange.request()) == exchange.request_bytes
    if exchange.fields and not example.refused:
        assert len(reply) / 3 <= exchange.reply_bytes <= 3 * len(reply) + 20


@each_example
def test_a_reply_in_pieces_gives_nothing_before_its_last_byte(name: str, example: Answered) -> None:
    exchange, reply = prepared(name, example)
    for cut in range(len(reply)):
        assert fed(exchange, reply[:cut]) is None, reply[:cut]
    assert same(fed(exchange, reply), example)


@each_example
def test_bytes_after_a_reply_are_not_part_of_it(name: str, example: Answered) -> None:
    exchange, reply = prepared(name, example)
    for rest in (b"\n", b"\r\n", b"\x00", b"7", b"garbage\r\n", b"\xff" * 40, reply):
        got = fed(exchange, reply + rest)
        assert same(got, example)
        if isinstance(got, Reply):
            assert got.used == len(reply)


@each_example
def test_a_late_reply_in_front_gives_a_value_of_one_of_the_two_or_a_named_error(
    name: str, example: Answered
) -> None:
    for other, earlier in EXAMPLES:
        if other == name:
            exchange, reply = prepared(name, example)
            late = earlier.reply(exchange.request())
            got = fed(exchange, late + example.reply(exchange.request()))
            if isinstance(got, Reply):
                assert got.used in {len(late), len(late) + len(reply)}


@each_example
def test_a_reply_with_a_piece_missing_gives_a_value_or_a_named_error(name: str, example: Answered) -> None:
    exchange, reply = prepared(name, example)
    for at in range(len(reply)):
        got = fed(exchange, reply[:at] + reply[at + 1 :])
        if example.checked:
            assert not isinstance(got, Reply)
        got = fed(exchange, reply[:at] + reply)
        if example.checked and isinstance(got, Reply):
            assert same(got, example)


@each_example
def test_no_flipped_bit_gives_more_than_a_value_or_a_named_error(name: str, example: Answered) -> None:
    exchange, reply = prepared(name, example)
    for bit in range(8 * len(reply)):
        damaged = bytearray(reply)
        damaged[bit // 8] ^= 1 << (bit % 8)
        got = fed(exchange, bytes(damaged))
        if example.checked and isinstance(got, Reply):
            assert same(got, example), damaged


@each_example
def test_nothing_is_not_yet_a_reply(name: str, example: Answered) -> None:
    exchange, _ = prepared(name, example)
    assert fed(exchange, b"") is None


@each_example
@given(data=st.data())
def test_garbage_gives_a_value_or_a_named_error(name: str, example: Answered, data: st.DataObject) -> None:
    exchange, reply = prepared(name, example)
    fed(exchange, data.draw(st.binary(max_size=80)))
    at = data.draw(st.integers(0, len(reply)))
    fed(exchange, reply[:at] + data.draw(st.binary(max_size=20)) + reply[at:])


@each_example
def test_parsing_keeps_nothing_from_one_reply_to_the_next(name: str, example: Answered) -> None:
    exchange, reply = prepared(name, example)
    fed(exchange, reply[: len(reply) // 2] + b"\xff\n")
    assert same(fed(exchange, reply), example)
