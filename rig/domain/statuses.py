"""Statuses of a reading, and their words: one table for screens, files and reports."""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import Final


class Status(enum.IntEnum):
    """Validity of a reading. Only GOOD and SUSPECT carry a number."""

    GOOD = 0
    """A value to be taken at face value."""
    SUSPECT = 1
    """A number outside what the channel can physically be. The number is kept."""
    OVER = 2
    """Beyond the top of the instrument's range, as it reports itself (SCPI 9.9E37, ``OL``)."""
    UNDER = 3
    """Beyond the bottom of the instrument's range, as it reports itself (SCPI -9.9E37)."""
    NO_VALUE = 4
    """Not a number, or sensor open, as the instrument reports itself (SCPI 9.91E37, NaN)."""
    NO_REPLY = 5
    """No complete reply within the deadline."""
    BAD_REPLY = 6
    """A reply that does not answer the question."""
    REFUSED = 7
    """A question that the instrument refused (Modbus exception, SCPI error)."""
    NOT_COMPUTED = 8
    """A derived channel without a result: an input is missing, or a division by zero."""
    LOST = 9
    """A reading that was taken, or was due, and could not be kept (a full queue)."""

    @property
    def has_number(self) -> bool:
        """True where the value is a number the instrument sent."""
        return self <= Status.SUSPECT

    @property
    def key(self) -> str:
        """Word in files and JSON: ``no_reply``. Never changes."""
        return self.name.lower()

    @property
    def words(self) -> str:
        """Words in a sentence or a table: ``no reply``."""
        return _WORDS[self].long

    @property
    def short(self) -> str:
        """Words in place of a number in a narrow column: at most ``SHORT_CELLS`` characters."""
        return _WORDS[self].short


SHORT_CELLS: Final = 9
"""Width of the narrowest column of values in the live view."""
UNKNOWN: Final = "unknown"


@dataclass(frozen=True, slots=True)
class _StatusWords:
    long: str
    short: str


_WORDS: Final = {
    Status.GOOD: _StatusWords("good", "good"),
    Status.SUSPECT: _StatusWords("suspect", "suspect"),
    Status.OVER: _StatusWords("over range", "over"),
    Status.UNDER: _StatusWords("under range", "under"),
    Status.NO_VALUE: _StatusWords("no value", "no value"),
    Status.NO_REPLY: _StatusWords("no reply", "no reply"),
    Status.BAD_REPLY: _StatusWords("bad reply", "bad reply"),
    Status.REFUSED: _StatusWords("refused", "refused"),
    Status.NOT_COMPUTED: _StatusWords("no result", "no result"),
    Status.LOST: _StatusWords("lost", "lost"),
}


def words_of(code: int, *, short: bool = False) -> str:
    """Return the words for a recorded code; ``unknown`` for one of a newer version."""
    try:
        status = Status(code)
    except ValueError:
        return UNKNOWN
    return status.short if short else status.words
