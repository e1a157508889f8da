"""``soakrig export``: a run, or part of it, as CSV, XLSX or Parquet for other programs.

Wide: a row per point of a common grid; each channel shows its last reading stamped at or before the
point, no older than a stated age. A companion column says its status: values stand only where there is
a number, and where there is no reading at all both are blank. Long: a row per reading, nothing left out.
"""

from __future__ import annotations

import fnmatch
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path

import numpy as np

from rig.domain.formatting import counted, duration, setting, stamp
from rig.domain.model import Layout, Status
from rig.errors import UsageError
from rig.interchange import grid
from rig.interchange.outfile import (
    SHEET_COLUMNS,
    SHEET_ROWS,
    Chunk,
    ColumnKind,
    CsvSheet,
    FileColumn,
    NumberFormat,
    ParquetSheet,
    Sheet,
    XlsxSheet,
    whole,
)
from rig.store.reader import RunReader

SUFFIXES = (".csv", ".xlsx", ".parquet")
CHUNK_ROWS = 50_000
AGE_POLLS = 2.5
"""A value is shown for so many polls of the slowest channel, unless told otherwise."""
NAMES = np.array([status.name for status in Status] + [""])
Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportSelection:
    """What to export. Times in UTC ns, None: as far as the run goes; every_s, age_s: None: by the polls.

    channels: names, () for all (of ``unit``, if given, else of the run). zone: of local time, None for
    this machine's. decimal: ``.`` or ``,`` (CSV only). statuses: whether to add companion columns.
    """

    channels: tuple[str, ...] = ()
    unit: str | None = None
    start_ns: int | None = None
    end_ns: int | None = None
    every_s: float | None = None
    age_s: float | None = None
    long: bool = False
    statuses: bool = True
    zone: tzinfo | None = None
    decimal: str = "."


