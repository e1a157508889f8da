"""Checksums against published check values and another implementation."""

from __future__ import annotations

from functools import reduce

import crcmod.predefined
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU

from drivers.bus.sums import crc16_modbus, crc16_xmodem, sum8, xor8

CHECK = b"123456789"
"""The string over which catalogues of CRCs give their check value."""


def test_check_values_of_the_crc_catalogue() -> None:
    # CRC-16/MODBUS 4B37 and CRC-16/XMODEM 31C3 as in crcmod 1.7's table of predefined CRCs
    assert crc16_modbus(CHECK) == 0x4B37
    assert crc16_xmodem(CHECK) == 0x31C3


def test_the_crc_example_of_the_serial_line_guide() -> None:
    # Modbus over Serial Line V1.02: 02 07 has the CRC 0x1241, sent as 41 12
    assert crc16_modbus(bytes.fromhex("0207")) == 0x1241


@given(st.binary(max_size=300))
def test_both_crcs_agree_with_crcmod_and_pymodbus(data: bytes) -> None:
    assert crc16_modbus(data) == crcmod.predefined.mkCrcFun("modbus")(data)
    assert crc16_xmodem(data) == crcmod.predefined.mkCrcFun("xmodem")(data)
    assert crc16_modbus(data).to_bytes(2, "little") == FramerRTU.compute_CRC(data).to_bytes(2, "big")


@given(st.binary(max_size=100))
def test_the_crc_over_a_whole_frame_is_zero(data: bytes) -> None:
    # property of the code: Modbus over Serial Line V1.02, appendix B
    assert crc16_modbus(data + crc16_modbus(data).to_bytes(2, "little")) == 0


def test_xor_of_a_published_sentence() -> None:
    # NMEA 0183: the checksum of a sentence is the exclusive or between $ and *; widely printed example
    assert xor8(b"GPGLL,5057.970,N,00146.110,E,142451,A") == 0x27


@given(st.binary(max_size=100))
def test_sum_and_xor_are_what_their_names_say(data: bytes) -> None:
    assert sum8(data) == sum(data) % 256
    assert xor8(data) == reduce(lambda a, b: a ^ b, data, 0)


@pytest.mark.parametrize("function", [crc16_modbus, crc16_xmodem])
def test_every_single_flipped_bit_changes_the_crc(function) -> None:  # type: ignore[no-untyped-def]
    for bit in range(len(CHECK) * 8):
        flipped = bytearray(CHECK)
        flipped[bit // 8] ^= 1 << (bit % 8)
        assert function(bytes(flipped)) != function(CHECK)
