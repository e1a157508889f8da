"""What a picture consists of, in pixels from the top left corner; every part names its look."""

from __future__ import annotations

import enum
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]


class Shape(enum.StrEnum):
    """Signs drawn at one point; each differs from the others without colour."""

    CROSS = "cross"
    DIAMOND = "diamond"
    DOT = "dot"


class Anchor(enum.StrEnum):
    """End of a label that is at its position."""

    START = "start"
    MIDDLE = "middle"
    END = "end"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PolyLine:
    """An open line through ``points`` (n x 2, pixels)."""

    points: Points
    look: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Area:
    """A closed area with the corners ``points`` (n x 2, pixels)."""

    points: Points
    look: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """A sign at one place."""

    x: float
    y: float
    shape: Shape
    look: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A text whose base line begins, is centred or ends at a place."""

    x: float
    y: float
    text: str
    look: str = "text"
    anchor: Anchor = Anchor.START


Part = PolyLine | Area | Sign | Label


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """Picture: size in pixels, description in words (for those who do not see it), parts in order."""

    width: float
    height: float
    title: str
    description: str
    parts: tuple[Part, ...]


def line(points: Iterable[Sequence[float]], look: str) -> PolyLine:
    """Return a line through these points."""
    return PolyLine(points=np.array(list(points), dtype=np.float64).reshape(-1, 2), look=look)


def across(left: float, right: float, y: float, look: str) -> PolyLine:
    """Return a level line."""
    return line(((left, y), (right, y)), look)


def upright(x: float, top: float, bottom: float, look: str) -> PolyLine:
    """Return an upright line."""
    return line(((x, top), (x, bottom)), look)


def box(left: float, top: float, right: float, bottom: float, look: str) -> Area:
    """Return a rectangle."""
    corners = ((left, top), (right, top), (right, bottom), (left, bottom))
    return Area(points=np.array(corners, dtype=np.float64), look=look)


def shortened(text: str, room_px: float, size_px: float = 12.0) -> str:
    """Return a text that fits into ``room_px`` (at 0.58 em a character), cut with an ellipsis."""
    most = max(1, int(room_px / (0.58 * size_px)))
    return text if len(text) <= most else text[: most - 1] + "…"
