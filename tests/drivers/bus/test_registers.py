"""Numbers in registers, in every byte order."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client import ModbusTcpClient

from drivers.bus.registers import ORDERS, TYPES, WORDS, Value, sorted_bytes
from rig.domain.model import Status


def read(hexes: str, type_: str, order: str = "ABCD", **more: float) -> tuple[float, Status]:
    return Value(type=type_, order=order, at=0, **more).read(bytes.fromhex(hexes))  # type: ignore[arg-type]


# float32 1.0 = 3F800000 (IEEE 754) in the four orders of two registers; pymodbus 3.16.1 agrees on the
# two that it knows
@pytest.mark.parametrize(
    ("order", "hexes"),
    [("ABCD", "3F800000"), ("CDAB", "00003F80"), ("BADC", "803F0000"), ("DCBA", "0000803F")],
)
def test_one_in_four_byte_orders(order: str, hexes: str) -> None:
    assert read(hexes, "float32", order) == (1.0, Status.GOOD)


# IEEE 754: 123.456 = 42F6E979, 230.0 = 43660000, -118.625 = C2ED4000, 25.0 = 41C80000
@pytest.mark.parametrize(
    ("hexes", "right", "swapped"),
    [
        ("42F6E979", 123.456, -1.883367e25),
        ("43660000", 230.0, 2.41780e-41),
        ("C2ED4000", -118.625, 2.011897),
        ("41C80000", 25.0, 2.3598e-41),
    ],
)
def test_the_wrong_word_order_gives_plausible_nonsense_hence_order_is_never_guessed(
    hexes: str, right: float, swapped: float
) -> None:
    assert read(hexes, "float32", "ABCD")[0] == pytest.approx(right, rel=1e-6)
    assert read(hexes, "float32", "CDAB")[0] == pytest.approx(swapped, rel=1e-4)


# IEEE 754 special values
@pytest.mark.parametrize(
    ("hexes", "status"),
    [
        ("7FC00000", Status.NO_VALUE),
        ("7F800000", Status.OVER),
        ("FF800000", Status.UNDER),
        ("7FFFFFFF", Status.NO_VALUE),
    ],
)
def test_special_floats_are_statuses(hexes: str, status: Status) -> None:
    value, got = read(hexes, "float32")
    assert got is status
    assert math.isnan(value)


@pytest.mark.parametrize(
    ("hexes", "type_", "value"),
    [
        ("FFFF", "int16", -1.0),
        ("FFFF", "uint16", 65535.0),
        ("8000", "int16", -32768.0),
        ("FFFFFFFE", "int32", -2.0),
        ("FFFFFFFE", "uint32", 4294967294.0),
        ("FFFFFFFFFFFFFFFD", "int64", -3.0),
        ("0000000000010000", "uint64", 65536.0),
        ("405EDD2F1A9FBE77", "float64", 123.456),
    ],
)
def test_integers_are_twos_complement_and_float64_is_ieee_754(hexes: str, type_: str, value: float) -> None:
    # two's complement and IEEE 754 by definition; 123.456 = 405EDD2F1A9FBE77
    assert read(hexes, type_) == (value, Status.GOOD)


def test_scale_and_offset_apply_to_the_coded_number() -> None:
    assert read("1388", "uint16", scale=0.01)[0] == pytest.approx(50.0)
    assert read("0064", "uint16", scale=0.1, offset=-40.0)[0] == pytest.approx(-30.0)


def test_a_coded_number_may_mean_no_value() -> None:
    value = Value(type="int16", order="ABCD", at=0, no_value=frozenset({-32768}))
    assert value.read(b"\x80\x00")[1] is Status.NO_VALUE
    assert value.read(b"\x80\x01") == (-32767.0, Status.GOOD)


def test_bits_count_from_the_lowest_of_the_first_byte() -> None:
    # Modbus Application Protocol V1.1b3, 6.1: coils 20..38 read as CD 6B 05; coil 20 is the lowest bit
    data = bytes.fromhex("CD6B05")
    bits = [Value(type="bit", order="ABCD", at=at).read(data)[0] for at in range(19)]
    assert bits == [1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1]


@pytest.mark.parametrize("type_", TYPES)
@pytest.mark.parametrize("order", ORDERS)
@given(data=st.data())
def test_what_pymodbus_packs_is_what_we_read(type_: str, order: str, data: st.DataObject) -> None:
    """pymodbus turns words around; bytes within a word are turned here for the two orders it lacks."""
    kind = ModbusTcpClient.DATATYPE[type_.upper()]
    if type_.startswith("float"):
        number: float = data.draw(st.floats(allow_nan=False, allow_infinity=False, width=int(type_[5:])))  # type: ignore[arg-type]
    else:
        width = int(type_.removeprefix("u").removeprefix("int"))
        low = 0 if type_.startswith("u") else -(2 ** (width - 1))
        number = data.draw(st.integers(low, low + 2**width - 1))
    word_order = "little" if order in {"CDAB", "DCBA"} else "big"
    registers = ModbusTcpClient.convert_to_registers(number, kind, word_order=word_order)  # type: ignore[arg-type]
    byte_order = "little" if order in {"BADC", "DCBA"} else "big"
    wire = b"".join(register.to_bytes(2, byte_order) for register in registers)  # type: ignore[arg-type]
    assert len(registers) == WORDS[type_]
    value, status = Value(type=type_, order=order, at=0).read(wire)
    if status is Status.GOOD:
        assert value == float(number)
    else:
        assert abs(number) == pytest.approx(9.9e37, rel=2e-3)


@given(st.binary(min_size=8, max_size=8), st.sampled_from(ORDERS))
def test_every_order_is_its_own_inverse(words: bytes, order: str) -> None:
    assert sorted_bytes(sorted_bytes(words, order), order) == words
