"""One frame: a Snapshot and a size become exactly ``height`` lines of exactly ``width`` cells. Pure."""

from __future__ import annotations

import enum
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo

from rich.text import Text

from rig.core.wording import clock_time, counted, duration, moment, stamp
from rig.view.lines import Cell, beside, blank, guarded, heading, line, titles, window
from rig.view.snapshot import Answering, ChannelView, RunState, Snapshot, UnitView
from rig.view.tables import (
    STYLES,
    channel_columns,
    channel_row,
    event_row,
    excursion_row,
    instrument_columns,
    instrument_rows,
    tally,
    unit_columns,
    unit_row,
)

SMALLEST = (40, 8)
"""Below this size (columns, lines) only the header is drawn."""
_BESIDE_FROM = 150


class Page(enum.Enum):
    """What the screen shows; the value is the key that leads there."""

    OVERVIEW = "o"
    CHANNELS = "c"
    UNIT = "u"
    INSTRUMENTS = "i"
    EXCURSIONS = "x"
    EVENTS = "e"


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Where the viewer's eye is: page, number of the unit (by name), lines scrolled."""

    page: Page = Page.OVERVIEW
    unit: int = 0
    scroll: int = 0

    def pressed(self, key: str, units: int, height: int) -> Look:
        """Return where a key leads; keys that mean nothing lead nowhere."""
        if key in {"u", "U"}:
            step = (1 if key == "u" else -1) if self.page is Page.UNIT else 0
            return Look(page=Page.UNIT, unit=(self.unit + step) % max(1, units))
        if key == "tab":
            pages = list(Page)
            return replace(self, page=pages[(pages.index(self.page) + 1) % len(pages)], scroll=0)
        if key in {page.value for page in Page}:
            return replace(self, page=Page(key), scroll=0)
        steps = {"down": 1, "up": -1, "page-down": height - 6, "page-up": 6 - height, "home": -self.scroll}
        return replace(self, scroll=max(0, self.scroll + steps.get(key, 0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Canvas:
    """Size of the frame in cells, and the zone for times of day (None: this machine's)."""

    width: int
    height: int
    zone: tzinfo | None = None


def frame(snapshot: Snapshot, look: Look, canvas: Canvas, problems: Sequence[str] = ()) -> list[Text]:
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


def header(snapshot: Snapshot, canvas: Canvas, problems: Sequence[str] = ()) -> list[Text]:
    """Return the lines that every page begins with; what is wrong with the picture comes in words."""
    width = canvas.width
    lines = [_title(snapshot, canvas), _counts(snapshot, width), _progress(snapshot, width)]
    for words, style in _notices(snapshot, problems, canvas.zone):
        lines.append(line([Cell(f"! {words}", style)], width))
    return lines


def footer(look: Look, width: int) -> Text:
    """Return the line of keys; the present page's key stands in brackets."""
    cells: list[Cell] = []
    for page in Page:
        words = page.name.lower()
        here = page is look.page
        cells.append(
            Cell(f"[{page.value}]{words}" if here else f" {page.value} {words}", "bold" if here else "dim")
        )
        cells.append(Cell(" "))
    cells.append(Cell(" q quit", "dim"))
    return line(cells, width)


def _title(snapshot: Snapshot, canvas: Canvas) -> Text:
    style = {
        RunState.RUNNING: "bold green",
        RunState.FINISHED: "bold cyan",
        RunState.CRASHED: "bold white on red",
    }
    if snapshot.age_s is None:
        age = "no data yet"
    elif snapshot.stale:
        age = f"STALE {duration(snapshot.age_s)}"
    else:
        age = f"data {duration(max(0.0, snapshot.age_s))} old"
    now = f"{clock_time(snapshot.now_ns, canvas.zone)} {moment(snapshot.now_ns, canvas.zone):%Z}"
    right = f"{age}  {now}"
    cells = [
        Cell(snapshot.state.value, style[snapshot.state]),
        Cell("  "),
        Cell(snapshot.rig, "bold"),
        Cell(f"  {snapshot.run}"),
    ]
    left = line(cells, max(0, canvas.width - len(right) - 2))
    left.append("  ")
    left.append(right, "bold white on red" if snapshot.stale else "")
    return left


def _counts(snapshot: Snapshot, width: int) -> Text:
    cells: list[Cell] = []
    for condition, count in snapshot.counts().items():
        cells += [Cell(f"{count} {condition.value}", STYLES[condition]), Cell("  ")]
    return line([*cells, Cell(f"of {counted(len(snapshot.channels), 'channel')}", "dim")], width)


def _progress(snapshot: Snapshot, width: int) -> Text:
    answering = Counter(one.answering for one in snapshot.instruments)
    cells = [Cell("instruments: ", "dim")]
    for state in Answering:
        if answering[state]:
            cells += [Cell(f"{answering[state]} {state.value}", STYLES[state]), Cell(" ")]
    parts = [f"{duration(snapshot.elapsed_s)} elapsed"]
    if snapshot.planned_s > 0:
        share = snapshot.elapsed_s / snapshot.planned_s
        parts = [f"{duration(snapshot.elapsed_s)} of {duration(snapshot.planned_s)} ({share:.0%})"]
    if snapshot.disk_free is not None:
        parts.append(f"disk {size(snapshot.disk_free)} free")
    parts.append(f"session {snapshot.session}")
    if snapshot.gaps:
        parts.append(counted(snapshot.gaps, "gap"))
    if snapshot.phase:
        parts.append(f"phase {snapshot.phase}")
    return line([*cells, Cell("| " + " | ".join(parts))], width)


def size(count: int) -> str:
    """Return a number of bytes in words, in powers of ten."""
    for bound, name in ((1e3, "B"), (1e6, "kB"), (1e9, "MB"), (1e12, "GB")):
        if count < bound * 0.9995:
            return f"{count / (bound / 1e3):.3g} {name}"
    return f"{count / 1e12:.4g} TB"


def _notices(snapshot: Snapshot, problems: Sequence[str], zone: tzinfo | None) -> list[tuple[str, str]]:
    loud = "bold white on red"
    notices: list[tuple[str, str]] = []
    if snapshot.stale and snapshot.age_s is not None:
        old = (
            f"STALE: nothing recorded for {duration(snapshot.age_s)}, all below is old. Is the logger alive?"
        )
        notices.append((old, loud))
    if snapshot.state is RunState.CRASHED:
        notices.append(("CRASHED: nobody is recording; the last session ended without a stop", loud))
    if snapshot.state is RunState.FINISHED and snapshot.newest_ns is not None:
        notices.append((f"finished: values as of {stamp(snapshot.newest_ns, zone)}", "cyan"))
    notices += [(words, loud) for words in snapshot.warnings]
    if problems:
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        notices.append((f"this view has a fault: {problems[0]}{more}", "bold red"))
    if snapshot.skipped:
        more = f" (and {len(snapshot.skipped) - 1} more)" if len(snapshot.skipped) > 1 else ""
        notices.append((f"not read: {snapshot.skipped[0]}{more}", "bold yellow"))
    return notices


# ---- pages


def _body(snapshot: Snapshot, look: Look, canvas: Canvas, problems: list[str]) -> list[Text]:
    if canvas.width < SMALLEST[0] or canvas.height < SMALLEST[1] - 5:
        return []
    match look.page:
        case Page.OVERVIEW if canvas.width >= _BESIDE_FROM:
            left_width = (canvas.width - 3) // 2
            right_width = canvas.width - 3 - left_width
            return beside(
                _overview(snapshot, look, replace(canvas, width=left_width), problems),
                _channel_page(snapshot, look, replace(canvas, width=right_width), problems),
                left_width,
                right_width,
            )
        case Page.OVERVIEW:
            return _overview(snapshot, look, canvas, problems)
        case Page.CHANNELS:
            return _channel_page(snapshot, look, canvas, problems)
        case Page.UNIT:
            return _unit_page(snapshot, look, canvas, problems)
        case Page.INSTRUMENTS:
            return _instrument_page(snapshot, look, canvas, problems)
        case Page.EXCURSIONS:
            return _excursion_page(snapshot, look, canvas, problems)
        case Page.EVENTS:
            return _event_page(snapshot, look, canvas, problems)


def shares(height: int, wanted: Sequence[int], least: Sequence[int]) -> list[int]:
    """Return how many of ``height`` lines each section gets: the least first, then in order what it wants."""
    given = [0] * len(wanted)
    for amounts in (least, wanted):
        for at, amount in enumerate(amounts):
            extra = min(max(0, min(amount, wanted[at]) - given[at]), height - sum(given))
            given[at] += extra
    return given


def _overview(snapshot: Snapshot, look: Look, canvas: Canvas, problems: list[str]) -> list[Text]:
    width = canvas.width
    out_now = [e for e in snapshot.excursions if e.ended_ns is None]
    unwell = [i for i in snapshot.instruments if i.answering not in {Answering.ANSWERS, Answering.WAITING}]
    events = snapshot.events
    wanted = [
        len(snapshot.units) + 1,
        len(out_now) + 1 if out_now else 0,
        2 * len(unwell) + 1 if unwell else 0,
        len(events) + 1,
    ]
    heights = shares(canvas.height, wanted, [5, 4 if out_now else 0, 3 if unwell else 0, 3])
    lines = _unit_list(snapshot, heights[0], width, problems)
    if heights[1]:
        lines.append(heading(f"out of limits now, in the order read ({len(out_now)})", width, "bold red"))
        rows = [
            text
            for e in out_now
            for text in guarded(
                lambda e: [excursion_row(e, snapshot.now_ns, canvas.zone, width)], e, width, problems
            )
        ]
        lines += window(
            rows, heights[1] - 1, 0, lambda at: Cell(f"  {len(rows) - at} more are out: key x"), width
        )
    if heights[2]:
        lines.append(heading(f"instruments unwell ({len(unwell)})", width, "bold red"))
        columns = instrument_columns(width)
        rows = [
            text
            for one in unwell
            for text in guarded(
                lambda one: instrument_rows(one, columns, canvas.zone, width), one, width, problems
            )
        ]
        lines += window(rows, heights[2] - 1, 0, lambda _: Cell("  more: key i"), width)
    if heights[3]:
        lines += _event_list(snapshot, heights[3], 0, canvas, problems)
    return lines


def _unit_list(snapshot: Snapshot, height: int, width: int, problems: list[str]) -> list[Text]:
    if height <= 0:
        return []
    columns = unit_columns(width)
    rows = [
        text
        for unit in snapshot.units
        for text in guarded(lambda unit: [unit_row(unit, columns, width)], unit, width, problems)
    ]

    def more(at: int) -> Cell:
        rest = snapshot.units[at:]
        return Cell(
            f"  {len(rest)} more units, worst channel of each: {tally(u.condition for u in rest)}", "bold"
        )

    return [titles(columns, width), *window(rows, height - 1, 0, more, width)]


def _channel_list(
    channels: Sequence[ChannelView], height: int, scroll: int, width: int, problems: list[str], *, short: bool
) -> list[Text]:
    columns = channel_columns(width)
    rows = [
        text
        for channel in channels
        for text in guarded(lambda c: [channel_row(c, columns, width, short=short)], channel, width, problems)
    ]

    def more(at: int) -> Cell:
        rest = channels[at:]
        return Cell(f"  {len(rest)} more below: {tally(c.condition for c in rest)}", "bold")

    return [titles(columns, width), *window(rows, height - 1, scroll, more, width)]


def _channel_page(snapshot: Snapshot, look: Look, canvas: Canvas, problems: list[str]) -> list[Text]:
    return _channel_list(snapshot.channels, canvas.height, look.scroll, canvas.width, problems, short=False)


def by_name(snapshot: Snapshot) -> list[UnitView]:
    """Return the units in the order of their names: the order in which a key steps through them."""
    return sorted(snapshot.units, key=lambda unit: unit.name)


def _unit_page(snapshot: Snapshot, look: Look, canvas: Canvas, problems: list[str]) -> list[Text]:
    units = by_name(snapshot)
    width = canvas.width
    if not units:
        return [line([Cell("this rig has no channels")], width)]
    at = look.unit % len(units)
    unit = units[at]
    facts = ", ".join(
        x for x in (unit.serial and f"serial {unit.serial}", unit.load and f"load {unit.load}") if x
    )
    title = f"{unit.name}  {facts}  ({at + 1} of {len(units)}: u next, U previous)"
    room = not unit.serial
    excursions = [e for e in snapshot.excursions if e.unit == unit.name or (room and e.unit is None)]
    subjects = {unit.name, *(channel.name for channel in unit.channels)}
    events = tuple(event for event in snapshot.events if event.subject in subjects)
    wanted = [len(unit.channels) + 1, len(excursions) + 1 if excursions else 0, len(events) + 1]
    heights = shares(canvas.height - 1, wanted, [8, 4 if excursions else 0, 0])
    lines = [heading(title, width)]
    lines += _channel_list(unit.channels, heights[0], look.scroll, width, problems, short=True)
    if heights[1] > 1:
        lines.append(heading("its excursions", width))
        rows = [excursion_row(e, snapshot.now_ns, canvas.zone, width) for e in excursions]
        lines += window(rows, heights[1] - 1, 0, lambda k: Cell(f"  {len(rows) - k} more: key x"), width)
    if heights[2] > 1:
        lines += _event_list(replace(snapshot, events=events), heights[2], 0, canvas, problems)
    return lines


def _instrument_page(snapshot: Snapshot, look: Look, canvas: Canvas, problems: list[str]) -> list[Text]:
    width = canvas.width
    columns = instrument_columns(width)
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


def _excursion_page(snapshot: Snapshot, look: Look, canvas: Canvas, problems: list[str]) -> list[Text]:
    width = canvas.width
    if not snapshot.excursions:
        return [line([Cell("no channel has been out of a limit for its on-delay in this run")], width)]
    rows = [
        text
        for e in snapshot.excursions
        for text in guarded(
            lambda e: [excursion_row(e, snapshot.now_ns, canvas.zone, width)], e, width, problems
        )
    ]
    title = "lasting excursions as they were read (certain order: postmortem), then ended ones"
    more = lambda at: Cell(f"  {len(rows) - at} more below", "bold")  # noqa: E731 - one line, one use
    return [heading(title, width), *window(rows, canvas.height - 1, look.scroll, more, width)]


def _event_list(
    snapshot: Snapshot, height: int, scroll: int, canvas: Canvas, problems: list[str]
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
    more = lambda at: Cell(f"  {len(rows) - at} older: key e", "dim")  # noqa: E731 - one line, one use
    return [heading(title, width), *window(rows, height - 1, scroll, more, width)]


def _event_page(snapshot: Snapshot, look: Look, canvas: Canvas, problems: list[str]) -> list[Text]:
    return _event_list(snapshot, canvas.height, look.scroll, canvas, problems)
