"""The pages as a browser shows and prints them."""

from __future__ import annotations

import re
from datetime import UTC
from pathlib import Path

import pytest

from rig import forensics
from rig.render.pages import channel_sections, page_files, postmortem_page, run_report
from tests.render import recordings
from tests.render.pages import browser
from tests.render.recordings import Recording, layout

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(browser.PROGRAM is None, reason="there is no Chromium on this machine"),
]
HOSTILE = "A3<script>window.struck=1</script><img src=x onerror=window.struck=1>"
LONG = "A" * 70


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("pages")
    usual = Recording(layout())
    page_files.save(
        run_report.page(channel_sections.gather(usual, recordings.facts(), UTC)), folder / "report.html"
    )
    page_files.save(postmortem_page.page(forensics.analyse(usual), usual, UTC), folder / "death.html")
    hostile = Recording(layout((HOSTILE, LONG), serial="</dd><script>window.struck=1</script>" + "0" * 90))
    page_files.save(
        run_report.page(channel_sections.gather(hostile, recordings.facts(name="n" * 120), UTC)),
        folder / "hostile.html",
    )
    return [folder / name for name in ("report.html", "death.html", "hostile.html")]


@pytest.mark.timeout(300)
@pytest.mark.parametrize("dark", [False, True])
def test_nothing_overflows_or_is_unreadable_from_a_telephone_to_a_wide_screen(
    pages: list[Path], dark: bool
) -> None:
    for page in pages:
        for width in (400, 641, 1600):
            found = browser.measured(page, width, dark=dark)
            assert found["scrollWidth"] <= width, (page.name, width, found["wide"])
            assert found["wide"] == [], (page.name, width)
            assert found["pictures"] >= 3
            assert found["broken"] == 0
            assert found["smallest"] >= 8.5, (page.name, width)
            assert found["paper"] == ("rgb(21, 24, 28)" if dark else "rgb(255, 255, 255)")
            assert found["scripts"] == 0
            assert found["ran"] is False


@pytest.mark.timeout(120)
def test_the_policy_lets_the_style_sheet_work(pages: list[Path]) -> None:
    """A style sheet that is refused would leave the paper white by night and the answer without its bar."""
    night = browser.photographed(pages[0], 1000, 700, dark=True)
    assert night.getpixel((5, 5)) == (21, 24, 28)
    colours = {night.getpixel((x, y)) for x in range(60) for y in range(60, 400, 5)}
    assert (255, 143, 133) in colours


@pytest.mark.timeout(120)
def test_pages_print_on_a4(pages: list[Path]) -> None:
    """ISO 216 A4: 210 mm x 297 mm, in the PDF's units of 1/72 inch 595.3 x 841.9."""
    for page in pages[:2]:
        data = browser.printed(page)
        sheets = re.findall(rb"/MediaBox\s*\[\s*0 0 ([0-9.]+) ([0-9.]+)\s*\]", data)
        assert sheets
        for width, height in sheets:
            assert float(width) == pytest.approx(595.3, abs=1.0)
            assert float(height) == pytest.approx(841.9, abs=1.0)
