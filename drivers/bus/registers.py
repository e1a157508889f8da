"""Numbers in Modbus registers: pure. The protocol fixes 16 bits; everything wider is the maker's choice."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import Final

from drivers.bus.numbers import settled
from rig.domain.model import Status

TYPES: Final = {
    "int16": "h",
    "uint16": "H",
    "int32": "i",
    "uint32": "I",
    "int64": "q",
    "uint64": "Q",
    "float32": "f",
    "float64": "d",
}
WORDS: Final = {name: struct.calcsize(f">{code}") // 2 for name, code in TYPES.items()}
"""Registers that a type takes."""
ORDERS: Final = ("ABCD", "CDAB", "BADC", "DCBA")
"""Order of bytes on the wire, A the most significant. For 64 bits the same rule goes on: CDAB turns the
words around, BADC the bytes within each word, DCBA both."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """How one value is taken out of the data bytes of a reply.

    at: registers (bits for ``bit``) from the beginning; order: one of ``ORDERS``.
    """

    type: str
    order: str
    at: int
    scale: float = 1.0
    offset: float = 0.0
    no_value: frozenset[int] = frozenset()

    def read(self, data: bytes) -> tuple[float, Status]:
        """Return value and status; ``data`` is long enough (the frame has checked that)."""
        if self.type == "bit":
            raw: float = data[self.at // 8] >> (self.at % 8) & 1
        else:
            words = data[2 * self.at : 2 * (self.at + WORDS[self.type])]
            (raw,) = struct.unpack(f">{TYPES[self.type]}", sorted_bytes(words, self.order))
        if raw in self.no_value:
            return math.nan, Status.NO_VALUE
        number, status = settled(float(raw))
        return (number * self.scale + self.offset if status.has_number else number), status


def sorted_bytes(words: bytes, order: str) -> bytes:
    """Return the bytes of a value, most significant first, from their order on the wire."""
    pairs = [words[i : i + 2] for i in range(0, len(words), 2)]
    if order in {"CDAB", "DCBA"}:
        pairs.reverse()
    if order in {"BADC", "DCBA"}:
        pairs = [pair[::-1] for pair in pairs]
    return b"".join(pairs)
