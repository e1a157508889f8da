"""Rows of excursions: all of them, or those of the episodes that matter now, with consequences folded."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import tzinfo

from rich.cells import cell_len
from rich.text import Text

from rig.domain.formatting import clock_time, counted, duration, moment, number
from rig.view.cell_lines import GAP, Cell, ScreenColumn, line, row
from rig.view.row_tables import total
from rig.view.snapshot import ExcursionView, Snapshot
from rig.view.word_styles import FAINT, STRONG

_LONGEST_NAME = 40
_WIDTHS = (
    (14, 20, 17, 11),
    (10, 20, 17, 11),
    (10, 18, 16, 11),
    (10, 0, 16, 11),
    (10, 0, 0, 11),
    (8, 0, 0, 11),
)
"""Cells of beginning, limit, duration and rank in words: the first beside which names have their room."""


def excursion_columns(width: int, excursions: Iterable[ExcursionView]) -> list[ScreenColumn]:
    """Return the columns for a list of excursions."""
    names = min(_LONGEST_NAME, max((cell_len(e.channel) for e in excursions), default=0))
    for when, bound, lasted, words in _WIDTHS:
        fixed = [
            ScreenColumn(title="rank", width=3, right=True),
            ScreenColumn(title="began", width=when),
            ScreenColumn(title="channel", width=names),
            ScreenColumn(title="limit", width=bound),
            ScreenColumn(title="lasted", width=lasted),
            ScreenColumn(title="words", width=words),
        ]
        columns = [column for column in fixed if column.width]
        if total(columns) <= width:
            break
    return columns


def excursion_row(
    excursion: ExcursionView, columns: Sequence[ScreenColumn], now_ns: int, zone: tzinfo | None, width: int
) -> Text:
    """Return the line of one excursion: rank, beginning, channel, limit, duration."""
    widths = {column.title: column.width for column in columns}
    until = excursion.ended_ns if excursion.ended_ns is not None else now_ns
    lasted = duration((until - excursion.began_ns) / 1e9)
    lasting = excursion.ended_ns is None
    same_day = moment(now_ns, zone).date() == moment(excursion.began_ns, zone).date()
    when = clock_time(excursion.began_ns, zone, 1)
    if not same_day:
        when = f"{moment(excursion.began_ns, zone):%m-%d} {when[:8]}"
        if len(when) > widths["began"]:
            when = f"{moment(excursion.began_ns, zone):%d. %H:%M}"
    limit = number(excursion.limit, excursion.resolution)
    words = "first-out" if excursion.first_out else "consequence" if excursion.consequence else ""
    cells = {
        "rank": Cell(f"{excursion.place}."),
        "began": Cell(when[: widths["began"]]),
        "channel": Cell(excursion.channel, STRONG if lasting else ""),
        "limit": Cell(
            f"{'above' if excursion.side == 'high' else 'below'} {limit} {excursion.unit_of_measure}"
        ),
        "lasted": Cell(f"active {lasted}" if lasting else f"lasted {lasted}", "bold red" if lasting else ""),
        "words": Cell(words, STRONG if excursion.first_out else ""),
    }
    return row(columns, [cells[column.title] for column in columns], width)


def current(snapshot: Snapshot) -> list[ExcursionView]:
    """Return the excursions of the episodes that matter now, in the order in which the episodes began.

    An episode matters while one of it is active, or its unit failed, was tripped or is off unexplained. Of
    each the first-out stands first, ended or not; of an episode that is over all that led to the shutdown.
    """
    lost = {unit.name for unit in snapshot.units if unit.word is not None and unit.word.is_loss}
    episodes: dict[str | None, list[ExcursionView]] = {}
    for one in sorted(snapshot.excursions, key=lambda e: (e.began_ns, e.place)):
        if one.latched:
            episodes.setdefault(one.unit, []).append(one)
    found = []
    for unit, members in episodes.items():
        if unit in lost:
            found += members
        elif any(one.ended_ns is None for one in members):
            found += [one for one in members if one.ended_ns is None or one.first_out]
    return found


def in_order(excursions: Sequence[ExcursionView]) -> list[ExcursionView]:
    """Return excursions by unit, those of present and active episodes first, each from its first-out on.

    Episodes follow each other as they began; older excursions come last, newest first.
    """
    present = [one for one in excursions if one.latched or one.ended_ns is None]
    began: dict[str | None, int] = {}
    for one in present:
        began[one.unit] = min(one.began_ns, began.get(one.unit, one.began_ns))
    present.sort(key=lambda one: (began[one.unit], one.unit or "", one.began_ns))
    return [*present, *(one for one in excursions if not one.latched and one.ended_ns is not None)]


def folded_rows(
    excursions: Sequence[ExcursionView], snapshot: Snapshot, zone: tzinfo | None, width: int
) -> list[tuple[Text, int]]:
    """Return the lines of episodes, the consequences of each in one, and how many are active in each line."""
    shown = [one for one in excursions if not one.consequence]
    columns = excursion_columns(width, shown)
    lines: list[tuple[Text, int]] = []
    for unit in dict.fromkeys(one.unit for one in excursions):
        for one in (e for e in shown if e.unit == unit):
            text = excursion_row(one, columns, snapshot.as_of_ns, zone, width)
            lines.append((text, int(one.ended_ns is None)))
        folded = [e for e in excursions if e.consequence and e.unit == unit]
        if folded:
            words = f"    and {counted(len(folded), 'consequence')} of {unit} shutting down"
            active = sum(one.ended_ns is None for one in folded)
            lines.append((line([Cell(words, FAINT if not active else "")], width), active))
    return lines


def more_excursions(lines: Sequence[tuple[Text, int]], at: int) -> Cell:
    """Return what stands for the lines from ``at`` on, which have no room."""
    active = sum(one for _, one in lines[at:])
    words = f"{active} more active" if active else f"{len(lines) - at} more lines"
    return Cell(f"{GAP * 2}{words}: key x", STRONG)
