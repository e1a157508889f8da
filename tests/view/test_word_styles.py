"""Every style can be read on white and on black terminals, in palettes of 16 colours."""

from __future__ import annotations

from itertools import product

import pytest
from rich.style import Style

from rig.view.header import Canvas
from rig.view.screen import ScreenPage, ViewPosition, everything, frame
from rig.view.snapshot import RunState, Snapshot
from rig.view.word_styles import BARS, STYLES
from tests.view.rooms import busy_room
from tests.view.unit_rooms import failed_room

XTERM = {
    "black": (0, 0, 0), "red": (205, 0, 0), "green": (0, 205, 0), "yellow": (205, 205, 0),
    "blue": (0, 0, 238), "magenta": (205, 0, 205), "cyan": (0, 205, 205), "white": (229, 229, 229),
}  # fmt: skip
"""Default colours of xterm (from memory)."""
TEXT_MODE = {
    "black": (0, 0, 0), "red": (170, 0, 0), "green": (0, 170, 0), "yellow": (170, 85, 0),
    "blue": (0, 0, 170), "magenta": (170, 0, 170), "cyan": (0, 170, 170), "white": (170, 170, 170),
}  # fmt: skip
"""Text mode of personal computers, normal intensity (from memory); bold text is brighter there."""
BRIGHTER = 85
LEAST_CONTRAST = 3.0
"""For large or bold text (WCAG 2.2, success criterion 1.4.3)."""

Colour = tuple[int, int, int]
GROUNDS = {"white": (255, 255, 255), "black": (0, 0, 0)}


def luminance(colour: Colour) -> float:
    """Return the relative luminance (definition in WCAG 2.2)."""
    parts = [c / 255 for c in colour]
    r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: Colour, other: Colour) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def drawn(style: str, palette: dict[str, Colour], ground: str) -> tuple[Colour, Colour]:
    """Return fore- and background of a style on a terminal whose own background is ``ground``."""
    known = Style.parse(style)
    own = GROUNDS["black" if ground == "white" else "white"]
    fore = palette[known.color.name] if known.color else own
    if known.color and known.bold and palette is TEXT_MODE:
        fore = tuple(min(255, c + BRIGHTER) for c in fore)  # type: ignore[assignment]
    back = palette[known.bgcolor.name] if known.bgcolor else GROUNDS[ground]
    return (back, fore) if known.reverse else (fore, back)


def used() -> set[str]:
    """Return all styles of the tables, and all that pages of rooms in trouble are drawn with."""
    styles = {*STYLES.values(), *BARS.values()}
    rooms: list[Snapshot] = [busy_room().picture(300.9), failed_room().picture(41.0)]
    rooms += [busy_room().picture(900.0), *(failed_room().picture(90.0, state) for state in RunState)]
    for snapshot, page in product(rooms, ScreenPage):
        lines = frame(snapshot, ViewPosition(page=page), Canvas(width=200, height=60), ["a fault"])
        styles |= {str(span.style) for text in (*lines, *everything(snapshot, 100)) for span in text.spans}
    return {style for style in styles if style}


USED = used()


@pytest.mark.parametrize("palette", [XTERM, TEXT_MODE], ids=["xterm", "text mode"])
@pytest.mark.parametrize("ground", list(GROUNDS))
def test_every_style_stands_out_from_its_background(ground: str, palette: dict[str, Colour]) -> None:
    assert len(USED) > 8
    poor = {style: contrast(*drawn(style, palette, ground)) for style in USED}
    assert {style: ratio for style, ratio in poor.items() if ratio < LEAST_CONTRAST} == {}


def test_yellow_on_white_would_be_found() -> None:
    assert contrast(*drawn("bold yellow", XTERM, "white")) < LEAST_CONTRAST
    assert contrast(*drawn("bold white", XTERM, "white")) < LEAST_CONTRAST
