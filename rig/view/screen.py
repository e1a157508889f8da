"""One frame: a Snapshot and a size become exactly ``height`` lines of exactly ``width`` cells. Pure."""

from __future__ import annotations

import enum
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from textwrap import wrap

from rich.cells import cell_len
from rich.text import Text

from rig.domain.cautions import FAILED_UNIT
from rig.domain.formatting import moment
from rig.view.cell_lines import Cell, beside, blank, guarded, heading, line, titles, window
from rig.view.excursion_rows import (
    current,
    excursion_columns,
    excursion_row,
    folded_rows,
    in_order,
    more_excursions,
)
from rig.view.header import Canvas, header
from rig.view.row_tables import (
    channel_columns,
    channel_row,
    event_row,
    instrument_columns,
    instrument_rows,
    state_cell,
    tally,
)
from rig.view.snapshot import ChannelView, ExcursionView, LinkState, Snapshot, UnitView
from rig.view.unit_rows import more_units, names_of, since_words, unit_columns, unit_row

SMALLEST = (40, 8)
"""Below this size (columns, lines) only the header is drawn."""
_BESIDE_FROM = 150
_CAUTION_FROM = 14
"""Lines of a page from which it has room for the whole caution."""
_SHORT_CAUTION = "first isolate, discharge, let it cool"


class ScreenPage(enum.Enum):
    """Page of the screen; the value is its key."""

    OVERVIEW = "o"
    CHANNELS = "c"
    UNIT = "u"
    INSTRUMENTS = "i"
    EXCURSIONS = "x"
    EVENTS = "e"


@dataclass(frozen=True, slots=True, kw_only=True)
class ViewPosition:
    """Position in the view: page, number of the unit (by name; None: the worst), lines scrolled."""

    page: ScreenPage = ScreenPage.OVERVIEW
    unit: int | None = None
    scroll: int = 0

    def pressed(self, key: str, snapshot: Snapshot, height: int) -> ViewPosition:
        """Return the position after a key on a screen of ``height`` lines; unknown keys change nothing."""
        if key in {"u", "U"}:
            step = (1 if key == "u" else -1) if self.page is ScreenPage.UNIT else 0
            return ViewPosition(
                page=ScreenPage.UNIT, unit=(self.place(snapshot) + step) % max(1, len(snapshot.units))
            )
        if key == "tab":
            pages = list(ScreenPage)
            return replace(self, page=pages[(pages.index(self.page) + 1) % len(pages)], scroll=0)
        if key in {page.value for page in ScreenPage}:
            return replace(self, page=ScreenPage(key), scroll=0)
        leaf = max(1, height - 6)
        steps = {"down": 1, "up": -1, "page-down": leaf, "page-up": -leaf, "home": -self.scroll}
        last = max(0, _length(snapshot, self.page) - leaf)
        return replace(self, scroll=min(last, max(0, self.scroll + steps.get(key, 0))))

    def place(self, snapshot: Snapshot) -> int:
        """Return the place, by name, of the unit to show: the worst one where none was chosen."""
        if self.unit is not None or not snapshot.units:
            return (self.unit or 0) % max(1, len(snapshot.units))
        return by_name(snapshot).index(snapshot.units[0])


def _length(snapshot: Snapshot, page: ScreenPage) -> int:
    """Return how many lines a page's list can have at most."""
    match page:
        case ScreenPage.INSTRUMENTS:
            return 2 * len(snapshot.instruments)
        case ScreenPage.EXCURSIONS:
            return len(snapshot.excursions)
        case ScreenPage.EVENTS:
            return len(snapshot.events)
        case _:
            return len(snapshot.channels)


def frame(snapshot: Snapshot, look: ViewPosition, canvas: Canvas, problems: Sequence[str] = ()) -> list[Text]:
    """Return the frame. ``problems`` are faults of the view itself; they are shown in the header."""
    noted = list(problems)
    width = canvas.width
    first = header(snapshot, canvas, noted)
    room = canvas.height - len(first) - 1
    body = _body(snapshot, look, replace(canvas, height=max(0, room)), noted)
    top = header(snapshot, canvas, noted)
    lines = [*top, *body][: max(0, canvas.height - 1)]
    lines += [blank(width)] * (canvas.height - 1 - len(lines))
    return [*lines, footer(look, width)][: canvas.height]


