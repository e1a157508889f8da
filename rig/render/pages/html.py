"""A page as one HTML file that needs nothing else: no script, no outside source, every foreign word escaped.

The file is well-formed XML after its first line. Its content security policy allows its own style sheet,
named by hash, and nothing else.
"""

from __future__ import annotations

import base64
import hashlib

from rig.render.charts import svg
from rig.render.charts.svg import text
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
from rig.render.pages.style import page_sheet


def write(page: ReportPage) -> str:
    """Return the page as an HTML document."""
    style = page_sheet()
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    ids = _Ids()
    parts = [_block(block, ids, first=at == 0) for at, block in enumerate(page.blocks)]
    if page.contents:
        first = next((at for at, one in enumerate(page.blocks) if isinstance(one, Heading)), 0)
        parts.insert(first, _contents(ids))  # the answer stands before everything
    body = "\n".join(parts)
    foot = f"<footer><p>{text(page.foot)}</p></footer>" if page.foot else ""
    return f"""<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"/>
<meta http-equiv="Content-Security-Policy" content="{policy}"/>
<meta name="viewport" content="width=device-width, initial-scale=1"/>
<meta name="referrer" content="no-referrer"/>
<title>{text(page.title)}</title>
<style>{style}</style></head>
<body><main>
<h1>{text(page.title)}</h1>
{body}
{foot}
</main></body></html>
"""


class _Ids:
    """Unique numbers of a page, and its headings so far."""

    def __init__(self) -> None:
        self.headings: list[tuple[str, str]] = []
        self.pictures = 0


def _contents(ids: _Ids) -> str:
    entries = "".join(f'<li><a href="#{name}">{text(words)}</a></li>' for name, words in ids.headings)
    return f'<nav aria-label="Contents"><ul>{entries}</ul></nav>'


def _block(block: Block, ids: _Ids, *, first: bool) -> str:
    match block:
        case Heading():
            if block.level != 2:
                return f"<h3>{text(block.text)}</h3>"
            name = f"part-{len(ids.headings) + 1}"
            ids.headings.append((name, block.text))
            return f'<h2 id="{name}">{text(block.text)}</h2>'
        case Paragraph():
            kind = ' class="warning"' if block.warning else ' class="quiet"' if block.quiet else ""
            return f"<p{kind}>{text(block.text)}</p>"
        case FactList():
            pairs = "".join(f"<dt>{text(name)}</dt><dd>{text(words)}</dd>" for name, words in block.pairs)
            kind = ' class="answer"' if first else ""
            return f"<dl{kind}>{pairs}</dl>" if pairs else ""
        case Bullets():
            items = "".join(f"<li>{text(item)}</li>" for item in block.items)
            return f"<ul>{items}</ul>" if items else ""
        case Table():
            return _table(block)
        case PagePicture():
            ids.pictures += 1
            return _picture(block, ids.pictures)
        case Verbatim():
            caption = f'<p class="quiet">{text(block.caption)}</p>' if block.caption else ""
            return f"{caption}<pre>{_lines(block.text)}</pre>"


def _lines(words: str) -> str:
    """Return a text of several lines escaped, line ends and tabs kept."""
    return "\n".join(text(line.expandtabs(4)) for line in words.splitlines())


_LONG = 40
_IN_ONE_PIECE = 60
"""From this many characters on, the cells of a column are given room to wrap in."""


def _table(table: Table) -> str:
    kinds = [_kinds(table, at) for at in range(len(table.titles))]
    caption = f"<caption>{text(table.caption)}</caption>" if table.caption else ""
    titles = "".join(
        f'<th scope="col"{kinds[at]}>{text(title)}</th>' for at, title in enumerate(table.titles)
    )
    rows = []
    for row in table.rows:
        cells = []
        for at, words in enumerate(row):
            title = f' data-t="{text(table.titles[at])}"' if table.titles[at] and at else ""
            cells.append(f"<td{kinds[at]}{title}>{text(words)}</td>")
        rows.append(f"<tr>{''.join(cells)}</tr>")
    head = f"<thead><tr>{titles}</tr></thead>"
    return f'<div class="scroll"><table>{caption}{head}<tbody>{"".join(rows)}</tbody></table></div>'


def _kinds(table: Table, column: int) -> str:
    if column in table.right:
        return ' class="right"'
    longest = [max((len(row[at]) for row in table.rows), default=0) for at in range(len(table.titles))]
    if longest[column] >= _LONG:
        return ' class="long"'
    # beside a long column, which can be broken anywhere, moments and names stay in one piece
    short = [length for length in longest if length < _LONG]
    return ' class="short"' if len(short) < len(longest) and sum(short) <= _IN_ONE_PIECE else ""


def _picture(picture: PagePicture, number: int) -> str:
    caption = f"<figcaption>{text(picture.caption)}</figcaption>" if picture.caption else ""
    return (
        f"<figure>{svg.inside(picture.wide, f'pic-{number}w', 'wide')}"
        f"{svg.inside(picture.narrow, f'pic-{number}n', 'narrow')}"
        f"{caption}</figure>"
    )
