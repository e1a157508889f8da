"""Lines of exact width out of cells: the only place where text becomes a rich Text.

Foreign text (names, units of measure, messages) is made harmless here, measured in terminal cells, and
never read as markup.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from rig.domain.formatting import plain

ELLIPSIS = "…"
GAP = " "

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenColumn:
    """A column of a table: title, width in cells, and to which side its text leans."""

    title: str
    width: int
    right: bool = False


@dataclass(frozen=True, slots=True)
class Cell:
    """A piece of text and its style."""

    text: str
    style: str = ""


def fit(text: str, width: int, *, right: bool = False) -> str:
    """Return harmless text of exactly ``width`` terminal cells, cut with an ellipsis where too long."""
    text = plain(text)
    length = cell_len(text)
    if length > width:
        return set_cell_size(set_cell_size(text, width - 1) + ELLIPSIS, width) if width > 0 else ""
    blanks = " " * (width - length)
    return blanks + text if right else text + blanks


def line(cells: Iterable[Cell], width: int) -> Text:
    """Return the cells one after another as a line of exactly ``width``; what is too long is cut."""
    text = Text(end="", no_wrap=True, overflow="crop")
    left = width
    for cell in cells:
        if left <= 0:
            break
        piece = plain(cell.text)
        length = cell_len(piece)
        if length > left:
            piece, length = fit(piece, left), left
        text.append(piece, cell.style or None)
        left -= length
    text.append(" " * left)
    return text


def row(columns: Sequence[ScreenColumn], cells: Sequence[Cell], width: int) -> Text:
    """Return one line of a table."""
    pieces: list[Cell] = []
    for column, cell in zip(columns, cells, strict=True):
        pieces.append(Cell(fit(cell.text, column.width, right=column.right), cell.style))
        pieces.append(Cell(GAP))
    return line(pieces[:-1], width)


def titles(columns: Sequence[ScreenColumn], width: int) -> Text:
    """Return the line of column titles."""
    return row(columns, [Cell(column.title, "dim") for column in columns], width)


def heading(words: str, width: int, style: str = "bold") -> Text:
    """Return a section's heading: words and a rule to the edge."""
    words = f"{words} "
    return line([Cell(words, style), Cell("─" * max(0, width - cell_len(plain(words))), "dim")], width)


def blank(width: int) -> Text:
    """Return an empty line."""
    return line([], width)


def beside(left: Sequence[Text], right: Sequence[Text], left_width: int, right_width: int) -> list[Text]:
    """Return two stacks of lines side by side with a rule between them."""
    joined = []
    for at in range(max(len(left), len(right))):
        text = Text(end="", no_wrap=True, overflow="crop")
        text.append_text(left[at] if at < len(left) else blank(left_width))
        text.append(" │ ", "dim")
        text.append_text(right[at] if at < len(right) else blank(right_width))
        joined.append(text)
    return joined


def guarded(make: Callable[[T], list[Text]], item: T, width: int, problems: list[str]) -> list[Text]:
    """Return the lines for an item; if making them fails, a line that says so, noted in ``problems``."""
    try:
        return make(item)
    except Exception as error:  # a fault in one row must not freeze the picture
        words = f"cannot be shown: {type(error).__name__}: {error}"
        problems.append(words)
        return [line([Cell(words, "bold red")], width)]


def window(
    lines: Sequence[Text], height: int, scroll: int, more: Callable[[int], Cell], width: int
) -> list[Text]:
    """Return ``height`` lines of a list from ``scroll`` on.

    Where lines are left below, the last line is ``more(index of the first hidden line)``.
    """
    if height <= 0:
        return []
    start = max(0, min(scroll, len(lines) - height))
    if start + height >= len(lines):
        return list(lines[start:])
    end = start + height - 1
    return [*lines[start:end], line([more(end)], width)]
