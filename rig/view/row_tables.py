"""Rows of the tables on the screen: channels, units, excursions, instruments, events."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import TypeVar

from rich.text import Text

from rig.domain.formatting import NOTHING, clock_time, duration, moment, number, time_span
from rig.domain.model import Status
from rig.domain.statuses import words_of
from rig.view.cell_lines import GAP, Cell, ScreenColumn, line, row
from rig.view.margin import FARTHEST_S
from rig.view.snapshot import (
    ChannelCondition,
    ChannelView,
    EventView,
    InstrumentView,
    LinkState,
    Margin,
    Trend,
)
from rig.view.state_words import StateWord
from rig.view.word_styles import BARS, FAINT, STRONG, STYLES

BLOCKS = "▁▂▃▄▅▆▇█"
HISTORY = "10 min"
"""Title of the column of sparklines: what they go back."""
_LONGEST_INSTRUMENT = 24
"""Cells that the name of an instrument or bus can take."""
_LONGEST = 8
"""Digits of a value that are worth their room, where the instrument's resolution is not known."""
_LONGEST_NAME = 40
"""Cells that a name can take."""
_PER_MINUTE_FROM = 100 / 3600
"""From this slope on (unit of measure per second) a trend is given per minute, not per hour."""


def state_cell(condition: ChannelCondition | LinkState | StateWord) -> Cell:
    """Return the word for a condition, connection or state."""
    return Cell(condition.value, STYLES[condition])


def bar(margin: Margin | None, width: int) -> str:
    """Return how much of the way to the limit is used up; ``|`` marks the warning value."""
    if margin is None:
        return ""
    full = min(width, math.floor(margin.used * width + 0.5))
    cells = ["█"] * full + ["░"] * (width - full)
    if margin.warning is not None:
        at = min(width - 1, math.floor(margin.warning * width))
        if at >= full:
            cells[at] = "|"
    return "".join(cells)


def margin_words(channel: ChannelView) -> str:
    """Return the distance to the nearest limit and which one: ``3.2 high``; negative when beyond.

    ``-`` where the limits sleep, or where nothing can be said of the channel now.
    """
    if channel.margin is None or channel.condition.is_blind:
        return NOTHING if channel.asleep or channel.condition.is_blind else ""
    distance = number(channel.margin.distance, channel.resolution, 3)
    if len(distance) > 6:
        distance = number(channel.margin.distance, significant=4)
    return f"{distance} {channel.margin.side.value}"


def trend_words(trend: Trend | None) -> str:
    """Return the slope per minute or per hour, ``steady``, or nothing while too little is known."""
    if trend is None:
        return ""
    if not trend.clear:
        return "steady"
    quick = abs(trend.per_s) >= _PER_MINUTE_FROM
    slope = trend.per_s * (60 if quick else 3600)
    sign = "+" if slope > 0 else ""
    return f"{sign}{number(slope, significant=3)}/{'min' if quick else 'h'}"


def value_cells(channel: ChannelView) -> tuple[Cell, Cell]:
    """Return the value, or the word that stands in its place, and the unit of measure."""
    if channel.problem:
        return Cell("fault", "bold red"), Cell("")
    if channel.status > Status.SUSPECT:
        return Cell(words_of(channel.status, short=True), "magenta"), Cell("")
    if channel.condition is ChannelCondition.NOT_READ:  # its last number was good, and is old
        return Cell("offline", "magenta"), Cell("")
    text = number(channel.value, channel.resolution)
    if len(text) > _LONGEST and channel.least_span:  # far finer than anything that its limits ask for
        text = number(channel.value, channel.least_span / 30)
    return Cell(text), Cell(channel.unit_of_measure, "dim")


def _movement(channel: ChannelView) -> tuple[Cell, Cell]:
    """Return trend and time to the limit; where there is no number now, the age of the last one."""
    if (
        channel.condition in {ChannelCondition.SILENT, ChannelCondition.NO_NUMBER}
        or channel.status > Status.SUSPECT
    ):
        if channel.age_s is None:
            return Cell("never"), Cell("read")
        return Cell(duration(channel.age_s)), Cell("old")
    reach = Cell("")
    if channel.reach is not None:
        high_s = channel.reach.high_s if channel.reach.high_s <= FARTHEST_S else math.inf
        soon = channel.reach.best_s < 3600
        reach = Cell(time_span(channel.reach.low_s, high_s), STRONG if soon else "")
    return Cell(trend_words(channel.trend)), reach