def everything(snapshot: Snapshot, width: int, zone: tzinfo | None = None) -> list[Text]:
    """Return the whole state as text of any length: for a printout, a pipe, a mail."""
    problems: list[str] = []
    tall = Canvas(width=width, height=1_000_000, zone=zone)
    body = [heading("units", width), *_unit_list(snapshot, len(snapshot.units) + 1, tall, problems)]
    if any(unit.word is not None and unit.word.is_loss for unit in snapshot.units):
        body += [line([Cell(text)], width) for text in wrap(FAILED_UNIT, max(20, width))]
    body += _excursion_page(snapshot, ViewPosition(), tall, problems)
    body += [
        heading("channels, worst first", width),
        *_channel_page(snapshot, ViewPosition(), tall, problems),
    ]
    body += [heading("instruments", width), *_instrument_page(snapshot, ViewPosition(), tall, problems)]
    body += _event_list(snapshot, min(21, len(snapshot.events) + 1), 0, tall, problems)
    return [*header(snapshot, tall, problems), *body]


def footer(look: ViewPosition, width: int) -> Text:
    """Return the line of keys; the present page's key stands in brackets."""
    cells: list[Cell] = []
    for letters in (40, 5, 3, 0):  # of a page's name: as many as the width allows
        cells = []
        for page in ScreenPage:
            words = page.name.lower()[:letters]
            here = page is look.page
            text = f"[{page.value}]{words}" if here else f" {page.value} {words}"
            cells += [Cell(text, "bold" if here else "dim"), Cell(" ")]
        cells.append(Cell(" q quit", "dim"))
        if sum(len(cell.text) for cell in cells) <= width:
            break
    return line(cells, width)


# ---- pages


def _body(snapshot: Snapshot, look: ViewPosition, canvas: Canvas, problems: list[str]) -> list[Text]:
    if canvas.width < SMALLEST[0] or canvas.height < SMALLEST[1] - 5:
        return []
    match look.page:
        case ScreenPage.OVERVIEW if canvas.width >= _BESIDE_FROM:
            left_width = (canvas.width - 3) // 2
            right_width = canvas.width - 3 - left_width
            return beside(
                _overview(snapshot, replace(canvas, width=left_width), problems, alone=False),
                _channel_page(snapshot, look, replace(canvas, width=right_width), problems),
                left_width,
                right_width,
            )
        case ScreenPage.OVERVIEW:
            return _overview(snapshot, canvas, problems, alone=True)
        case ScreenPage.CHANNELS:
            return _channel_page(snapshot, look, canvas, problems)
        case ScreenPage.UNIT:
            return _unit_page(snapshot, look, canvas, problems)
        case ScreenPage.INSTRUMENTS:
            return _instrument_page(snapshot, look, canvas, problems)
        case ScreenPage.EXCURSIONS:
            return _excursion_page(snapshot, look, canvas, problems)
        case ScreenPage.EVENTS:
            return _event_page(snapshot, look, canvas, problems)


def shares(height: int, wanted: Sequence[int], least: Sequence[int]) -> list[int]:
    """Return how many of ``height`` lines each section gets: the least first, then in order what it wants."""
    given = [0] * len(wanted)
    for amounts in (least, wanted):
        for at, amount in enumerate(amounts):
            extra = min(max(0, min(amount, wanted[at]) - given[at]), height - sum(given))
            given[at] += extra
    return given


