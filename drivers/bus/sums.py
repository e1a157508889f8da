"""Checksums of text lines and frames: pure."""

from __future__ import annotations

from typing import Final


def _table(polynomial: int) -> tuple[int, ...]:
    """Return the 256 steps of a reflected 16-bit CRC."""
    table = []
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = (value >> 1) ^ polynomial if value & 1 else value >> 1
        table.append(value)
    return tuple(table)


_REFLECTED_8005: Final = _table(0xA001)


def crc16_modbus(data: bytes) -> int:
    """Return the CRC of Modbus over Serial Line V1.02, 6.2.2 (x16+x15+x2+1, reflected, start FFFF).

    On the line its low byte comes first.
    """
    value = 0xFFFF
    for byte in data:
        value = (value >> 8) ^ _REFLECTED_8005[(value ^ byte) & 0xFF]
    return value


def crc16_xmodem(data: bytes) -> int:
    """Return the CRC with polynomial x16+x12+x5+1, not reflected, start 0."""
    value = 0
    for byte in data:
        value ^= byte << 8
        for _ in range(8):
            value = ((value << 1) ^ 0x1021 if value & 0x8000 else value << 1) & 0xFFFF
    return value


def sum8(data: bytes) -> int:
    """Return the sum of all bytes modulo 256."""
    return sum(data) & 0xFF


def xor8(data: bytes) -> int:
    """Return all bytes joined by exclusive or, as NMEA 0183 sentences carry it."""
    value = 0
    for byte in data:
        value ^= byte
    return value
