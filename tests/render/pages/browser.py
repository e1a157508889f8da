"""A headless browser that asks a page how it is laid out. No network, a profile of its own."""

from __future__ import annotations

import html as escaping
import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

from PIL import Image

PROGRAM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars",
    "--allow-file-access-from-files",
)  # fmt: skip
DARK = "--blink-settings=preferredColorScheme=0"
_WRAPPER = """<!DOCTYPE html><meta charset="utf-8"><style>html,body{{margin:0}}iframe{{border:0}}</style>
<iframe id="page" width="{width}" height="900" src="{name}"></iframe><pre id="found"></pre><script>
const frame = document.getElementById("page");
frame.onload = () => {{
  const inside = frame.contentDocument, root = inside.documentElement, wide = [];
  for (const one of inside.body.querySelectorAll("*")) {{
    const place = one.getBoundingClientRect();
    if (place.width && place.right > {width} + 0.5 && !one.closest(".scroll") && !one.closest("svg"))
      wide.push(one.tagName + " " + (one.textContent || "").slice(0, 40));
  }}
  const shown = one => one.getClientRects().length > 0;
  const svgs = [...inside.querySelectorAll("svg.pic")].filter(shown);
  const letters = svgs.flatMap(one => [...one.querySelectorAll("text")].slice(0, 40)
    .map(t => parseFloat(frame.contentWindow.getComputedStyle(t).fontSize)
              * one.getBoundingClientRect().width / one.viewBox.baseVal.width));
  document.getElementById("found").textContent = JSON.stringify({{
    scrollWidth: root.scrollWidth, wide, pictures: svgs.length,
    broken: svgs.filter(one => one.getBoundingClientRect().height < 20).length,
    smallest: Math.min(...letters), paper: frame.contentWindow.getComputedStyle(inside.body).backgroundColor,
    scripts: inside.scripts.length, ran: !!frame.contentWindow.struck}});
}};
</script>"""


def measured(page: Path, width: int, *, dark: bool = False) -> dict[str, Any]:
    """Return how a page is laid out at a width: overflow, pictures, letters (px), colour of the paper."""
    wrapper = page.with_name(f"measure-{page.stem}-{width}.html")
    wrapper.write_text(_WRAPPER.format(width=width, name=page.name), "utf-8")
    dom = _run(
        page.parent, [*([DARK] if dark else []), "--virtual-time-budget=8000", "--dump-dom", wrapper.as_uri()]
    )
    found = re.search(r'<pre id="found">(.*?)</pre>', dom, re.DOTALL)
    assert found is not None
    assert found.group(1), "the page was not measured"
    result: dict[str, Any] = json.loads(escaping.unescape(found.group(1)))
    return result


def photographed(page: Path, width: int, height: int, *, dark: bool = False) -> Image.Image:
    """Return a picture of the top of the page."""
    into = page.with_name(f"{page.stem}-{width}.png")
    size = [f"--window-size={width},{height}", f"--screenshot={into}", page.as_uri()]
    _run(page.parent, [*([DARK] if dark else []), *size])
    return Image.open(into).convert("RGB")


def printed(page: Path) -> bytes:
    """Return the page as a PDF file on the paper its style sheet asks for."""
    into = page.with_suffix(".pdf")
    _run(page.parent, [f"--print-to-pdf={into}", "--no-pdf-header-footer", page.as_uri()])
    return into.read_bytes()


def _run(folder: Path, arguments: list[str]) -> str:
    assert PROGRAM is not None
    profile = folder / "profile"
    command = [PROGRAM, *_FLAGS, f"--user-data-dir={profile}", *arguments]
    try:
        done = subprocess.run(command, capture_output=True, timeout=90, check=True, cwd=folder)
    finally:
        shutil.rmtree(profile, ignore_errors=True)
    return done.stdout.decode("utf-8", "replace")
