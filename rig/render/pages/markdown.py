"""A page as Markdown (CommonMark with GitHub's tables), its pictures as SVG files beside it."""

from __future__ import annotations

import re
from dataclasses import dataclass

from rig.domain.formatting import plain
from rig.render.charts import svg
from rig.render.pages.blocks import (
    Block,
    Bullets,
    FactList,
    Heading,
    PagePicture,
    Paragraph,
    ReportPage,
    Table,
    Verbatim,
)

_ACTIVE = re.compile(r"([\\`*\[\]<>&|~$@]|(?<![0-9A-Za-z])_|_(?![0-9A-Za-z])|(?<=[a-z]):(?=//)|(?<=www)\.)")
"""What can begin or end something wherever it stands: emphasis, code, links, HTML, cells, formulas."""
_LEADING = re.compile(r"^([#+\-=:]|[0-9]+(?=[.)]))")
"""What makes a heading, a list or a rule at the beginning of a line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A page as Markdown text, and its pictures: name of the file (in the folder named) to its text."""

    text: str
    pictures: dict[str, str]


def write(page: ReportPage, folder: str) -> Written:
    """Return the page; ``folder``: where the pictures lie, relative to the page, in plain letters."""
    pictures: dict[str, str] = {}
    lines = [f"# {words(page.title)}"]
    for block in page.blocks:
        lines += ["", *_block(block, folder, pictures)]
    if page.foot:
        lines += ["", "---", "", words(page.foot)]
    return Written(text="\n".join(lines) + "\n", pictures=pictures)


def words(text: str) -> str:
    """Return foreign text as Markdown that shows it literally, on one line, at the beginning of one too."""
    return _LEADING.sub(_quoted, cell(text))


def cell(text: str) -> str:
    """Return foreign text as Markdown that shows it literally inside of a line or table."""
    return _ACTIVE.sub(r"\\\1", " ".join(plain(text).split()))


def _quoted(match: re.Match[str]) -> str:
    """Return the beginning of a line, escaped so that it has no meaning in Markdown."""
    sign = match.group(1)
    return f"{sign}\\" if sign.isdigit() else f"\\{sign}"


def _block(block: Block, folder: str, pictures: dict[str, str]) -> list[str]:
    match block:
        case Heading():
            return [f"{'#' * block.level} {words(block.text)}"]
        case Paragraph():
            return [f"{'> **Caution.** ' if block.warning else ''}{words(block.text)}"]
        case FactList():
            return [f"- **{cell(name)}**: {cell(said)}" for name, said in block.pairs]
        case Bullets():
            return [f"- {words(item)}" for item in block.items]
        case Table():
            return _table(block)
        case PagePicture():
            name = f"{len(pictures) + 1:02d}-{block.name}.svg"
            pictures[name] = svg.alone(block.wide)
            return [
                f"![{cell(block.wide.title)}]({folder}/{name})",
                *(["", words(block.caption)] if block.caption else []),
            ]
        case Verbatim():
            return _verbatim(block)


def _table(table: Table) -> list[str]:
    lines = [words(table.caption), ""] if table.caption else []
    lines.append(f"| {' | '.join(cell(title) or ' ' for title in table.titles)} |")
    rules = ["---:" if at in table.right else "---" for at in range(len(table.titles))]
    lines.append(f"| {' | '.join(rules)} |")
    lines += [f"| {' | '.join(cell(one) or ' ' for one in row)} |" for row in table.rows]
    return lines


def _verbatim(block: Verbatim) -> list[str]:
    """Return a fenced block whose fence is longer than any in the text."""
    longest = max((len(run) for run in re.findall("`+", block.text)), default=0)
    fence = "`" * max(3, longest + 1)
    inside = [plain(line.expandtabs(4)) for line in block.text.splitlines()]
    return [*([words(block.caption), ""] if block.caption else []), fence, *inside, fence]
