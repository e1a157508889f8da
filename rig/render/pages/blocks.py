"""Blocks of a page. All text is plain; the writers escape it."""

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
    """List of names with a text each, such as the short answer of a post-mortem."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Table with column titles; right: numbers of the right-aligned columns."""

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
    """Preformatted text."""

    text: str
    caption: str = ""


Block = Heading | Paragraph | FactList | Table | Bullets | PagePicture | Verbatim


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportPage:
    """Page. contents: whether its headings of level 2 are listed at the top; foot: the last line."""

    title: str
    blocks: tuple[Block, ...]
    contents: bool = False
    foot: str = ""


def more(total: int, most: int, what: str) -> list[Block]:
    """Return a line with the number left out, nothing if none was."""
    return (
        [Paragraph(text=f"{counted(total - most, f'further {what}')} not shown.", quiet=True)]
        if total > most
        else []
    )
