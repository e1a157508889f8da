"""Text tables from disk: what their bytes are like, and their readings as tracks."""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from rig.domain.model import Status
from rig.errors import ConfigFault, UsageError, shown
from rig.interchange import column_roles, dialect
from rig.interchange.byte_survey import Survey, lines, survey
from rig.interchange.cells import CellReader, Found
from rig.interchange.column_roles import Long, StampColumns, Wide
from rig.interchange.dialect import Dialect, split
from rig.interchange.limits_file import Meaning
from rig.interchange.rows import KEPT, Rows, with_status
from rig.interchange.table_tracks import Notes, ReadingRows, SourceFile


@dataclass(slots=True, kw_only=True)
class Opened:
    """A text table whose form is known, before its rows are read. channels: None where rows name them."""

    path: Path
    survey: Survey
    dialect: Dialect
    clock: StampColumns
    columns: Wide | Long
    notes: Notes
    meaning: Meaning

    @property
    def channels(self) -> tuple[str, ...] | None:
        """Channels that have a column; None in long form."""
        return self.columns.channels if isinstance(self.columns, Wide) else None

    @property
    def offered(self) -> tuple[str, ...]:
        """Names of the columns."""
        return self.dialect.names

    def read(self) -> SourceFile:
        """Return all readings of the file. Raises UsageError if there are none."""
        reading = _Wide(self) if isinstance(self.columns, Wide) else _Long(self)
        return reading.read()


def open_text(path: Path, meaning: Meaning) -> tuple[Opened, list[ConfigFault]]:
    """Return a text table with its form found out, and faults of the limits file. Raises UsageError."""
    seen = survey(path)
    notes = Notes(path.name)
    encoding, sentence = dialect.encoding_of(seen.start, utf8=seen.utf8, wanted=meaning.table.encoding)
    if b"\0" in seen.start and not encoding.startswith("utf-16"):
        raise UsageError(
            f"{path} holds zero bytes: no text, or UTF-16; then write table: {{encoding: utf-16}}"
        )
    sample = []
    for line in lines(path, encoding):
        sample.append(line)
        if len(sample) >= dialect.SAMPLE_LINES:
            break
    found = dialect.find(sample, encoding, meaning.table, path.name)
    rows = [split(line, found.delimiter) for line in sample[found.first - 1 :]]
    clock = column_roles.clock(found.names, rows, meaning, path.name)
    for text in (sentence, *found.said, *clock.said, f"lines end in {seen.line_ends}"):
        if text:
            notes.say("form", text)
    faults: list[ConfigFault] = []
    columns: Wide | Long
    if column_roles.is_long(found.names, meaning.table):
        columns = column_roles.long(found.names, meaning, path.name)
        notes.say("form", "long form: a line per reading")
    else:
        columns, faults = column_roles.wide(found.names, found.units, meaning, clock.columns)
        notes.say("form", f"wide form: {len(columns.channels)} of {len(found.names)} columns are channels")
        for k, name in enumerate(columns.channels):
            if columns.scales[k] != (1.0, 0.0):
                there, here = found.units[columns.columns[k]], meaning.channels[name].unit_of_measure
                notes.say("unit", f"{name}: the column is in {there}, converted to {here}")
        if columns.unused:
            notes.say("unused", f"columns without a channel, left out: {', '.join(columns.unused)}")
    opened = Opened(
        path=path, survey=seen, dialect=found, clock=clock, columns=columns, notes=notes, meaning=meaning
    )
    return opened, faults