def _overview(snapshot: Snapshot, canvas: Canvas, problems: list[str], *, alone: bool) -> list[Text]:
    """Return units, excursions, instrument faults, events; ``alone``: then channels, as many as fit."""
    width = canvas.width
    active = sum(e.ended_ns is None for e in snapshot.excursions)
    sequence = folded_rows(current(snapshot), snapshot, canvas.zone, width)
    faulty = [i for i in snapshot.instruments if i.link not in {LinkState.ONLINE, LinkState.WAITING}]
    events = snapshot.events
    wanted = [
        len(snapshot.units) + 1,
        len(sequence) + 1 if sequence else 0,
        2 * len(faulty) + 1 if faulty else 0,
        min(len(events), 6 if alone else len(events)) + 1,
        len(snapshot.channels) + 1 if alone else 0,
    ]
    heights = shares(canvas.height, wanted, [5, 4 if sequence else 0, 3 if faulty else 0, 3, 0])
    for at in range(1, len(heights)):
        if heights[at] < min(wanted[at], 3):  # a heading, and how many there are, say nothing
            heights[0], heights[at] = min(wanted[0], heights[0] + heights[at]), 0
    lines = _unit_list(snapshot, heights[0], canvas, problems)
    if heights[1]:
        lines.append(heading(f"excursions, first-out order ({active} active)", width, "bold red"))
        rows = [text for text, _ in sequence]
        lines += window(rows, heights[1] - 1, 0, lambda at: more_excursions(sequence, at), width)
    if heights[2]:
        lines.append(heading(f"instrument faults ({len(faulty)})", width, "bold red"))
        columns = instrument_columns(width, _longest(one.name for one in snapshot.instruments))
        rows = [
            text
            for one in faulty
            for text in guarded(
                lambda one: instrument_rows(one, columns, canvas.zone, width), one, width, problems
            )
        ]
        lines += window(rows, heights[2] - 1, 0, lambda _: Cell("  more: key i"), width)
    if heights[3]:
        lines += _event_list(snapshot, heights[3], 0, canvas, problems)
    if heights[4] > 2:
        lines += _channel_list(snapshot.channels, heights[4], 0, width, problems, short=False)
    return lines


def _longest(names: Iterable[str]) -> int:
    """Return the cells of the longest name."""
    return max((cell_len(name) for name in names), default=0)


def _unit_list(snapshot: Snapshot, height: int, canvas: Canvas, problems: list[str]) -> list[Text]:
    if height <= 0:
        return []
    width, units = canvas.width, snapshot.units
    columns = unit_columns(width, names_of(units))
    rows = [
        text
        for unit in units
        for text in guarded(
            lambda unit: [unit_row(unit, columns, width, snapshot.now_ns, canvas.zone)], unit, width, problems
        )
    ]
    shown = window(rows, height - 1, 0, lambda at: more_units(units[at:]), width)
    return [titles(columns, width), *shown]


def _channel_list(
    channels: Sequence[ChannelView], height: int, scroll: int, width: int, problems: list[str], *, short: bool
) -> list[Text]:
    columns = channel_columns(width, _longest(c.quantity if short else c.name for c in channels))
    rows = [
        text
        for channel in channels
        for text in guarded(lambda c: [channel_row(c, columns, width, short=short)], channel, width, problems)
    ]

    def more(at: int) -> Cell:
        rest = channels[at:]
        return Cell(f"  {len(rest)} more below: {tally(c.condition for c in rest)}", "bold")

    return [titles(columns, width), *window(rows, height - 1, scroll, more, width)]


def _channel_page(snapshot: Snapshot, look: ViewPosition, canvas: Canvas, problems: list[str]) -> list[Text]:
    return _channel_list(snapshot.channels, canvas.height, look.scroll, canvas.width, problems, short=False)


def by_name(snapshot: Snapshot) -> list[UnitView]:
    """Return the units in the order of their names: the order in which a key steps through them."""
    return sorted(snapshot.units, key=lambda unit: unit.name)


def _unit_page(snapshot: Snapshot, look: ViewPosition, canvas: Canvas, problems: list[str]) -> list[Text]:
    units = by_name(snapshot)
    width = canvas.width
    if not units:
        return [line([Cell("this rig has no channels")], width)]
    at = look.place(snapshot)
    unit = units[at]
    facts = ", ".join(
        x for x in (unit.serial and f"serial {unit.serial}", unit.load and f"load {unit.load}") if x
    )
    title = f"{unit.name}  {facts}  ({at + 1} of {len(units)}: u next, U previous)"
    room = not unit.serial
    excursions = [e for e in snapshot.excursions if e.unit == unit.name or (room and e.unit is None)]
    subjects = {unit.name, *(channel.name for channel in unit.channels)}
    events = tuple(event for event in snapshot.events if event.subject in subjects)
    sequence = _unit_sequence(excursions, snapshot, canvas)
    wanted = [len(unit.channels) + 1, len(sequence) + 1 if sequence else 0, len(events) + 1]
    lines = [heading(title, width), *_state_lines(unit, snapshot, canvas)]
    heights = shares(canvas.height - len(lines), wanted, [8, 4 if excursions else 0, 0])
    lines += _channel_list(unit.channels, heights[0], look.scroll, width, problems, short=True)
    if heights[1] > 1:
        lines.append(heading("excursions", width))
        rows = [text for text, _ in sequence]
        lines += window(rows, heights[1] - 1, 0, lambda k: Cell(f"  {len(rows) - k} more: key x"), width)
    if heights[2] > 1:
        lines += _event_list(replace(snapshot, events=events), heights[2], 0, canvas, problems)
    return lines


