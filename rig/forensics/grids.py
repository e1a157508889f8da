"""Equal time bins over a stretch of a recording: from its readings, or from the bins stored with it."""

from __future__ import annotations

from rig.domain.channel_digest import SECOND_NS, WIDTHS_S

GRID = 1500
"""Number of equal bins into which the past is divided."""


def width_for(length_ns: int) -> int | None:
    """Return the width in seconds of the stored bins to use for a stretch of time; None: use its readings."""
    fitting = [width_s for width_s in WIDTHS_S if length_ns >= GRID * width_s * SECOND_NS]
    return fitting[-1] if fitting else None


def kept_width(start_ns: int, width_ns: int) -> int | None:
    """Return the width in seconds of the stored bins that make up those of a grid; None: none do."""
    fitting = [w for w in WIDTHS_S if width_ns % (w * SECOND_NS) == 0 and start_ns % (w * SECOND_NS) == 0]
    return fitting[-1] if fitting else None


def grid(start_ns: int, until_ns: int, count: int) -> tuple[int, int, int]:
    """Return start, width (ns) and number of about ``count`` equal bins that end at a moment at the latest.

    Wide bins are made up of whole bins of the recording, so their width is a multiple of those and they end
    up to one of those earlier.
    """
    width = max((until_ns - start_ns) // count, 1)
    fitting = [w for w in WIDTHS_S if width >= w * SECOND_NS]
    if not fitting:
        return start_ns, width, count
    unit = fitting[-1] * SECOND_NS
    width = (width + unit // 2) // unit * unit
    end = until_ns // unit * unit
    count = (end - start_ns // unit * unit) // width
    return end - count * width, width, count
