"""Drawings as files: well-formed, self-contained, nothing foreign gets out of its place."""

from __future__ import annotations

import io
import itertools
import re
import struct
import xml.etree.ElementTree as ET
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from rig.render.charts import png, svg
from rig.render.charts.drawing import (
    Anchor,
    Area,
    Drawing,
    Label,
    PolyLine,
    Shape,
    Sign,
    across,
    box,
    line,
    shortened,
)
from rig.render.charts.styles import COLOURS, LOOKS, SERIES, sheet

HOSTILE = [
    "</title><script>alert(1)</script>", '" onload="alert(1)', "]]>&amp;<!--", "\x00\x1b[2J\u202egnp.exe",
    "\ud800 lone", "{{7*7}} ${x}",
]  # fmt: skip


def drawing(*parts: object, title: str = "t", description: str = "d") -> Drawing:
    return Drawing(width=200, height=100, title=title, description=description, parts=parts)  # type: ignore[arg-type]


@given(st.text(max_size=40) | st.sampled_from(HOSTILE))
@settings(deadline=None)
def test_any_text_stays_text(words: str) -> None:
    made = svg.alone(drawing(Label(x=1, y=2, text=words), title=words, description=words))
    root = ET.fromstring(made.encode("utf-8"))
    tags = {element.tag.rpartition("}")[2] for element in root.iter()}
    assert tags == {"svg", "title", "desc", "style", "rect", "text"}
    attributes = {name for element in root.iter() for name in element.attrib}
    assert not {name for name in attributes if name.startswith("on") or "href" in name}


def test_a_file_refers_to_nothing_outside() -> None:
    made = svg.alone(drawing(across(0, 9, 5, "limit")))
    assert re.findall(r"https?://[^\"' )]+", made) == ["http://www.w3.org/2000/svg"]
    assert "url(" not in made
    assert "@import" not in made


@given(
    st.lists(st.tuples(st.floats(0, 900), st.floats(0, 900)), min_size=1, max_size=60)
)  # fmt: skip
def test_path_data_leads_through_every_point_to_a_tenth_of_a_pixel(points: list[tuple[float, float]]) -> None:
    data = svg.path(np.array(points))
    numbers = [float(n) for n in re.findall(r"-?\d+\.?\d*|-?\.\d+", data.split("h")[0])]
    steps = np.array(numbers).reshape(-1, 2).cumsum(axis=0)
    wanted = np.round(np.array(points) * 10) / 10
    places = {(round(x, 1), round(y, 1)) for x, y in steps}
    assert {(round(x, 1), round(y, 1)) for x, y in wanted} <= places


def test_every_look_has_colours_by_day_and_by_night_that_can_be_read() -> None:
    """WCAG 2.2, success criteria 1.4.3 (text: 4.5 to 1) and 1.4.11 (graphics: 3 to 1)."""
    for name, look in LOOKS.items():
        for colour in filter(None, (look.fill, look.stroke)):
            assert colour in COLOURS, name
    for night in (0, 1):
        paper = COLOURS["paper"][night]
        for name in ("ink", "quiet", "limit", "early"):
            assert contrast(COLOURS[name][night], paper) >= 4.5, (name, night)
        for name in (*(f"s{k + 1}" for k in range(SERIES)), "bad", "mark"):
            assert contrast(COLOURS[name][night], paper) >= 3.0, (name, night)


def contrast(one: str, other: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it, from relative luminance."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_contrast_is_counted_as_the_standard_says() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


def test_series_can_be_told_apart_without_colour() -> None:
    dashes = [LOOKS[f"s{k + 1}"].dashes for k in range(SERIES)]
    assert len(set(dashes)) == SERIES


def test_paper_is_printed_by_day() -> None:
    assert "@media screen and (prefers-color-scheme:dark)" in sheet(":root")


def test_a_png_is_whole_and_twice_as_large() -> None:
    parts = (
        box(0, 0, 50, 50, "s1"),
        line(((0, 0), (200, 100)), "limit"),
        PolyLine(points=np.array([[5.0, 5.0]]), look="s2"),
        Area(points=np.array([[1.0, 1.0]]), look="s2"),
        Label(x=100, y=50, text="high 95 degC Ω \u202e", anchor=Anchor.MIDDLE),
        *(Sign(x=20, y=20, shape=shape, look="onset") for shape in Shape),
    )
    data = png.picture(drawing(*parts, title="a title"))
    chunks = {}
    at = 8
    while at < len(data):  # W3C PNG specification, clause 5.3: length, type, data, CRC
        length, kind = struct.unpack(">I4s", data[at : at + 8])
        body = data[at + 8 : at + 8 + length]
        assert struct.unpack(">I", data[at + 8 + length : at + 12 + length])[0] == zlib.crc32(kind + body)
        chunks[kind] = body
        at += 12 + length
    assert struct.unpack(">II", chunks[b"IHDR"][:8]) == (400, 200)
    assert b"IEND" in chunks
    with Image.open(io.BytesIO(data)) as image:
        assert image.getpixel((20, 80)) != (255, 255, 255)
        assert image.getpixel((390, 10)) == (255, 255, 255)


def test_dashes_have_their_lengths_around_corners() -> None:
    corner = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]])
    pieces = png.dashed(corner, (4.0, 2.0))
    lengths = [float(np.hypot(*np.diff(piece, axis=0).T).sum()) for piece in pieces]
    assert lengths == pytest.approx([4.0, 4.0, 4.0, 2.0])
    gaps = [np.abs(b[0] - a[-1]).sum() for a, b in itertools.pairwise(pieces)]
    assert gaps == pytest.approx([2.0, 2.0, 2.0])


@given(st.text(max_size=80), st.floats(10, 400))
def test_a_shortened_text_is_never_longer_than_its_room(words: str, room: float) -> None:
    assert len(shortened(words, room)) <= max(1, room / (0.58 * 12))