def _unit_sequence(
    excursions: Sequence[ExcursionView], snapshot: Snapshot, canvas: Canvas
) -> list[tuple[Text, int]]:
    """Return the lines of a unit's excursions: the present or last episode in its order, then older ones."""
    return folded_rows(in_order(excursions), snapshot, canvas.zone, canvas.width)


def _state_lines(unit: UnitView, snapshot: Snapshot, canvas: Canvas) -> list[Text]:
    """Return the state of a unit in words; where somebody may be sent to it, with the caution."""
    if unit.state is None or unit.word is None:
        return []
    since = since_words(unit, canvas.width - len(unit.word.value) - 2, snapshot.now_ns, canvas.zone)
    lines = [line([state_cell(unit.word), Cell(f"  {since}")], canvas.width)]
    if unit.word.is_loss:
        caution = (
            [_SHORT_CAUTION] if canvas.height < _CAUTION_FROM else wrap(FAILED_UNIT, max(20, canvas.width))
        )
        lines += [line([Cell(text)], canvas.width) for text in caution]
    return lines


def _instrument_page(
    snapshot: Snapshot, look: ViewPosition, canvas: Canvas, problems: list[str]
) -> list[Text]:
    width = canvas.width
    columns = instrument_columns(width, _longest(one.name for one in snapshot.instruments))
    rows = [
        text
        for one in snapshot.instruments
        for text in guarded(
            lambda one: instrument_rows(one, columns, canvas.zone, width), one, width, problems
        )
    ]
    shown = window(
        rows, canvas.height - 1, look.scroll, lambda at: Cell(f"  {len(rows) - at} more lines below"), width
    )
    return [titles(columns, width), *shown]


def _excursion_page(
    snapshot: Snapshot, look: ViewPosition, canvas: Canvas, problems: list[str]
) -> list[Text]:
    width = canvas.width
    if not snapshot.excursions:
        return [line([Cell("no excursions in this run")], width)]
    columns = excursion_columns(width, snapshot.excursions)
    rows = [
        text
        for e in in_order(snapshot.excursions)
        for text in guarded(
            lambda e: [excursion_row(e, columns, snapshot.as_of_ns, canvas.zone, width)], e, width, problems
        )
    ]
    title = "excursions in the order of detection, present ones first (true order: postmortem)"
    more = lambda at: Cell(f"  {len(rows) - at} more below", "bold")  # noqa: E731 - one line, one use
    return [heading(title, width), *window(rows, canvas.height - 1, look.scroll, more, width)]


def _event_list(
    snapshot: Snapshot, height: int, scroll: int, canvas: Canvas, problems: list[str], *, hint: str = "key e"
) -> list[Text]:
    width = canvas.width
    rows = [
        text
        for event in snapshot.events
        for text in guarded(
            lambda e: [event_row(e, snapshot.now_ns, canvas.zone, width)], event, width, problems
        )
    ]
    title = f"events, newest first (times {moment(snapshot.now_ns, canvas.zone):%Z})"
    if not rows:
        return [heading(title, width), line([Cell("none so far", "dim")], width)][:height]
    more = lambda at: Cell(f"  {len(rows) - at} older: {hint}", "dim")  # noqa: E731 - one line, one use
    return [heading(title, width), *window(rows, height - 1, scroll, more, width)]


def _event_page(snapshot: Snapshot, look: ViewPosition, canvas: Canvas, problems: list[str]) -> list[Text]:
    return _event_list(snapshot, canvas.height, look.scroll, canvas, problems, hint="arrow down")