def spark(history: Sequence[float], width: int, least_span: float = 0.0) -> str:
    """Return readings as blocks of rising height, blank where there is none; '' for a width of 0.

    Each block stands for the value that strayed farthest of its stretch. The lowest and highest blocks are
    the ends of the range, unless that is smaller than ``least_span``: then all lie in the middle.
    """
    known = [one for one in history if math.isfinite(one)]
    if not known or width <= 0:
        return " " * width
    low, high, middle = min(known), max(known), sorted(known)[len(known) // 2]
    missing = max(least_span, 1e-9 * abs(middle)) - (high - low)
    if missing > 0:
        low, high = low - missing / 2, high + missing / 2
    per = max(1, len(history) // width)
    blocks = []
    for at in range(0, len(history), per):
        here = [one for one in history[at : at + per] if math.isfinite(one)]
        far = max(here, key=lambda one: abs(one - middle), default=math.nan)
        step = math.floor((far - low) / (high - low) * len(BLOCKS)) if here and high > low else 0
        blocks.append(BLOCKS[min(len(BLOCKS) - 1, step)] if here else " ")
    return "".join(blocks)


@dataclass(frozen=True, slots=True)
class Widths:
    """Widths of the columns of what was measured; 0: left out."""

    value: int = 0
    measure: int = 0
    history: int = 0
    margin: int = 0
    used: int = 0
    trend: int = 0
    limit_in: int = 0

    def columns(self) -> list[ScreenColumn]:
        """Return the columns that are not left out."""
        return [
            column
            for column in (
                ScreenColumn(title="value", width=self.value, right=True),
                ScreenColumn(title="", width=self.measure),
                ScreenColumn(title=HISTORY, width=self.history),
                ScreenColumn(title="margin", width=self.margin, right=True),
                ScreenColumn(title="used", width=self.used),
                ScreenColumn(title="trend", width=self.trend, right=True),
                ScreenColumn(title="limit in", width=self.limit_in, right=True),
            )
            if column.width
        ]


WIDTHS = (
    Widths(10, 6, 24, 12, 16, 9, 9),
    Widths(10, 6, 12, 12, 16, 9, 9),
    Widths(10, 6, 8, 12, 8, 9, 9),
    Widths(9, 5, 6, 10, 5, 9, 9),
    Widths(9, 5, 0, 10, 7, 9, 9),
    Widths(9, 5, 0, 10, 0, 0, 11),
    Widths(9, 5, 0, 10, 0, 0, 0),
    Widths(9, 5, 0, 0, 0, 0, 0),
    Widths(),
)
"""From rich to poor: the first beside which names have their room is taken, so numbers go before names."""


def total(columns: Sequence[ScreenColumn]) -> int:
    """Return the cells that columns take beside each other."""
    return sum(column.width + len(GAP) for column in columns) - len(GAP)


def channel_columns(width: int, names: int = 14) -> list[ScreenColumn]:
    """Return the columns of a channel table whose longest name has ``names`` cells.

    What is left goes to the names, up to 40 cells.
    """
    names = max(len("channel"), min(names, _LONGEST_NAME))
    state = ScreenColumn(title="state", width=8)
    for widths in WIDTHS:
        fixed = [state, *widths.columns()]
        left = width - total(fixed) - len(GAP)
        if left >= names:
            break
    return [ScreenColumn(title="channel", width=max(1, min(left, _LONGEST_NAME))), *fixed]


def measured(channel: ChannelView, columns: Sequence[ScreenColumn]) -> list[Cell]:
    """Return the cells of what was measured, for those of the columns that hold it."""
    widths = {column.title: column.width for column in columns}
    value, measure = value_cells(channel)
    trend, limit_in = _movement(channel)
    if "trend" not in widths and limit_in.text in {"old", "read"}:
        limit_in = Cell(f"{trend.text} {limit_in.text}")
    cells = {
        "value": value,
        "": measure,
        HISTORY: Cell(spark(channel.history, widths.get(HISTORY, 0), channel.least_span)),
        "margin": Cell(margin_words(channel)),
        "used": Cell(
            "" if channel.condition.is_blind else bar(channel.margin, widths.get("used", 0)),
            BARS.get(channel.condition, ""),
        ),
        "trend": trend,
        "limit in": limit_in,
    }
    return [cells[column.title] for column in columns if column.title in cells]


def channel_row(
    channel: ChannelView, columns: list[ScreenColumn], width: int, *, short: bool = False
) -> Text:
    """Return the line of one channel; ``short`` leaves the unit's name out."""
    if channel.problem:
        return line([Cell(channel.name + "  "), Cell(channel.problem, "bold red")], width)
    name = Cell(channel.quantity if short else channel.name)
    return row(columns, [name, state_cell(channel.condition), *measured(channel, columns)], width)


def instrument_columns(width: int, names: int = 14) -> list[ScreenColumn]:
    """Return the columns of the list of instruments whose longest name has ``names`` cells."""
    names = max(len("instrument"), min(names, _LONGEST_INSTRUMENT))
    fixed = [
        ScreenColumn(title="state", width=8),
        ScreenColumn(title="last reply", width=11, right=True),
        ScreenColumn(title="poll", width=7, right=True),
        ScreenColumn(title="failed/h", width=8, right=True),
        ScreenColumn(title="no value", width=9, right=True),
        ScreenColumn(title="delay p99", width=9, right=True),
    ]
    bus = ScreenColumn(title="bus", width=min(names, 10))
    while len(fixed) > 1 and names + total([bus, *fixed]) + len(GAP) > width:
        fixed.pop()
    left = width - total(fixed) - len(GAP)
    if left < names + bus.width + len(GAP):
        return [ScreenColumn(title="instrument", width=max(1, min(left, _LONGEST_INSTRUMENT))), *fixed]
    name = max(names, min(_LONGEST_INSTRUMENT, left // 2))
    bus = replace(bus, width=min(_LONGEST_INSTRUMENT, left - name - len(GAP)))
    return [ScreenColumn(title="instrument", width=name), bus, *fixed]


def instrument_rows(
    instrument: InstrumentView, columns: list[ScreenColumn], zone: tzinfo | None, width: int
) -> list[Text]:
    """Return the line of one instrument, and one more for its last fault, if there was any."""
    cells = {
        "instrument": Cell(instrument.name, STRONG),
        "bus": Cell(instrument.bus),
        "state": state_cell(instrument.link),
        "last reply": Cell(f"{duration(instrument.age_s)} ago" if instrument.age_s is not None else "never"),
        "poll": Cell(duration(instrument.poll_s)),
        "failed/h": Cell(str(instrument.failures), STRONG if instrument.failures else ""),
        "no value": Cell(f"{instrument.numberless} of {instrument.channels}"),
        "delay p99": Cell(NOTHING if instrument.late_ms is None else f"{instrument.late_ms:.1f} ms"),
    }
    first = row(columns, [cells[column.title] for column in columns], width)
    if not instrument.last_fault:
        return [first]
    when = "" if instrument.last_fault_ns is None else clock_time(instrument.last_fault_ns, zone)
    return [first, line([Cell(f"    {when} "), Cell(instrument.last_fault)], width)]


def event_row(event: EventView, now_ns: int, zone: tzinfo | None, width: int) -> Text:
    """Return the line of one event."""
    same_day = moment(now_ns, zone).date() == moment(event.t_ns, zone).date()
    when = clock_time(event.t_ns, zone) if same_day else f"{moment(event.t_ns, zone):%m-%d %H:%M}"
    words = event.text if event.subject in event.text else f"{event.subject}: {event.text}"
    return line(
        [
            Cell(f"{when:<11} "),
            Cell(f"{event.kind:<18} ", STRONG if event.trouble else FAINT),
            Cell(words),
        ],
        width,
    )


_Word = TypeVar("_Word", ChannelCondition, StateWord)


def tally(words: Iterable[_Word]) -> str:
    """Return how many of each condition or state, worst first: ``2 OUT, 1 warning, 57 ok``."""
    found = Counter(words)
    return ", ".join(f"{found[one]} {one.value}" for one in sorted(found, key=lambda one: one.rank))
