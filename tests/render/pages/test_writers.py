"""Blocks as HTML and Markdown: what comes from outside is shown, never obeyed."""

from __future__ import annotations

import base64
import hashlib
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from rig.domain.formatting import plain
from rig.errors import StoreError, UsageError
from rig.render.charts.drawing import Drawing, Label
from rig.render.pages import html, markdown, page_files
from rig.render.pages.blocks import (
    Bullets,
    FactList,
    Heading,
    PagePicture,
    Paragraph,
    ReportPage,
    Table,
    Verbatim,
)
from tests.render.pages.pagecheck import headings, parsed, policy, said

HOSTILE = [
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "</style></title></pre>", "a | b | c",
    "```\n~~~", "[x](javascript:alert(1))", "![x](http://example.invalid/x.png)", "# h", "- l", "1. n",
    "* * *", "_u_ **b**", "&lt;b&gt;", "\\", "--", "]]>", "http://example.invalid/a", "www.example.invalid",
    "a@example.invalid", "$x$", "\x1b[2J", "\u202eexe", "<!-- -->", "=", "+ p", "> q", "~~s~~", "[^1]", "|",
    "a\nb\r\n\tc", ":x:", "x  \ny", "2) n", "***", "`c`", "&amp;", "alert",
]  # fmt: skip
foreign = st.text(max_size=30) | st.sampled_from(HOSTILE)


def page(words: str) -> ReportPage:
    """Return a page with these words in every place that can hold words."""
    drawing = Drawing(
        width=100, height=50, title=words, description=words, parts=(Label(x=1, y=9, text=words),)
    )
    return ReportPage(
        title=words,
        blocks=(
            FactList(pairs=((words, words),)),
            Heading(text=words),
            Heading(text=words, level=3),
            Paragraph(text=words),
            Paragraph(text=words, warning=True),
            Table(titles=(words, "b"), rows=((words, words), ("x", words)), caption=words),
            Bullets(items=(words, words)),
            PagePicture(name="p", wide=drawing, narrow=drawing, caption=words),
            Verbatim(text=words, caption=words),
        ),
        contents=True,
        foot=words,
    )


def flat(words: str) -> str:
    return " ".join(plain(words).split())


@given(foreign)
def test_any_words_are_shown_in_html_and_nothing_else_becomes_of_them(words: str) -> None:
    root = parsed(html.write(page(words)))
    assert headings(root, 1)[0].split() == flat(words).split()
    cells = ["".join(one.itertext()) for one in root.iter("td")]
    assert [" ".join(cell.split()) for cell in cells] == [flat(words), flat(words), "x", flat(words)]


@given(foreign.filter(str.strip))
def test_any_words_are_shown_in_markdown_and_nothing_else_becomes_of_them(words: str) -> None:
    """Read by a CommonMark parser nobody here wrote, with HTML, tables and struck-out text switched on."""
    written = markdown.write(page(words), "x-pictures")
    made = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"]).render(written.text)
    root = ET.fromstring(f"<x>{made}</x>")
    assert {one.tag for one in root.iter()} <= {
        "x", "h1", "h2", "h3", "ul", "li", "p", "strong", "blockquote", "table", "thead", "tbody", "tr", "th",
        "td", "img", "pre", "code", "hr",
    }  # fmt: skip
    cells = [" ".join("".join(one.itertext()).split()) for one in root.iter("td")]
    assert cells == [flat(words), flat(words), "x", flat(words)]
    counts = {tag: len(list(root.iter(tag))) for tag in ("pre", "code", "strong", "hr", "img", "table")}
    assert counts == {"pre": 1, "code": 1, "strong": 2, "hr": 1, "img": 1, "table": 1}
    bullets = [" ".join("".join(one.itertext()).split()) for one in root.iter("li")]
    assert bullets[1:] == [flat(words)] * 2
    lead = [" ".join("".join(one.itertext()).split()) for one in root.iter("h2")]
    assert lead == [flat(words)]