@dataclass(slots=True)
class _Reading:
    """What both forms have in common: cells, line by line."""

    opened: Opened
    rows: Rows = field(init=False)

    def __post_init__(self) -> None:
        opened = self.opened
        self.rows = Rows(
            path=opened.path, sha256=opened.survey.sha256, meaning=opened.meaning, notes=opened.notes
        )

    def _lines(self) -> Iterator[tuple[int, list[str], bool]]:
        """Yield (line number, cells, whether the line is the last and has no end)."""
        opened = self.opened
        found = opened.dialect
        held: tuple[int, str] | None = None
        for number, line in enumerate(lines(opened.path, found.encoding), 1):
            if number < found.first:
                continue
            if held is not None:
                yield held[0], split(held[1], found.delimiter), False
            held = None
            if not line.strip():
                opened.notes.say("empty", "empty line, skipped", number)
                continue
            self.rows.count += 1
            held = (number, line)
        if held is not None:
            yield held[0], split(held[1], found.delimiter), not opened.survey.ended

    def _stamp(self, number: int, row: Sequence[str], before_ns: int | None) -> int | None:
        clock = self.opened.clock
        t_ns = self.rows.stamp(clock, number, clock.text(row), before_ns)
        if t_ns is None:
            self.rows.aside[-1] = replace(self.rows.aside[-1], text=self._text(row))
        return t_ns

    def _text(self, row: Sequence[str]) -> str:
        return self.opened.dialect.delimiter.join(row)

    def _source(self, tracks: Sequence[ReadingRows]) -> SourceFile:
        found, clock = self.opened.dialect, self.opened.clock
        facts: dict[str, object] = {
            "encoding": found.encoding, "delimiter": found.delimiter, "decimal": found.decimal,
            "thousands": found.thousands, "header_line": found.header_line,
            "time_columns": [found.names[k] for k in clock.columns], "time_format": clock.form,
        }  # fmt: skip
        return self.rows.source(tracks, facts)


class _Wide(_Reading):
    """Reads a table with a column per channel."""

    def read(self) -> SourceFile:
        """Return the file's readings."""
        opened = self.opened
        columns = opened.columns
        assert isinstance(columns, Wide)
        cells = CellReader(opened.dialect.decimal, opened.dialect.thousands, opened.meaning.words)
        width = len(opened.dialect.names)
        stamps, numbers = array("q"), array("q")
        values, codes = array("d"), bytearray()
        pairs = [*zip(columns.channels, columns.columns, columns.statuses, strict=True)]
        before: int | None = None
        for number, row, torn in self._lines():
            ragged = len(row) != width and self._ragged(number, row, width)
            t_ns = self._stamp(number, row, before)
            if t_ns is None:
                continue
            before = t_ns
            stamps.append(t_ns)
            numbers.append(number)
            for name, at, companion in pairs:
                text = row[at] if at < len(row) else ""
                if ragged or (torn and at >= len(row) - 1 and len(row) < width):
                    value, code, held = float("nan"), int(Status.BAD_REPLY), Found.BAD
                else:
                    value, code, held = cells.read(text)
                if companion >= 0 and not ragged:
                    written = row[companion] if companion < len(row) else ""
                    value, code, held = with_status(written, (value, code, held), opened.notes, number)
                if held is not Found.NUMBER:
                    opened.notes.say(held.name.lower(), f"{name}: {KEPT[held]}", number)
                values.append(value)
                codes.append(code)
        return self._source([self._track(columns, stamps, numbers, values, codes)])

    def _ragged(self, number: int, row: Sequence[str], width: int) -> bool:
        """Note a line of the wrong length; return whether nobody can say which cell is which."""
        if len(row) < width:
            self.opened.notes.say("short", "line with too few cells: what is missing is blank", number)
            return False
        if not any(cell.strip() for cell in row[width:]):
            return False
        text = "line with too many cells: kept as bad replies, their text set aside"
        self.opened.notes.say("long", text, number)
        self.rows.set_aside(number, self._text(row), f"{len(row)} cells, the header has {width}")
        return True

    def _track(
        self, columns: Wide, stamps: array[int], numbers: array[int], values: array[float], codes: bytearray
    ) -> ReadingRows:
        count = len(columns.channels)
        line = np.array(numbers, np.int64)
        t_ns, h_ns = self.rows.widths(np.array(stamps, np.int64), line)
        value = np.array(values, np.float64).reshape(-1, count)
        status = np.frombuffer(bytes(codes), np.uint8).reshape(-1, count).copy()
        for k, name in enumerate(columns.channels):
            channel = self.opened.meaning.channels[name]
            value[:, k], status[:, k] = column_roles.corrected(
                channel, columns.scales[k], value[:, k], status[:, k]
            )
        return ReadingRows(
            channels=columns.channels, t_ns=t_ns, h_ns=h_ns, value=value, status=status, line=line,
            file=np.zeros(len(line), np.int32),
        )  # fmt: skip


