"""What a page consists of. All words are plain text; whoever writes them out makes them harmless."""

from __future__ import annotations

from dataclasses import dataclass

from rig.domain.formatting import counted
from rig.render.charts.drawing import Drawing


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading of level 2 or 3."""

    text: str
    level: int = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """A paragraph. quiet: an explanation in small print; warning: a caution that must be seen."""

    text: str
    quiet: bool = False
    warning: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FactList:
    """Names and what there is to say of each; the first page's answer stands in such a list."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Titles of the columns and the rows; right: numbers of the columns that lean to the right."""

    titles: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""
    right: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """A list of remarks."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PagePicture:
    """A picture in two widths: for screens and paper, and for telephones. name: letters, digits, hyphens."""

    name: str
    wide: Drawing
    narrow: Drawing
    caption: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verbatim:
    """A text to be shown as it is, line by line."""

    text: str
    caption: str = ""


Block = Heading | Paragraph | FactList | Table | Bullets | PagePicture | Verbatim


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportPage:
    """A whole page. contents: whether its headings of level 2 are listed at the top; foot: the last line."""

    title: str
    blocks: tuple[Block, ...]
    contents: bool = False
    foot: str = ""


def more(total: int, most: int, what: str) -> list[Block]:
    """Return a line that says how many were left out, nothing if none was."""
    return [Paragraph(text=f"And {counted(total - most, what)} more.", quiet=True)] if total > most else []
