"""Rows of the tables on the screen: channels, units, excursions, instruments, events."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import tzinfo

from rich.text import Text

from rig.domain.formatting import clock_time, duration, moment, number, time_span
from rig.domain.model import Status
from rig.domain.statuses import words_of
from rig.view.cell_lines import Cell, ScreenColumn, line, row
from rig.view.margin import FARTHEST_S
from rig.view.snapshot import (
    ChannelCondition,
    ChannelView,
    EventView,
    ExcursionView,
    InstrumentView,
    LinkState,
    Margin,
    Trend,
    UnitView,
)

STYLES: dict[ChannelCondition | LinkState, str] = {
    ChannelCondition.OUT: "bold white on red",
    ChannelCondition.PENDING: "bold red",
    ChannelCondition.SILENT: "bold white on magenta",
    ChannelCondition.NO_NUMBER: "magenta",
    ChannelCondition.WARNING: "bold yellow",
    ChannelCondition.SUSPECT: "cyan",
    ChannelCondition.WAITING: "dim",
    ChannelCondition.OK: "green",
    LinkState.OFFLINE: "bold white on red",
    LinkState.HUNG: "bold white on red",
    LinkState.SLOW: "bold yellow",
    LinkState.WAITING: "dim",
    LinkState.ONLINE: "green",
}
"""Colour only adds to the word beside it."""

BLOCKS = "▁▂▃▄▅▆▇█"
HISTORY = "10 min"
"""Title of the column of sparklines: what they go back."""
_LATENESS_FROM = 90
_TREND_FROM = 72
"""In narrower tables the names need the room of bar and trend."""
_LONGEST = 8
"""Digits of a value that are worth their room, where the instrument's resolution is not known."""
_PER_MINUTE_FROM = 100 / 3600
"""From this slope on (unit of measure per second) a trend is given per minute, not per hour."""


def state_cell(condition: ChannelCondition | LinkState) -> Cell:
    """Return the word for a condition."""
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
    """Return the distance to the nearest limit and which one: ``3.2 high``; negative when beyond."""
    if channel.margin is None:
        return ""
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
        reach = Cell(time_span(channel.reach.low_s, high_s), "bold yellow" if soon else "")
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


def channel_columns(width: int, *, short: bool = False) -> list[ScreenColumn]:
    """Return the columns of a channel table; the name takes what is left, up to 40 cells.

    The history is left out where names would lose too much by it; ``short`` names lose nothing.
    """
    if width >= 120:
        value, unit, distance, used, history = 10, 6, 12, 16, 24 if width >= 160 else 12
    elif width >= 100:
        value, unit, distance, used, history = 10, 6, 12, 8, 8
    elif width >= 88 or (short and width >= 76):
        value, unit, distance, used, history = 9, 5, 10, 5, 6
    else:
        value, unit, distance, used, history = 9, 5, 10, 7, 0
    wide = width >= _TREND_FROM
    fixed = [
        ScreenColumn(title="state", width=8),
        ScreenColumn(title="value", width=value, right=True),
        ScreenColumn(title="", width=unit),
        ScreenColumn(title="margin", width=distance, right=True),
        *(
            [ScreenColumn(title="used", width=used), ScreenColumn(title="trend", width=9, right=True)]
            if wide
            else []
        ),
        ScreenColumn(title="limit in", width=9 if wide else 11, right=True),
        *([ScreenColumn(title=HISTORY, width=history)] if history else []),
    ]
    name = max(8, width - sum(column.width + 1 for column in fixed))
    return [ScreenColumn(title="channel", width=min(name, 40)), *fixed]


def _measured(channel: ChannelView, columns: Sequence[ScreenColumn]) -> list[Cell]:
    """Return the cells from the state on, for the columns of that name."""
    widths = {column.title: column.width for column in columns}
    value, measure = value_cells(channel)
    style = STYLES[channel.condition] if channel.condition.is_trouble else "blue"
    cells = [state_cell(channel.condition), value, measure, Cell(margin_words(channel))]
    trend, limit_in = _movement(channel)
    if "used" in widths:
        cells += [Cell(bar(channel.margin, widths["used"]), style), trend]
    elif limit_in.text in {"old", "read"}:
        limit_in = Cell(f"{trend.text} {limit_in.text}")
    cells.append(limit_in)
    if HISTORY in widths:
        cells.append(Cell(spark(channel.history, widths[HISTORY], channel.least_span)))
    return cells


def channel_row(
    channel: ChannelView, columns: list[ScreenColumn], width: int, *, short: bool = False
) -> Text:
    """Return the line of one channel; ``short`` leaves the unit's name out."""
    if channel.problem:
        return line([Cell(channel.name + "  "), Cell(channel.problem, "bold red")], width)
    name = Cell(channel.quantity if short else channel.name)
    return row(columns, [name, *_measured(channel, columns)], width)


