"""Drawings as PNG, by day: for where SVG cannot go."""

from __future__ import annotations

import io
import itertools
from typing import TYPE_CHECKING

import numpy as np

from rig.domain.formatting import plain
from rig.render.charts.drawing import Anchor, Area, Drawing, Label, Part, Points, PolyLine, Shape, Sign, line
from rig.render.charts.styles import COLOURS, LOOKS, DrawingStyle

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageDraw import ImageDraw
    from PIL.ImageFont import FreeTypeFont, ImageFont

SCALE = 2
"""Pixels of the picture for each pixel of the drawing."""
_FINER = 2
"""Lines are drawn this much larger and shrunk, which smooths their edges."""
_ANCHORS = {Anchor.START: "ls", Anchor.MIDDLE: "ms", Anchor.END: "rs"}


def picture(drawing: Drawing) -> bytes:
    """Return the drawing as a PNG file with twice its size in pixels."""
    from PIL import Image, ImageDraw

    factor = SCALE * _FINER
    size = (round(drawing.width * factor), round(drawing.height * factor))
    image = Image.new("RGB", size, COLOURS["paper"][0])
    pen = ImageDraw.Draw(image, "RGBA")
    for part in drawing.parts:
        _draw(pen, part, factor)
    image = image.resize((size[0] // _FINER, size[1] // _FINER), Image.Resampling.LANCZOS)
    pen = ImageDraw.Draw(image)
    for part in drawing.parts:
        if isinstance(part, Label):
            _write(pen, part)
    return _bytes(image, drawing)


def _bytes(image: Image, drawing: Drawing) -> bytes:
    from PIL.PngImagePlugin import PngInfo

    words = PngInfo()
    words.add_itxt("Title", plain(drawing.title))
    words.add_itxt("Description", plain(drawing.description))
    into = io.BytesIO()
    image.save(into, format="PNG", optimize=True, pnginfo=words)
    return into.getvalue()


def _draw(pen: ImageDraw, part: Part, factor: int) -> None:
    match part:
        case PolyLine():
            _line(pen, part.points, LOOKS[part.look], factor)
        case Area():
            _area(pen, part.points, LOOKS[part.look], factor)
        case Sign():
            _sign(pen, part, factor)
        case Label():
            pass  # written when the lines are done, at the final size


def _colour(name: str, opacity: float = 1.0) -> tuple[int, int, int, int]:
    code = COLOURS[name][0]
    red, green, blue = (int(code[at : at + 2], 16) for at in (1, 3, 5))
    return red, green, blue, round(255 * opacity)


def _line(pen: ImageDraw, points: Points, look: DrawingStyle, factor: int) -> None:
    width = max(1, round(look.width * factor))
    pieces = dashed(points, look.dashes) if look.dashes else [points]
    for piece in pieces:
        corners = [(float(x), float(y)) for x, y in piece * factor]
        if len(corners) == 1 or (len(corners) == 2 and corners[0] == corners[1]):
            corners = [corners[0], (corners[0][0] + 1.0, corners[0][1])]
        pen.line(corners, fill=_colour(look.stroke), width=width, joint="curve")


def _area(pen: ImageDraw, points: Points, look: DrawingStyle, factor: int) -> None:
    corners = [(float(x), float(y)) for x, y in points * factor]
    if look.fill and len(corners) > 2:
        pen.polygon(corners, fill=_colour(look.fill, look.opacity))
    if look.stroke:
        _line(
            pen, np.vstack([points, points[:1]]), DrawingStyle(stroke=look.stroke, width=look.width), factor
        )


def dashed(points: Points, dashes: tuple[float, ...]) -> list[Points]:
    """Return the drawn pieces of a line with these dashes (drawn, left out, drawn...; pixels)."""
    lengths = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(lengths)])
    if along[-1] <= 0:
        return [points]
    pieces: list[Points] = []
    at = 0.0
    for number in itertools.count():
        if at >= along[-1]:
            return pieces
        until = min(at + dashes[number % len(dashes)], float(along[-1]))
        if number % 2 == 0:
            inner = along[(along > at) & (along < until)]
            stops = np.concatenate([[at], inner, [until]])
            piece = [np.interp(stops, along, points[:, axis]) for axis in (0, 1)]
            pieces.append(np.column_stack(piece))
        at = until
    return pieces


def _sign(pen: ImageDraw, sign: Sign, factor: int) -> None:
    x, y, r = sign.x, sign.y, 4.0
    look = LOOKS[sign.look]
    match sign.shape:
        case Shape.CROSS:
            for one in (((x - r, y - r), (x + r, y + r)), ((x + r, y - r), (x - r, y + r))):
                _line(pen, line(one, "").points, look, factor)
        case Shape.DIAMOND:
            _area(pen, line(((x, y - r), (x + r, y), (x, y + r), (x - r, y)), "").points, look, factor)
        case Shape.DOT:
            edge = [(x - 1.5) * factor, (y - 1.5) * factor, (x + 1.5) * factor, (y + 1.5) * factor]
            pen.ellipse(edge, fill=_colour(look.fill or look.stroke))


def _write(pen: ImageDraw, label: Label) -> None:
    look = LOOKS[label.look]
    pen.text(
        (label.x * SCALE, label.y * SCALE),
        plain(label.text),
        font=_font(look.size * SCALE, look.bold),
        fill=_colour(look.fill)[:3],
        anchor=_ANCHORS[label.anchor],
        stroke_width=SCALE,
        stroke_fill=COLOURS["paper"][0],
    )


def _font(size: float, bold: bool) -> FreeTypeFont | ImageFont:
    """Return a font of this machine with many letters, or the one that comes with the library."""
    from PIL import ImageFont

    for name in ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf", "LiberationSans-Regular.ttf"):
        try:
            return ImageFont.truetype(name, size)
        except OSError:
            continue
    return ImageFont.load_default(size)