@dataclass(slots=True)
class _Pile:
    """The readings of one channel so far."""

    t_ns: array[int] = field(default_factory=lambda: array("q"))
    h_ns: array[int] = field(default_factory=lambda: array("q"))
    line: array[int] = field(default_factory=lambda: array("q"))
    value: array[float] = field(default_factory=lambda: array("d"))
    status: bytearray = field(default_factory=bytearray)


class _Long(_Reading):
    """Reads a table with a line per reading."""

    def read(self) -> SourceFile:
        """Return the file's readings: a track per channel."""
        opened = self.opened
        columns = opened.columns
        assert isinstance(columns, Long)
        cells = CellReader(opened.dialect.decimal, opened.dialect.thousands, opened.meaning.words)
        piles: dict[str, _Pile] = {}
        for number, row, _torn in self._lines():
            written = row[columns.channel].strip() if columns.channel < len(row) else ""
            name = columns.named.get(written)
            if name is None:
                opened.notes.say(
                    "unused", f"readings of {shown(written)}, not described in the limits file", number
                )
                continue
            pile = piles.setdefault(name, _Pile())
            t_ns = self._stamp(number, row, pile.t_ns[-1] if pile.t_ns else None)
            if t_ns is None:
                continue
            value, code, held = cells.read(row[columns.value] if columns.value < len(row) else "")
            if 0 <= columns.status < len(row):
                read = (value, code, held)
                value, code, held = with_status(row[columns.status], read, opened.notes, number)
            if held is not Found.NUMBER:
                opened.notes.say(held.name.lower(), f"{name}: {KEPT[held]}", number)
            pile.t_ns.append(t_ns)
            pile.line.append(number)
            pile.h_ns.append(self._half_width(columns, row, number))
            pile.value.append(value)
            pile.status.append(code)
        return self._source([self._track(name, pile) for name, pile in piles.items() if pile.t_ns])

    def _half_width(self, columns: Long, row: Sequence[str], number: int) -> int:
        """Return the half-width written beside a reading in ns, -1 where there is none."""
        text = row[columns.half_width].strip() if 0 <= columns.half_width < len(row) else ""
        if not text:
            return -1
        try:
            seconds = float(text.replace(",", "."))
        except ValueError:
            seconds = -1.0
        if not 0.0 <= seconds <= 86_400.0:
            self.opened.notes.say("half-width", f"the half-width {shown(text)} is none", number)
            return -1
        return round(seconds * 1e9)

    def _track(self, name: str, pile: _Pile) -> ReadingRows:
        line = np.array(pile.line, np.int64)
        t_ns, usual = self.rows.widths(np.array(pile.t_ns, np.int64), line)
        own = np.array(pile.h_ns, np.int64)
        value, status = column_roles.corrected(
            self.opened.meaning.channels[name],
            (1.0, 0.0),
            np.array(pile.value, np.float64),
            np.frombuffer(bytes(pile.status), np.uint8),
        )
        return ReadingRows(
            channels=(name,), t_ns=t_ns, h_ns=np.where(own >= 0, own, usual), value=value[:, None],
            status=status[:, None], line=line, file=np.zeros(len(line), np.int32),
        )  # fmt: skip
