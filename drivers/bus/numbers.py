"""Text of instruments to value and status: pure, shared by every driver that reads text.

A number is a number only if the whole field matches the pattern: ``float`` alone would take ``1_0``,
``infinity`` and half of ``+234.5``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Final

from rig.domain.model import Status
from rig.errors import ReplyError, shown

STATUS_WORDS: Final[Mapping[str, Status]] = {
    "over": Status.OVER,
    "under": Status.UNDER,
    "no-value": Status.NO_VALUE,
}
"""Meanings that a rig file may give to an instrument's own word."""

WORDS: Final[Mapping[str, Status]] = {
    **dict.fromkeys(
        ("OL", "+OL", "OVLD", "OVLOAD", "OVER", "OVERLOAD", "OVERFLOW", "OVRNG", "OVERRANGE", "INF", "+INF"),
        Status.OVER,
    ),
    **dict.fromkeys(("-OL", "-OVLD", "UNDER", "UNDERRANGE", "UNDERFLOW", "-INF"), Status.UNDER),
    **dict.fromkeys(("NAN", "OPEN", "--", "---", "----", "-----", "------"), Status.NO_VALUE),
}
"""Words in common use, compared without regard to case (common practice, no standard)."""

INFINITY: Final = 9.9e37
NOT_A_NUMBER: Final = 9.91e37
"""SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5. Sent as 32-bit floats they are not equal to these doubles."""
_SENTINEL_REL: Final = 1e-6

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?", re.ASCII)
"""IEEE 488.2 NRf: NR1, NR2 or NR3."""


def settled(value: float) -> tuple[float, Status]:
    """Return a number and its status: SCPI's stand-ins, infinities and NaN become statuses with NaN."""
    if math.isnan(value) or math.isclose(value, NOT_A_NUMBER, rel_tol=_SENTINEL_REL):
        return math.nan, Status.NO_VALUE
    if math.isinf(value) or math.isclose(abs(value), INFINITY, rel_tol=_SENTINEL_REL):
        return math.nan, Status.OVER if value > 0 else Status.UNDER
    return value, Status.GOOD


def read_field(text: str, words: Mapping[str, Status] = WORDS) -> tuple[float, Status]:
    """Return (value, status) of one field, spaces around it ignored.

    words: upper-case words that stand for a status. Raises ReplyError for anything else, also for a
    number too large for a float64, which no instrument means.
    """
    bare = text.strip(" \t")
    status = words.get(bare.upper())
    if status is not None:
        return math.nan, status
    if _NUMBER.fullmatch(bare) is None or math.isinf(float(bare)):
        raise ReplyError(f"field {shown(text)} is neither a number nor a known word")
    return settled(float(bare))


def words_of(own: Mapping[str, str]) -> Mapping[str, Status]:
    """Return the table of words with an instrument's own ones (word -> key of STATUS_WORDS) added."""
    return {**WORDS, **{word.strip().upper(): STATUS_WORDS[meaning] for word, meaning in own.items()}}


def decode(raw: bytes) -> str:
    """Return bytes as ASCII text. Raises ReplyError for bytes that are not printable ASCII or a tab."""
    if not all(0x20 <= byte < 0x7F or byte == 0x09 for byte in raw):
        raise ReplyError(f"{shown(raw)} has bytes that are not ASCII text; noise, or a wrong baud rate")
    return raw.decode("ascii")
