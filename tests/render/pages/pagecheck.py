"""What every page must be, whatever is in it: well-formed, self-contained, foreign words in their place."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterable

OURS = {
    "html", "head", "meta", "title", "style", "body", "main", "h1", "h2", "h3", "p", "ul", "li", "dl", "dt",
    "dd", "div", "table", "caption", "thead", "tbody", "tr", "th", "td", "figure", "figcaption", "svg",
    "path", "text", "desc", "pre", "nav", "a", "footer",
}  # fmt: skip
"""The only elements a page may hold."""
ATTRIBUTES = {
    "lang", "charset", "name", "content", "http-equiv", "id", "class", "scope", "data-t", "viewBox", "role",
    "aria-label", "aria-labelledby", "d", "x", "y", "text-anchor", "href",
}  # fmt: skip


def parsed(page: str) -> ET.Element:
    """Return the page as a tree; fails unless it is well-formed, self-contained and of known parts only."""
    first, rest = page.split("\n", 1)
    assert first == "<!DOCTYPE html>"
    root = ET.fromstring(rest)
    elements = list(root.iter())
    assert {one.tag for one in elements} <= OURS
    assert {name for one in elements for name in one.attrib} <= ATTRIBUTES
    links = [one.attrib["href"] for one in elements if "href" in one.attrib]
    ids = [one.attrib["id"] for one in elements if "id" in one.attrib]
    assert len(ids) == len(set(ids))
    assert all(link.startswith("#") and link[1:] in ids for link in links)
    named = [name for one in elements for name in one.attrib.get("aria-labelledby", "").split()]
    assert set(named) <= set(ids)
    style = "".join(one.text or "" for one in elements if one.tag == "style")
    assert "url(" not in style
    assert "@import" not in style
    return root


def policy(page: str) -> str:
    """Return the page's content security policy."""
    found = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', page)
    assert found is not None
    return found.group(1)


def said(root: ET.Element) -> str:
    """Return all words of the page with single blanks."""
    return " ".join(" ".join(root.itertext()).split())


def tables(root: ET.Element) -> list[list[list[str]]]:
    """Return the cells of every table, the titles first."""
    return [
        [["".join(cell.itertext()) for cell in row] for row in table.iter("tr")]
        for table in root.iter("table")
    ]


def headings(root: ET.Element, level: int = 2) -> list[str]:
    """Return the headings of a level."""
    return ["".join(one.itertext()) for one in root.iter(f"h{level}")]


def holds(words: str, wanted: Iterable[str]) -> list[str]:
    """Return which of the wanted words are missing."""
    return [one for one in wanted if one not in words]
