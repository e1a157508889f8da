"""Layout of plain text: wrapped paragraphs, lists, tables, relative times."""

from __future__ import annotations

import re
import shutil
from collections.abc import Sequence
from datetime import UTC, tzinfo

from rich.cells import cell_len, chop_cells, set_cell_size

from rig.domain.formatting import clock_time, duration, plain, stamp

_TIE = "\x00"
_QUANTITY = re.compile(r"(?<=\d) (?=[A-Za-z%°µΩ/]{1,4}\b)")
"""The blank between a number and what looks like its unit."""


def terminal_width(narrowest: int = 80, widest: int = 140) -> int:
    """Return the width of the terminal (100 where there is none), within bounds."""
    return min(widest, max(narrowest, shutil.get_terminal_size((100, 24)).columns))


def fit(text: str, width: int, *, right: bool = False) -> str:
    """Return sanitised text padded to ``width`` terminal cells; longer text is cut with an ellipsis."""
    text = plain(text)
    length = cell_len(text)
    if length > width:
        return set_cell_size(set_cell_size(text, max(0, width - 1)) + "…", width)
    blanks = " " * (width - length)
    return blanks + text if right else text + blanks


def wrapped(text: str, width: int, first: str = "", rest: str = "") -> list[str]:
    """Return a paragraph as lines of at most ``width`` cells; ``first`` and ``rest`` are put before them.

    Breaks between words, not between a number and its unit; a word longer than a line is broken inside.
    """
    lines: list[str] = []
    here, words = first, [word.replace(_TIE, " ") for word in _QUANTITY.sub(_TIE, plain(text)).split(" ")]
    words = [word for word in words if word]
    begun = False
    while words:
        word = words.pop(0)
        candidate = f"{here} {word}" if begun else here + word
        if cell_len(candidate) <= width:
            here, begun = candidate, True
        elif begun:
            lines.append(here)
            here, begun = rest, False
            words.insert(0, word)
        else:
            head = chop_cells(word, max(2, width - cell_len(here)))[0]
            lines.append(here + head)
            here = rest
            words[:0] = [word[len(head) :]]
    return [*lines, here] if begun or not lines else lines


def titled(title: str, width: int) -> list[str]:
    """Return a section's title: an empty line, the words, a rule."""
    words = wrapped(title, width)
    return ["", *words, "-" * max(cell_len(word) for word in words)]


def table(rows: Sequence[Sequence[str]], width: int, right: frozenset[int] = frozenset()) -> list[str]:
    """Return rows as aligned columns, the first row being the titles; cut at ``width``.

    right: numbers of the right-aligned columns. Where it is too wide, the widest columns are narrowed.
    """
    columns = len(rows[0])
    widths = [max(cell_len(plain(row[at])) for row in rows) for at in range(columns)]
    excess = sum(widths) + 2 * (columns - 1) - width
    while excess > 0:
        widest = max(range(columns), key=lambda at: widths[at])
        if widths[widest] <= 6:
            break
        widths[widest] -= 1
        excess -= 1
    return [
        "  ".join(fit(text, widths[at], right=at in right) for at, text in enumerate(row)).rstrip()
        for row in rows
    ]


def relative(t_ns: int | None, reference_ns: int) -> str:
    """Return a time from a reference on: ``+0.120 s``, ``-35.2 s``, ``-4.1 min``; ``open`` if None."""
    if t_ns is None:
        return "open"
    seconds = (t_ns - reference_ns) / 1e9
    if abs(seconds) < 300:
        decimals = 3 if abs(seconds) < 10 else 2 if abs(seconds) < 100 else 1
        return f"{seconds:+.{decimals}f} s"
    sign = "+" if seconds > 0 else ""
    return f"{sign}{duration(seconds)}"


def both_times(t_ns: int, zone: tzinfo | None, decimals: int = 1) -> str:
    """Return a moment in the local zone and in UTC (once, where they are the same)."""
    universal = stamp(t_ns, UTC, decimals)
    local = stamp(t_ns, zone, decimals)
    if zone is UTC or local.endswith("+00:00"):
        return universal
    if local[:10] == universal[:10]:
        universal = f"{clock_time(t_ns, UTC, decimals)} UTC"
    return f"{local} = {universal}"
