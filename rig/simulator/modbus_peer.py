"""The answering side of Modbus: registers and coils behind RTU frames or TCP headers.

Written from the Modbus Application Protocol specification V1.1b3 and the serial line guide V1.02, apart
from the code that asks, so that the two check each other.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, NO_TARGET = 0x01, 0x02, 0x03, 0x0B
MOST_REGISTERS = 125
MOST_COILS = 2000
_HEADER = struct.Struct(">HHHB")


class ModbusExceptionError(Exception):
    """A device's exception reply; ``code`` as in the specification, 7."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f"Modbus exception {code}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """One device: how its registers are read and its coils read and written.

    registers(address, count, began_ns, ended_ns) returns ``count`` words; the measured ones were taken
    between the two instants. The functions raise RefusedError.
    """

    registers: Callable[[int, int, int, int], list[int]]
    coils: Callable[[int, int], list[bool]]
    set_coil: Callable[[int, bool], None]


def crc16(data: bytes) -> int:
    """Return the Modbus CRC of ``data``; its low byte is sent first (serial line guide, 6.2.2)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def sealed(body: bytes) -> bytes:
    """Return an RTU frame: the body and its CRC."""
    return body + struct.pack("<H", crc16(body))


def opened(frame: bytes) -> tuple[int, bytes] | None:
    """Return (device address, PDU) of an RTU frame, or None where it is too short or its CRC is wrong."""
    if len(frame) < 4 or crc16(frame) != 0:
        return None
    return frame[0], frame[1:-2]


def answer(pdu: bytes, device: Device, began_ns: int, ended_ns: int) -> bytes:
    """Return the reply PDU to a request PDU: data, or an exception."""
    function = pdu[0]
    try:
        return bytes([function]) + _data(function, pdu, device, began_ns, ended_ns)
    except ModbusExceptionError as refused:
        return bytes([function | 0x80, refused.code])


def _data(function: int, pdu: bytes, device: Device, began_ns: int, ended_ns: int) -> bytes:
    if function not in {1, 3, 4, 5}:
        raise ModbusExceptionError(ILLEGAL_FUNCTION)
    if len(pdu) != 5:
        raise ModbusExceptionError(ILLEGAL_VALUE)
    address, count = struct.unpack(">HH", pdu[1:])
    if function == 5:
        if count not in {0x0000, 0xFF00}:
            raise ModbusExceptionError(ILLEGAL_VALUE)
        device.set_coil(address, count == 0xFF00)
        return pdu[1:]
    if not 1 <= count <= (MOST_COILS if function == 1 else MOST_REGISTERS):
        raise ModbusExceptionError(ILLEGAL_VALUE)
    if function == 1:
        bits = sum(on << place for place, on in enumerate(device.coils(address, count)))
        packed = bits.to_bytes((count + 7) // 8, "little")
        return bytes([len(packed)]) + packed
    words = device.registers(address, count, began_ns, ended_ns)
    return struct.pack(f">B{count}H", 2 * count, *words)


def take_request(received: bytes) -> tuple[int, int, bytes, bytes] | None:
    """Return (transaction, unit, PDU, rest) of the first whole TCP request, or None while it is unfinished.

    Raises ValueError for bytes that are not Modbus TCP; the connection is closed then.
    """
    if len(received) < _HEADER.size:
        return None
    transaction, protocol, length, unit = _HEADER.unpack_from(received)
    if protocol != 0 or not 2 <= length <= 254:
        raise ValueError("not a Modbus TCP header")
    end = 6 + length
    if len(received) < end:
        return None
    return transaction, unit, received[_HEADER.size : end], received[end:]


def wrapped(transaction: int, unit: int, pdu: bytes) -> bytes:
    """Return a TCP reply: header and PDU."""
    return _HEADER.pack(transaction, 0, len(pdu) + 1, unit) + pdu


def float32_words(value: float | None) -> list[int]:
    """Return two registers, high word first; NaN where there is no value."""
    raw = struct.pack(">f", float("nan") if value is None else value)
    return list(struct.unpack(">HH", raw))


def scaled_word(value: float | None, scale: float) -> int:
    """Return one register holding a signed 16-bit count of ``scale``, clipped; 0x8000 for no value."""
    if value is None:
        return 0x8000
    return max(-32767, min(32767, round(value / scale))) & 0xFFFF
