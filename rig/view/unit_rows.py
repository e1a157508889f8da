"""Rows of the list of units: state, then the worst channel that is read, or since when the unit is down."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from itertools import product

from rich.cells import cell_len
from rich.text import Text

from rig.domain.formatting import NOTHING, clock_time, counted, moment
from rig.domain.operating_state import Certainty
from rig.view.cell_lines import GAP, Cell, ScreenColumn, line, row
from rig.view.row_tables import Widths, measured, state_cell, tally, total
from rig.view.snapshot import ExcursionView, Snapshot, UnitView
from rig.view.state_words import StateWord
from rig.view.word_styles import ALARM, STRONG, STYLES

_LONGEST_UNIT = 14
_LONGEST_QUANTITY = 24
"""Cells that the name of a unit, and of a quantity, can take."""
BLIND = "blind"
"""Title of the column of channels that are not read."""
UNIT_WIDTHS = (
    Widths(10, 6, 12, 12, 8, 9, 9),
    Widths(10, 6, 8, 12, 0, 9, 9),
    Widths(9, 5, 0, 10, 0, 9, 9),
    Widths(9, 5, 0, 10, 0, 0, 11),
    Widths(9, 5, 0, 10, 0, 0, 0),
)
"""What was measured, from rich to poor, while all names have their room, those of blind channels too."""
POOR_WIDTHS = (
    (Widths(9, 5, 0, 10, 0, 0, 11), 8),
    (Widths(9, 5, 0, 10, 0, 0, 0), 8),
    (Widths(9, 5, 0, 0, 0, 0, 0), 8),
    (Widths(), 8),
    (Widths(), len(BLIND)),
)
"""The same where the blind channels are only counted, with the cells of their number."""
_AFTER = ("margin", "used", "trend", "limit in", BLIND)
"""Columns that keep their place in the row of a unit that is down."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitNames:
    """Cells of the longest names in the list: of the units, of the quantities, of a unit's blind channels."""

    unit: int
    quantity: int
    blind: int = 0


def names_of(units: Iterable[UnitView]) -> UnitNames:
    """Return the cells that the names of units and of all their quantities take."""
    units = list(units)
    quantities = (cell_len(channel.quantity) for unit in units for channel in unit.channels)
    return UnitNames(
        unit=min(_LONGEST_UNIT, max((cell_len(unit.name) for unit in units), default=0)),
        quantity=min(_LONGEST_QUANTITY, max(quantities, default=0)),
        blind=max((cell_len(_blind_names(unit)) for unit in units), default=0),
    )


def unit_columns(width: int, names: UnitNames) -> list[ScreenColumn]:
    """Return the columns of the list of units."""
    name = ScreenColumn(title="unit", width=max(len("unit"), names.unit))
    least = max(len("worst"), names.quantity)
    named = max(len(BLIND), names.blind)
    for widths, blind in (*((one, named) for one in UNIT_WIDTHS), *POOR_WIDTHS):
        fixed = [
            ScreenColumn(title="cond.", width=8),
            *widths.columns(),
            ScreenColumn(title=BLIND, width=blind),
        ]
        left = width - total([name, ScreenColumn(title="state", width=8), *fixed]) - len(GAP)
        if left >= least:
            break
    worst = ScreenColumn(title="worst", width=max(1, min(left, max(least, _LONGEST_QUANTITY))))
    return [name, ScreenColumn(title="state", width=8), worst, *fixed]


def _blind_names(unit: UnitView) -> str:
    if unit.blind and len(unit.blind) == len(unit.channels):
        return "all"
    return ", ".join(sorted(channel.quantity for channel in unit.blind))


def blind_words(unit: UnitView, width: int) -> str:
    """Return the quantities that are not read, or how many where there is no room for their names."""
    count = len(unit.blind)
    variants = [_blind_names(unit), f"{count} of {len(unit.channels)}", f"{count}"]
    return next((words for words in variants if cell_len(words) <= width), "")


def unit_row(
    unit: UnitView, columns: list[ScreenColumn], width: int, now_ns: int, zone: tzinfo | None
) -> Text:
    """Return the line of one unit."""
    state = Cell("") if unit.word is None else state_cell(unit.word)
    if unit.state is None and unit.serial:
        state = Cell(NOTHING)
    if unit.is_down:
        words = since_words(unit, _middle(columns).width, now_ns, zone)
        return _down_row(unit, [Cell(unit.name, STRONG), state, Cell(words)], columns, width)
    worst = unit.worst
    if worst is None:
        return line([Cell(unit.name, STRONG), Cell("  no channels", "dim")], width)
    out = sum(1 for c in unit.channels if c.condition.is_trouble and not c.condition.is_blind)
    others = f" +{out - 1}" if out > 1 else ""
    room = next(column.width for column in columns if column.title == "worst")
    quantity = worst.quantity + (others if cell_len(worst.quantity + others) <= room else "")
    cells = [Cell(unit.name, STRONG), state, Cell(quantity), state_cell(worst.condition)]
    blind = Cell(blind_words(unit, columns[-1].width), "magenta")
    return row(columns, [*cells, *measured(worst, columns), blind], width)


