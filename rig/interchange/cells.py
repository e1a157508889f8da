"""One cell of a table to value and status: pure.

A number is one only if the whole cell is; which sign is the decimal one is known beforehand. Groups of
three digits are taken where they can mean nothing else: between spaces or apostrophes, and where a
decimal sign of the other kind follows. ``1.234`` in a file with decimal commas is refused.
"""

from __future__ import annotations

import enum
import math
import re
from collections.abc import Mapping

from drivers.bus.numbers import WORDS, read_field
from rig.domain.model import Status
from rig.errors import ReplyError

SPREADSHEET_WORDS: Mapping[str, Status] = {
    **dict.fromkeys(("-", "N/A", "NA", "#N/A", "#NA", "NULL", "NONE", "NIL"), Status.NO_VALUE),
    **dict.fromkeys(("1.#QNAN", "1.#IND", "-1.#IND", "#VALUE!", "#DIV/0!"), Status.NO_VALUE),
    "1.#INF": Status.OVER,
    "-1.#INF": Status.UNDER,
}
"""What spreadsheets and C libraries write for no number (common practice, no standard)."""

_SPACED = re.compile(r"([+-]?[0-9]{1,3}(?:[\u00a0\u2009\u202f '\u2019][0-9]{3})+)((?:[.,][0-9]+)?)")
_GROUPED = {
    ".": re.compile(r"[+-]?[0-9]{1,3}(?:,[0-9]{3})+(\.[0-9]*)?"),
    ",": re.compile(r"[+-]?[0-9]{1,3}(?:\.[0-9]{3})+(,[0-9]*)?"),
}
_NOT_DIGITS = re.compile(r"[^0-9+-]")
_KEPT = 200_000


class Found(enum.Enum):
    """What a cell held."""

    NUMBER = "number"
    GROUPED = "number with groups of three digits"
    BLANK = "blank"
    WORD = "word"
    BAD = "neither number nor known word"


Read = tuple[float, int, Found]
_BLANK: Read = (math.nan, int(Status.NO_VALUE), Found.BLANK)
_BAD: Read = (math.nan, int(Status.BAD_REPLY), Found.BAD)


class CellReader:
    """Reads cells of one file. Equal texts are read once.

    decimal: ``.`` or ``,``. thousands: sign that is known to part groups of three, '' if none is.
    words: the limits file's own words, as written.
    """

    def __init__(self, decimal: str, thousands: str = "", words: Mapping[str, Status] | None = None) -> None:
        self._decimal, self._thousands = decimal, thousands
        own = {word.strip().upper(): status for word, status in (words or {}).items()}
        self._words: dict[str, Status] = {**WORDS, **SPREADSHEET_WORDS, **own}
        self._read: dict[str, Read] = {}

    def read(self, text: str) -> Read:
        """Return (value, status code, what it held); NaN where the status has no number."""
        known = self._read.get(text)
        if known is None:
            if len(self._read) > _KEPT:
                self._read.clear()
            known = self._read[text] = self._fresh(text)
        return known

    def _fresh(self, text: str) -> Read:
        bare = text.strip()
        if not bare:
            return _BLANK
        status = self._words.get(bare.upper())
        if status is not None:
            return math.nan, int(status), Found.WORD
        plain, grouped = self._plain(bare.replace("\u2212", "-"))
        try:
            value, status = read_field(plain, {})
        except ReplyError:
            return _BAD
        if not status.has_number:
            return value, int(status), Found.WORD
        return value, int(status), Found.GROUPED if grouped else Found.NUMBER

    def _plain(self, bare: str) -> tuple[str, bool]:
        """Return the number with a decimal point and without groups, and whether there were groups."""
        match = _SPACED.fullmatch(bare)
        if match:
            tail = match[2]
            if tail and tail[0] != self._decimal:
                return "", True
            return _NOT_DIGITS.sub("", match[1]) + tail.replace(",", "."), True
        match = _GROUPED[self._decimal].fullmatch(bare)
        other = "," if self._decimal == "." else "."
        if match and (match[1] or self._thousands == other):
            return bare.replace(other, "").replace(",", "."), True
        if self._decimal == ",":
            return ("" if "." in bare else bare.replace(",", ".")), False
        return bare, False
