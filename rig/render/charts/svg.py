"""Drawings as SVG (W3C SVG 1.1 elements only): inside a page, or as a file of its own."""

from __future__ import annotations

from html import escape

import numpy as np

from rig.domain.formatting import plain
from rig.render.charts.drawing import Anchor, Area, Drawing, Label, Part, Points, PolyLine, Shape, Sign
from rig.render.charts.styles import sheet

_REACH = 4.0
"""Half the size of a sign in pixels."""


def inside(drawing: Drawing, name: str, classes: str = "") -> str:
    """Return an ``svg`` element for a page that carries the style sheet.

    name: makes the ids of this picture unique in the page (letters, digits, hyphens).
    """
    head = (
        f'<svg class="{f"pic {classes}".strip()}" viewBox="0 0 {drawing.width:g} {drawing.height:g}" '
        f'role="img" aria-labelledby="{name}-t {name}-d">'
    )
    return f"{head}{_words(drawing, name)}{_parts(drawing)}</svg>"


def alone(drawing: Drawing) -> str:
    """Return an SVG file with its style sheet: light and dark, no outside reference."""
    size = f'width="{drawing.width:g}" height="{drawing.height:g}"'
    head = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" class="pic" {size} '
        f'viewBox="0 0 {drawing.width:g} {drawing.height:g}" role="img" aria-labelledby="pic-t pic-d">'
    )
    paper = f'<rect class="p-paper" width="{drawing.width:g}" height="{drawing.height:g}"/>'
    return f"{head}{_words(drawing, 'pic')}<style>{sheet('.pic')}</style>{paper}{_parts(drawing)}</svg>\n"


def _words(drawing: Drawing, name: str) -> str:
    title, words = text(drawing.title), text(drawing.description)
    return f'<title id="{name}-t">{title}</title><desc id="{name}-d">{words}</desc>'


def text(words: str) -> str:
    """Return text escaped for HTML and XML."""
    return escape(plain(words), quote=True)


def _parts(drawing: Drawing) -> str:
    return "".join(_part(part) for part in drawing.parts)


def _part(part: Part) -> str:
    match part:
        case PolyLine():
            return f'<path class="p-{part.look} p-l" d="{path(part.points)}"/>'
        case Area():
            return f'<path class="p-{part.look} p-a" d="{path(part.points)}z"/>'
        case Sign():
            return f'<path class="p-{part.look} p-a" d="{_sign(part)}"/>'
        case Label():
            anchor = "" if part.anchor is Anchor.START else f' text-anchor="{part.anchor.value}"'
            place = f'x="{part.x:.1f}" y="{part.y:.1f}"'
            return f'<text class="p-t p-{part.look}" {place}{anchor}>{text(part.text)}</text>'


def path(points: Points) -> str:
    """Return path data through these points, to a tenth of a pixel, without points that add nothing."""
    tenths = np.rint(points * 10).astype(np.int64)
    if not len(tenths):
        return ""
    keep = np.ones(len(tenths), dtype=np.bool_)
    keep[1:] = (np.diff(tenths, axis=0) != 0).any(axis=1)
    tenths = tenths[keep]
    steps = np.diff(tenths, axis=0)
    first = f"M{_number(int(tenths[0, 0]))} {_number(int(tenths[0, 1]))}"
    if not len(steps):
        return f"{first}h.1"  # a line without length is not drawn
    return first + "l" + " ".join(f"{_number(dx)} {_number(dy)}" for dx, dy in steps.tolist())


def _number(tenths: int) -> str:
    whole, rest = divmod(abs(tenths), 10)
    sign = "-" if tenths < 0 else ""
    return f"{sign}{whole}.{rest}" if rest else f"{sign}{whole}"


def _sign(sign: Sign) -> str:
    x, y, r = sign.x, sign.y, _REACH
    match sign.shape:
        case Shape.CROSS:
            return f"M{x - r:.1f} {y - r:.1f}l{2 * r:g} {2 * r:g}m0 {-2 * r:g}l{-2 * r:g} {2 * r:g}"
        case Shape.DIAMOND:
            return f"M{x:.1f} {y - r:.1f}l{r:g} {r:g} {-r:g} {r:g} {-r:g} {-r:g}z"
        case Shape.DOT:
            return f"M{x - 1.5:.1f} {y:.1f}a1.5 1.5 0 1 0 3 0a1.5 1.5 0 1 0 -3 0z"