@dataclass(frozen=True, slots=True, kw_only=True)
class _ExportPlan:
    """Channels, first and last moment, the grid (0 in long form), and how long a reading counts."""

    channels: tuple[str, ...]
    start_ns: int
    end_ns: int
    every_ns: int
    age_ns: int

    @property
    def points(self) -> int:
        """Number of points of the grid."""
        return -(-self.end_ns // self.every_ns) - -(-self.start_ns // self.every_ns) + 1


def export(
    path: Path, to: Path, wanted: ExportSelection, *, force: bool = False, say: Say = lambda _text: None
) -> int:
    """Write the file and return its number of rows.

    Raises UsageError (unknown channel, too many rows for a sheet, file exists), StoreError, FormatError.
    """
    if to.suffix.lower() not in SUFFIXES:
        raise UsageError(f"--to {to}: the name must end in {', '.join(SUFFIXES)}, found {to.suffix!r}")
    if wanted.decimal == "," and to.suffix.lower() != ".csv":
        raise UsageError("decimal commas are for CSV; other files hold numbers, not texts")
    run = RunReader.open(path)
    plan = _plan(run, wanted)
    columns = _long_columns() if wanted.long else _wide_columns(run.layout, plan, wanted)
    rows = _long_rows(run, plan) if wanted.long else plan.points
    _check_sheet(to, rows, len(columns), wanted)
    look = NumberFormat(zone=wanted.zone, digits=6 if wanted.long else grid.digits_of(plan.every_ns),
                decimal=wanted.decimal)  # fmt: skip
    about = _about(run, plan, wanted)
    with whole(to, force=force) as part:
        sheet = _sheet(to, part, columns, look, about)
        try:
            chunks = _long(run, plan) if wanted.long else _wide(run, plan, wanted)
            written = _fill(sheet, chunks, rows, say)
        finally:
            sheet.close()
    for name, text in about.items():
        say(f"{name}: {text}")
    for one in run.skipped:
        say(f"not in it: {one.path}: {one.reason}")
    return written


def _sheet(
    to: Path, part: Path, columns: Sequence[FileColumn], look: NumberFormat, about: dict[str, str]
) -> Sheet:
    kind = to.suffix.lower()
    if kind == ".csv":
        return CsvSheet(part, columns, look)
    return (XlsxSheet if kind == ".xlsx" else ParquetSheet)(part, columns, look, about)


def _check_sheet(to: Path, rows: int, columns: int, wanted: ExportSelection) -> None:
    if to.suffix.lower() != ".xlsx":
        return
    if rows + 1 > SHEET_ROWS:
        way = "a shorter period" if wanted.long else "a longer --every, or a shorter period"
        raise UsageError(
            f"{rows:,} rows do not fit a sheet, which holds {SHEET_ROWS:,} with the header; write --from and "
            f"--until for {way}, or export to .csv or .parquet"
        )
    if columns > SHEET_COLUMNS:
        raise UsageError(f"{columns} columns do not fit a sheet of {SHEET_COLUMNS}; name fewer --channels")


def _plan(run: RunReader, wanted: ExportSelection) -> _ExportPlan:
    layout = run.layout
    channels = _channels(layout, wanted)
    first, last = run.span
    start = first if wanted.start_ns is None else wanted.start_ns
    end = last if wanted.end_ns is None else wanted.end_ns
    if first == last == 0:
        raise UsageError(f"{run.path} has no readings; nothing to export")
    if start > end:
        raise UsageError(f"the period ends ({stamp(end)}) before it begins ({stamp(start)})")
    polls_s = [
        layout.instruments[source.instrument].poll_s
        for name in channels
        if (source := layout.channels[name].source) is not None and source.instrument in layout.instruments
    ]
    polls_s = [one for one in polls_s if one > 0] or [1.0]
    every_s = wanted.every_s if wanted.every_s is not None else min(polls_s)
    every_ns = round(every_s * 1e6) * 1000
    if every_ns <= 0:
        raise UsageError(f"--every {setting(every_s, 's')}: the grid needs at least a microsecond")
    age_s = wanted.age_s if wanted.age_s is not None else max(AGE_POLLS * max(polls_s), every_s)
    return _ExportPlan(
        channels=channels, start_ns=start, end_ns=end, every_ns=every_ns, age_ns=round(age_s * 1e9)
    )


def _channels(layout: Layout, wanted: ExportSelection) -> tuple[str, ...]:
    if wanted.unit is not None and wanted.unit not in layout.units:
        raise UsageError(
            f"no unit named {wanted.unit!r} in this recording; there are: {_listed(layout.units)}"
        )
    meant: dict[str, None] = {}
    for name in wanted.channels:
        found = [name] if name in layout.channels else fnmatch.filter(layout.channels, name)
        if not found:
            raise UsageError(
                f"no channel named {name!r} in this recording; there are: {_listed(layout.channels)}"
            )
        meant.update(dict.fromkeys(found))
    if meant:
        return tuple(meant)
    return tuple(n for n, one in layout.channels.items() if wanted.unit is None or one.unit == wanted.unit)


def _listed(names: object) -> str:
    return ", ".join(map(str, names)) or "none"  # type: ignore[call-overload]


def _about(run: RunReader, plan: _ExportPlan, wanted: ExportSelection) -> dict[str, str]:
    """Return what the file is, in words: for the reader of the terminal, of the sheet, of the metadata."""
    about = {
        "run": f"{run.dir.name} of rig {run.dir.rig}, {run.state}",
        "stretch": f"{stamp(plan.start_ns, decimals=3)} to {stamp(plan.end_ns, decimals=3)}",
    }
    if wanted.long:
        about["rows"] = "one per reading, by channel, in recorded order"
        about["half_width_s"] = "the value was taken within this many seconds of its stamp"
        return about
    about["grid"] = (
        f"every {duration(plan.every_ns / 1e9)}; each value is the last reading stamped at or before that "
        f"time, no older than {duration(plan.age_ns / 1e9)}"
    )
    about["blank"] = (
        "no value; the status column says why, and is blank too where no reading is recent enough"
        if wanted.statuses
        else "no recent reading, or none that is good"
    )
    return about


def _wide_columns(layout: Layout, plan: _ExportPlan, wanted: ExportSelection) -> list[FileColumn]:
    columns = [
        FileColumn(name="time_utc", kind=ColumnKind.UTC),
        FileColumn(name="time_local", kind=ColumnKind.LOCAL),
    ]
    for name in plan.channels:
        unit = layout.channels[name].unit_of_measure
        columns.append(FileColumn(name=f"{name} [{unit}]", kind=ColumnKind.NUMBER))
        if wanted.statuses:
            columns.append(FileColumn(name=f"{name} status", kind=ColumnKind.TEXT))
    return columns


def _long_columns() -> list[FileColumn]:
    texts = {
        "channel": ColumnKind.TEXT,
        "value": ColumnKind.NUMBER,
        "unit": ColumnKind.TEXT,
        "status": ColumnKind.TEXT,
        "half_width_s": ColumnKind.NUMBER,
    }
    times = [
        FileColumn(name="time_utc", kind=ColumnKind.UTC),
        FileColumn(name="time_local", kind=ColumnKind.LOCAL),
    ]
    return [*times, *(FileColumn(name=name, kind=kind) for name, kind in texts.items())]


def _long_rows(run: RunReader, plan: _ExportPlan) -> int:
    return sum(len(run.series(name, plan.start_ns, plan.end_ns)) for name in plan.channels)


def _fill(sheet: Sheet, chunks: Iterator[Chunk], rows: int, say: Say) -> int:
    """Write all rows; return their number."""
    written, reported = 0, 0
    for chunk in chunks:
        sheet.add(chunk)
        written += len(chunk[0])
        if rows > 10 * CHUNK_ROWS and written * 10 // rows > reported:
            reported = written * 10 // rows
            say(f"{reported * 10} % of {counted(rows, 'row')} written")
    return written


def _wide(run: RunReader, plan: _ExportPlan, wanted: ExportSelection) -> Iterator[Chunk]:
    points = grid.points(plan.start_ns, plan.end_ns, plan.every_ns)
    for at in range(0, len(points), CHUNK_ROWS):
        here = points[at : at + CHUNK_ROWS]
        chunk: list[object] = [here, here]
        for name in plan.channels:
            series = run.series(name, int(here[0]) - plan.age_ns, int(here[-1]))
            where = grid.held(series, here, plan.age_ns)
            value = np.append(series.value, np.nan)[where]
            status = np.append(series.status, np.uint8(len(Status)))[where]
            shown = Status.SUSPECT if wanted.statuses else Status.GOOD
            chunk.append(np.where(status <= shown, value, np.nan))
            if wanted.statuses:
                chunk.append(NAMES[np.minimum(status, len(Status))].tolist())
        yield chunk


def _long(run: RunReader, plan: _ExportPlan) -> Iterator[Chunk]:
    for name in plan.channels:
        unit = run.layout.channels[name].unit_of_measure
        series = run.series(name, plan.start_ns, plan.end_ns)
        for at in range(0, len(series), CHUNK_ROWS):
            part = slice(at, at + CHUNK_ROWS)
            t_ns = series.t_ns[part]
            status = NAMES[np.minimum(series.status[part], len(Status))].tolist()
            value = np.where(series.status[part] <= Status.SUSPECT, series.value[part], np.nan)
            yield [t_ns, t_ns, [name] * len(t_ns), value, [unit] * len(t_ns), status,
                   series.h_ns[part] / 1e9]  # fmt: skip