def unit_columns(width: int) -> list[ScreenColumn]:
    """Return the columns of the list of units: the unit, then its worst channel."""
    channel = channel_columns(width)
    name = channel[0].width
    first = max(4, min(14, name // (3 if name > 20 else 4)))
    return [
        ScreenColumn(title="unit", width=first),
        ScreenColumn(title="worst", width=max(4, name - first - 1)),
        *channel[1:],
    ]


def unit_row(unit: UnitView, columns: list[ScreenColumn], width: int) -> Text:
    """Return the line of one unit, with its worst channel."""
    worst = unit.worst
    if worst is None:
        return line([Cell(unit.name), Cell("  no channels", "dim")], width)
    troubled = sum(1 for channel in unit.channels if channel.condition.is_trouble)
    others = f" +{troubled - 1}" if troubled > 1 else ""
    cells = [Cell(unit.name, "bold"), Cell(worst.quantity + others), *_measured(worst, columns)]
    return row(columns, cells, width)


def excursion_row(excursion: ExcursionView, now_ns: int, zone: tzinfo | None, width: int) -> Text:
    """Return the line of one excursion: rank, beginning, channel, limit, duration."""
    until = excursion.ended_ns if excursion.ended_ns is not None else now_ns
    lasted = duration((until - excursion.began_ns) / 1e9)
    lasting = excursion.ended_ns is None
    same_day = moment(now_ns, zone).date() == moment(excursion.began_ns, zone).date()
    when = clock_time(excursion.began_ns, zone, 1)
    if not same_day:
        when = f"{moment(excursion.began_ns, zone):%m-%d} {when[:8]}"
    limit = number(excursion.limit, excursion.resolution)
    bound = f"{'above' if excursion.side == 'high' else 'below'} {limit} {excursion.unit_of_measure}"
    columns = [
        ScreenColumn(title="", width=3, right=True),
        ScreenColumn(title="", width=14),
        ScreenColumn(title="", width=min(40, max(10, width - 66))),
        ScreenColumn(title="", width=18),
        ScreenColumn(title="", width=17),
        ScreenColumn(title="", width=9),
    ]
    return row(
        columns,
        [
            Cell(f"{excursion.place}."),
            Cell(when),
            Cell(excursion.channel, "bold" if lasting else ""),
            Cell(bound),
            Cell(f"active {lasted}" if lasting else f"lasted {lasted}", "bold red" if lasting else ""),
            Cell("first-out" if excursion.first_out else "", "bold"),
        ],
        width,
    )


def instrument_columns(width: int) -> list[ScreenColumn]:
    """Return the columns of the list of instruments."""
    fixed = [
        ScreenColumn(title="state", width=8),
        ScreenColumn(title="last reply", width=11, right=True),
        ScreenColumn(title="poll", width=7, right=True),
        ScreenColumn(title="failed/h", width=8, right=True),
        ScreenColumn(title="no value", width=9, right=True),
    ]
    if width >= _LATENESS_FROM:
        fixed.append(ScreenColumn(title="delay p99", width=9, right=True))
    left = width - sum(column.width + 1 for column in fixed)
    return [
        ScreenColumn(title="instrument", width=min(24, left // 2)),
        ScreenColumn(title="bus", width=min(24, left - left // 2 - 1)),
        *fixed,
    ]


def instrument_rows(
    instrument: InstrumentView, columns: list[ScreenColumn], zone: tzinfo | None, width: int
) -> list[Text]:
    """Return the line of one instrument, and one more for its last fault, if there was any."""
    cells = [
        Cell(instrument.name, "bold"),
        Cell(instrument.bus),
        state_cell(instrument.link),
        Cell(f"{duration(instrument.age_s)} ago" if instrument.age_s is not None else "never"),
        Cell(duration(instrument.poll_s)),
        Cell(str(instrument.failures), "bold yellow" if instrument.failures else ""),
        Cell(f"{instrument.numberless} of {instrument.channels}"),
        Cell("-" if instrument.late_ms is None else f"{instrument.late_ms:.1f} ms"),
    ]
    first = row(columns, cells[: len(columns)], width)
    if not instrument.last_fault:
        return [first]
    when = "" if instrument.last_fault_ns is None else clock_time(instrument.last_fault_ns, zone)
    return [first, line([Cell(f"    {when} "), Cell(instrument.last_fault, "yellow")], width)]


def event_row(event: EventView, now_ns: int, zone: tzinfo | None, width: int) -> Text:
    """Return the line of one event."""
    same_day = moment(now_ns, zone).date() == moment(event.t_ns, zone).date()
    when = clock_time(event.t_ns, zone) if same_day else f"{moment(event.t_ns, zone):%m-%d %H:%M}"
    words = event.text if event.subject in event.text else f"{event.subject}: {event.text}"
    return line(
        [
            Cell(f"{when:<11} "),
            Cell(f"{event.kind:<18} ", "bold yellow" if event.trouble else "dim"),
            Cell(words),
        ],
        width,
    )


def tally(conditions: Iterable[ChannelCondition]) -> str:
    """Return how many of each condition, worst first: ``2 OUT, 1 warning, 57 ok``."""
    found = Counter(conditions)
    return ", ".join(f"{found[c]} {c.value}" for c in ChannelCondition if found[c])
