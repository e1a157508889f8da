"""The answering side of Modbus against the specification's own examples."""

import struct

import crcmod.predefined
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.simulator.modbus_peer import (
    Device,
    ModbusExceptionError,
    answer,
    crc16,
    float32_words,
    opened,
    scaled_word,
    sealed,
    take_request,
    wrapped,
)

REGISTERS = {0x6B: 555, 0x6C: 0, 0x6D: 100, 0x08: 10}
COILS = {19 + place: bit == "1" for place, bit in enumerate("1011001111010110101")}


def device() -> Device:
    written: dict[int, bool] = {}

    def registers(address: int, count: int, _began_ns: int, _ended_ns: int) -> list[int]:
        try:
            return [REGISTERS[place] for place in range(address, address + count)]
        except KeyError:
            raise ModbusExceptionError(2) from None

    def coils(address: int, count: int) -> list[bool]:
        return [COILS[place] for place in range(address, address + count)]

    def set_coil(address: int, on: bool) -> None:
        written[address] = on

    return Device(registers=registers, coils=coils, set_coil=set_coil)


@pytest.mark.parametrize(
    ("request_hex", "reply_hex"),
    [
        ("01 0013 0013", "01 03 CD 6B 05"),
        ("03 006B 0003", "03 06 022B 0000 0064"),
        ("04 0008 0001", "04 02 000A"),
        ("05 00AC FF00", "05 00AC FF00"),
    ],
)
def test_the_specification_s_examples_are_answered_as_printed(request_hex: str, reply_hex: str) -> None:
    """Modbus Application Protocol V1.1b3, 6.1, 6.3, 6.4 and 6.5."""
    assert answer(bytes.fromhex(request_hex), device(), 0, 0) == bytes.fromhex(reply_hex)


@pytest.mark.parametrize(
    ("request_hex", "code"),
    [
        ("03 0000 0001", 2),
        ("03 006B 0000", 3),
        ("03 006B 007E", 3),
        ("01 0013 07D1", 3),
        ("05 00AC 1234", 3),
        ("2B 0E01", 1),
        ("03 006B", 3),
    ],
)
def test_what_cannot_be_answered_is_refused_with_the_code_of_the_specification(
    request_hex: str, code: int
) -> None:
    """Codes 01 illegal function, 02 illegal data address, 03 illegal data value (V1.1b3, 7)."""
    pdu = bytes.fromhex(request_hex)
    assert answer(pdu, device(), 0, 0) == bytes([pdu[0] | 0x80, code])


@pytest.mark.parametrize(
    ("body", "crc"),
    [
        ("0207", "4112"),
        ("1103006B0003", "7687"),
        ("110306022B00000064", "C8BA"),
        ("02830 3".replace(" ", ""), "F131"),
        ("01030000000A", "C5CD"),
    ],
)
def test_frames_carry_the_checksum_of_the_serial_line_guide(body: str, crc: str) -> None:
    """First: Modbus over Serial Line V1.02, 6.2.2; the others from public test suites and manuals."""
    assert sealed(bytes.fromhex(body)) == bytes.fromhex(body + crc)


@given(st.binary(max_size=260))
def test_the_checksum_agrees_with_a_reference_library(data: bytes) -> None:
    assert crc16(data) == crcmod.predefined.mkCrcFun("modbus")(data)


@given(st.binary(min_size=2, max_size=20), st.data())
def test_a_frame_with_a_flipped_bit_is_no_frame(body: bytes, data: st.DataObject) -> None:
    frame = bytearray(sealed(body))
    assert opened(bytes(frame)) == (body[0], body[1:])
    at = data.draw(st.integers(0, 8 * len(frame) - 1))
    frame[at // 8] ^= 1 << at % 8
    assert opened(bytes(frame)) is None


def test_a_tcp_request_is_taken_when_it_is_whole_and_what_follows_is_kept() -> None:
    request = wrapped(7, 1, bytes.fromhex("03006B0003"))
    for cut in range(len(request)):
        assert take_request(request[:cut]) is None
    assert take_request(request + b"\x00\x08") == (7, 1, bytes.fromhex("03006B0003"), b"\x00\x08")


def test_what_is_not_modbus_tcp_is_refused() -> None:
    with pytest.raises(ValueError, match="not a Modbus TCP"):
        take_request(b"GET / HTTP/1.1\r\n")


@pytest.mark.parametrize(
    ("value", "words"), [(1.0, [0x3F80, 0]), (123.456, [0x42F6, 0xE979]), (-118.625, [0xC2ED, 0x4000])]
)
def test_floats_are_ieee_754_high_word_first(value: float, words: list[int]) -> None:
    """IEEE 754 single precision; values as printed in public tables of the format."""
    assert float32_words(value) == words


def test_no_value_is_nan_in_a_float_and_the_most_negative_number_in_an_integer() -> None:
    assert float32_words(None) == [0x7FC0, 0]
    assert scaled_word(None, 0.001) == 0x8000
    assert struct.unpack(">h", struct.pack(">H", scaled_word(-2.5, 0.001))) == (-2500,)
    assert scaled_word(99.0, 0.001) == 32767