def _middle(columns: Sequence[ScreenColumn]) -> ScreenColumn:
    """Return the columns between state and margin as one, for words."""
    return ScreenColumn(title="", width=total([c for c in columns[2:] if c.title not in _AFTER]))


def _down_row(unit: UnitView, first: Sequence[Cell], columns: Sequence[ScreenColumn], width: int) -> Text:
    """Return the line of a unit whose limits sleep, so that no margin can be given."""
    after = [column for column in columns[2:] if column.title in _AFTER]
    cells = list(first)
    for column in after:
        empty = NOTHING if column.title == "margin" else ""
        cells.append(Cell(blind_words(unit, column.width) if column.title == BLIND else empty))
    return row([*columns[:2], _middle(columns), *after], cells, width)


def since_words(unit: UnitView, width: int, now_ns: int, zone: tzinfo | None) -> str:
    """Return since when a unit is in its state, and its first-out, in as many words as ``width`` allows."""
    if unit.state is None or unit.word is StateWord.ABSENT:
        return "nobody installed" if unit.state is not None else ""
    when = time_words(unit.state.since_ns, now_ns, zone)
    first = unit.first_out if unit.word is not None and unit.word.is_loss else ()
    sure = f" ({unit.state.certainty})" if unit.state.certainty is not Certainty.CERTAIN else ""
    variants = [f"since {when}{sure}", f"since {when}", when]
    if len(first) > 1:
        together = f"first-out {len(first)} channels at once"
        variants = [f"since {when}{sure}, {together}", f"since {when}, {together}", *variants]
    elif first:
        name, side = short_name(first[0]), first[0].side
        variants = [
            f"since {when}{sure}, first-out {name} ({side} limit)",
            f"since {when}{sure}, first-out {name} ({side})",
            f"since {when}, first-out {name} ({side})",
            f"since {when}, first-out {name}",
            f"{when} first-out {name}",
            f"first-out {name}",
            *variants,
        ]
    return next((one for one in variants if cell_len(one) <= width), variants[-1])


def short_name(excursion: ExcursionView) -> str:
    """Return the quantity of an excursion's channel, or its whole name where it belongs to no unit."""
    return excursion.channel.removeprefix(f"{excursion.unit}.") if excursion.unit else excursion.channel


def time_words(t_ns: int, now_ns: int, zone: tzinfo | None) -> str:
    """Return the time of day, with the date in front where it was another day."""
    when = clock_time(t_ns, zone)
    same_day = moment(now_ns, zone).date() == moment(t_ns, zone).date()
    return when if same_day else f"{moment(t_ns, zone):%m-%d} {when}"


def losses_line(snapshot: Snapshot, width: int, zone: tzinfo | None) -> Text | None:
    """Return ``A2 FAILED 04:22:55, 5 units driven``, or None where no unit failed or was tripped."""
    lost = [u for u in snapshot.units if u.word in {StateWord.FAILED, StateWord.SUSPECTED, StateWord.TRIPPED}]
    if not lost:
        return None
    words = [unit.word for unit in snapshot.units]
    driven, unread = words.count(StateWord.DRIVEN), words.count(StateWord.NOT_READ)
    rests = [f"{counted(driven, 'unit')} driven", f"{driven} driven"]
    if unread:
        rests = [f"{rest}, {unread} not read" for rest in rests]
    if driven and not snapshot.live:
        rests.insert(0, f"{rests[0]} when last read")
    pieces = [_loss_words(unit, snapshot.now_ns, zone) for unit in lost]
    for shown, rest in product(range(len(pieces), 0, -1), rests):
        more = f"{len(pieces) - shown} more" if shown < len(pieces) else ""
        if cell_len(", ".join(filter(None, [*pieces[:shown], more, rest]))) <= width:
            break
    cells: list[Cell] = []
    for unit, piece in zip(lost[:shown], pieces, strict=False):
        cells += [Cell(piece, STYLES[unit.word] if unit.word else ALARM), Cell(", ")]
    return line([*cells, *([Cell(f"{more}, ", STRONG)] if more else []), Cell(rest, STRONG)], width)


def _loss_words(unit: UnitView, now_ns: int, zone: tzinfo | None) -> str:
    assert unit.state is not None
    return f"{unit.name} {unit.state.word.value} {time_words(unit.state.since_ns, now_ns, zone)}"


def more_units(rest: Sequence[UnitView]) -> Cell:
    """Return what stands for units below the last line: their states and worst conditions, counted."""
    states = tally(unit.word for unit in rest if unit.word is not None)
    conditions = tally(unit.condition for unit in rest if not unit.is_down)
    words = "; ".join(filter(None, [states, f"worst channel of each: {conditions}" if conditions else ""]))
    return Cell(f"  {counted(len(rest), 'more unit')}: {words}", STRONG)