def test_the_policy_allows_the_pages_own_style_and_nothing_else() -> None:
    made = html.write(page("x"))
    style = re.search(r"<style>(.*?)</style>", made, re.DOTALL)
    assert style is not None
    digest = base64.b64encode(hashlib.sha256(style.group(1).encode()).digest()).decode()
    rules = dict(rule.strip().split(" ", 1) for rule in policy(made).split(";"))
    assert rules == {
        "default-src": "'none'",
        "style-src": f"'sha256-{digest}'",
        "base-uri": "'none'",
        "form-action": "'none'",
    }
    assert "style=" not in made


def test_the_answer_stands_before_the_contents() -> None:
    made = html.write(page("x"))
    assert made.index("<dl") < made.index("<nav") < made.index("<h2")


def test_lines_of_a_verbatim_text_stay_lines_and_its_fence_holds() -> None:
    text = "a: 1\n\tb: `````\n~~~~\nc"
    root = parsed(html.write(ReportPage(title="t", blocks=(Verbatim(text=text),))))
    assert next(root.iter("pre")).text == "a: 1\n    b: `````\n~~~~\nc"
    written = markdown.write(ReportPage(title="t", blocks=(Verbatim(text=text),)), "x").text
    assert "\n``````\na: 1\n    b: `````\n~~~~\nc\n``````\n" in written


def test_ordinary_words_need_no_escapes_in_markdown() -> None:
    for words in (
        "A2.heatsink",
        "-3.2 s and +4 s",
        "0.5 V (early 85)",
        "room_power",
        "2030-03-17 17:46:40 UTC",
    ):
        assert markdown.cell(words) == words


def test_a_page_is_written_in_the_form_its_ending_says(tmp_path: Path) -> None:
    assert page_files.save(page("x"), tmp_path / "new" / "a.html") == [tmp_path / "new" / "a.html"]
    parsed((tmp_path / "new" / "a.html").read_text("utf-8"))
    written = page_files.save(page("x"), tmp_path / "my page.md")
    assert written[1] == tmp_path / "my-page-pictures" / "01-p.svg"
    assert "](my-page-pictures/01-p.svg)" in written[0].read_text("utf-8")
    both = page_files.save_both(page("x"), tmp_path / "folder")
    assert [one.name for one in both] == ["report.html", "report.md", "01-p.svg"]


def test_an_earlier_page_is_replaced_and_no_half_of_one_is_left(tmp_path: Path) -> None:
    page_files.save(page("first"), tmp_path / "a.html")
    page_files.save(page("second"), tmp_path / "a.html")
    assert "second" in said(parsed((tmp_path / "a.html").read_text("utf-8")))
    assert [one.name for one in tmp_path.iterdir()] == ["a.html"]


def test_other_endings_and_places_that_refuse_are_named(tmp_path: Path) -> None:
    with pytest.raises(
        UsageError, match=r"cannot be written as 'a\.pdf'; name a file that ends in \.html or \.md"
    ):
        page_files.save(page("x"), tmp_path / "a.pdf")
    with pytest.raises(UsageError, match=r"name a folder, or end in \.html or \.md"):
        page_files.save_both(page("x"), tmp_path / "a.pdf")
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="could not make the folder"):
        page_files.save(page("x"), tmp_path / "file" / "a.html")


def test_moments_and_names_beside_a_long_column_stay_in_one_piece() -> None:
    table = Table(titles=("when", "what"), rows=(("2031-02-03 04:05:06 UTC", "a long story " * 9),))
    written = html.write(ReportPage(title="t", blocks=(table,)))
    assert '<td class="short">2031-02-03 04:05:06 UTC</td>' in written
    assert '<td class="long" data-t="what">' in written
    crowded = Table(titles=("a", "b", "c", "d"), rows=(("x" * 30, "y" * 30, "z" * 30, "w" * 90),))
    assert 'class="short"' not in html.write(ReportPage(title="t", blocks=(crowded,)))
