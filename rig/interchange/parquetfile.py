"""Parquet tables: their readings as tracks. Columns are read whole, types are those of the file."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from drivers.bus.numbers import INFINITY, NOT_A_NUMBER
from rig.domain.model import Status
from rig.errors import ConfigFault, UsageError
from rig.interchange import column_roles
from rig.interchange.cells import CellReader, Found
from rig.interchange.column_roles import Long, StampColumns, Wide
from rig.interchange.dialect import unit_in
from rig.interchange.limits_file import DECIMALS, Meaning
from rig.interchange.rows import KEPT, REMARKS, Rows, with_status
from rig.interchange.table_tracks import Ints, Notes, ReadingRows, SourceFile
from rig.interchange.text_stamps import FIRST_NS, LAST_NS, SECOND_NS, Zoned

BLOCK = 1 << 20
SAMPLE_ROWS = 300
UNIT_NS = {"s": SECOND_NS, "ms": 1_000_000, "us": 1000, "ns": 1}
OWN_HALF_WIDTH = "half_width"
"""Column of soakrig's own readings files: microseconds."""
Floats = NDArray[np.float64]
Codes = NDArray[np.uint8]


@dataclass(slots=True, kw_only=True)
class OpenedParquet:
    """A Parquet table whose form is known. clock None: the stamps are a column of timestamps."""

    path: Path
    table: Any
    time: int
    clock: StampColumns | None
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
        return tuple(self.table.column_names)

    def read(self) -> SourceFile:
        """Return all readings of the file. Raises UsageError if there are none."""
        rows = Rows(path=self.path, sha256=_sha256(self.path), meaning=self.meaning, notes=self.notes)
        rows.count = self.table.num_rows
        good, t_ns = self._stamps(rows)
        line = np.flatnonzero(good) + 1
        tracks = self._wide(rows, good, t_ns, line) if isinstance(self.columns, Wide) else None
        if tracks is None:
            tracks = self._long(rows, good, t_ns, line)
        facts: dict[str, object] = {"form": "Parquet", "time_column": self.table.column_names[self.time]}
        return rows.source(tracks, facts)

    def _stamps(self, rows: Rows) -> tuple[NDArray[np.bool_], Ints]:
        """Return which rows have a good stamp, and those stamps."""
        column = self.table.column(self.time)
        if self.clock is not None:
            return self._written_stamps(rows, column.to_pylist())
        null = np.asarray(column.is_null().to_numpy(zero_copy_only=False), dtype=bool)
        numbers = column.cast(pa.int64()).fill_null(0).to_numpy()
        scale = UNIT_NS[column.type.unit]
        good = ~null & (numbers >= FIRST_NS // scale) & (numbers <= LAST_NS // scale)
        for k in np.flatnonzero(~good):
            written = "no time" if null[k] else f"{column.type}: {numbers[k]}"
            rows.no_stamp(int(k) + 1, written, "no time, or one that cannot be kept")
        t_ns = numbers[good].astype(np.int64) * scale
        if column.type.tz is None and self.meaning.time.zone not in {None, UTC}:
            t_ns = self._zoned(t_ns, np.flatnonzero(good) + 1)
        rows.step_ns = _step_ns(t_ns)
        return good, t_ns

    def _zoned(self, local_ns: Ints, line: Ints) -> Ints:
        zone = self.meaning.time.zone
        assert zone is not None
        here = Zoned(zone)
        made: list[int] = []
        for number, local in zip(line.tolist(), local_ns.tolist(), strict=True):
            t_ns, remark = here.utc(local, made[-1] if made else None)
            made.append(t_ns)
            if remark:
                self.notes.say(remark, REMARKS[remark], number)
        return np.array(made, np.int64)

    def _written_stamps(self, rows: Rows, cells: Sequence[Any]) -> tuple[NDArray[np.bool_], Ints]:
        assert self.clock is not None
        good = np.zeros(len(cells), dtype=bool)
        made: list[int] = []
        for k, cell in enumerate(cells):
            text = "" if cell is None else str(cell)
            t_ns = rows.stamp(self.clock, k + 1, text, made[-1] if made else None)
            if t_ns is not None:
                good[k] = True
                made.append(t_ns)
        return good, np.array(made, np.int64)

    # ---- values

    def _wide(self, rows: Rows, good: NDArray[np.bool_], t_ns: Ints, line: Ints) -> list[ReadingRows]:
        columns = self.columns
        assert isinstance(columns, Wide)
        t_ns, h_ns = rows.widths(t_ns, line)
        values, statuses = [], []
        for k, name in enumerate(columns.channels):
            value, status = self._numbers(columns.columns[k], good, line, name)
            if columns.statuses[k] >= 0:
                value, status = self._with_statuses(columns.statuses[k], good, line, value, status)
            value, status = column_roles.corrected(
                self.meaning.channels[name], columns.scales[k], value, status
            )
            values.append(value)
            statuses.append(status)
        return [ReadingRows(
            channels=columns.channels, t_ns=t_ns, h_ns=h_ns, value=np.column_stack(values),
            status=np.column_stack(statuses), line=line, file=np.zeros(len(line), np.int32),
        )]  # fmt: skip

    def _long(self, rows: Rows, good: NDArray[np.bool_], t_ns: Ints, line: Ints) -> list[ReadingRows]:
        columns = self.columns
        assert isinstance(columns, Long)
        names = self.table.column(columns.channel).filter(pa.array(good)).combine_chunks()
        names = names if pa.types.is_dictionary(names.type) else names.dictionary_encode()
        codes = np.asarray(names.indices.fill_null(-1).to_numpy(zero_copy_only=False)).astype(np.int64)
        value, status = self._numbers(columns.value, good, line, "value")
        if columns.status >= 0:
            value, status = self._with_statuses(columns.status, good, line, value, status)
        t_ns, h_ns = rows.widths(t_ns, line)
        h_ns = self._own_widths(columns, good, h_ns)
        tracks = []
        for code, written in enumerate(names.dictionary.to_pylist()):
            mine = codes == code
            name = columns.named.get(str(written))
            if name is None:
                text = f"readings of {written!r}, not described in the limits file"
                self.notes.say("unused", text, count=int(mine.sum()))
                continue
            number, state = column_roles.corrected(
                self.meaning.channels[name], (1.0, 0.0), value[mine], status[mine]
            )
            tracks.append(ReadingRows(
                channels=(name,), t_ns=t_ns[mine], h_ns=h_ns[mine], value=number[:, None],
                status=state[:, None], line=line[mine], file=np.zeros(int(mine.sum()), np.int32),
            ))  # fmt: skip
        return tracks

    def _own_widths(self, columns: Long, good: NDArray[np.bool_], h_ns: Ints) -> Ints:
        """Return half-widths, those written beside the readings where there are such."""
        names = self.table.column_names
        at, scale = columns.half_width, 1e9
        if at < 0 and OWN_HALF_WIDTH in names:
            at, scale = names.index(OWN_HALF_WIDTH), 1e3
            self.notes.say("form", "half-widths from the column half_width, in microseconds")
        if at < 0 or not _is_number(self.table.column(at).type):
            return h_ns
        written = self.table.column(at).filter(pa.array(good)).cast(pa.float64()).to_numpy() * scale
        usable = (written >= 0) & (written <= 86_400e9)
        return np.where(usable, np.where(usable, written, 0).round().astype(np.int64), h_ns)

    def _numbers(self, at: int, good: NDArray[np.bool_], line: Ints, name: str) -> tuple[Floats, Codes]:
        """Return values and statuses of a column, NaN where the status has no number."""
        column = self.table.column(at).filter(pa.array(good))
        if _is_text(column.type):
            return self._words(column.to_pylist(), line, name)
        if not _is_number(column.type):
            raise UsageError(
                f"{self.path}: the column {self.table.column_names[at]!r} holds {column.type}, not numbers"
            )
        value = np.asarray(column.cast(pa.float64(), safe=False).to_numpy(), dtype=np.float64)
        with np.errstate(invalid="ignore"):
            none = np.isnan(value) | np.isclose(value, NOT_A_NUMBER, rtol=1e-6, atol=0)
            beyond = ~none & (np.isinf(value) | np.isclose(np.abs(value), INFINITY, rtol=1e-6, atol=0))
        status = np.zeros(len(value), np.uint8)
        status[none] = Status.NO_VALUE
        status[beyond] = np.where(value[beyond] > 0, int(Status.OVER), int(Status.UNDER))
        self._note(none, line, f"{name}: {KEPT[Found.BLANK]}")
        self._note(beyond, line, f"{name}: beyond its range, kept as such")
        return np.where(none | beyond, np.nan, value), status

    def _note(self, mask: NDArray[np.bool_], line: Ints, text: str) -> None:
        for k in np.flatnonzero(mask)[:3]:
            self.notes.say("blank", text, int(line[k]))
        if (more := int(mask.sum()) - 3) > 0:
            self.notes.say("blank", text, count=more)

    def _words(self, cells: Sequence[Any], line: Ints, name: str) -> tuple[Floats, Codes]:
        reader = CellReader(DECIMALS.get(self.meaning.table.decimal, "."), "", self.meaning.words)
        value, status = np.full(len(cells), np.nan), np.zeros(len(cells), np.uint8)
        for k, cell in enumerate(cells):
            value[k], status[k], held = reader.read("" if cell is None else str(cell))
            if held is not Found.NUMBER:
                self.notes.say(held.name.lower(), f"{name}: {KEPT[held]}", int(line[k]))
        return value, status

    def _with_statuses(
        self,
        at: int,
        good: NDArray[np.bool_],
        line: Ints,
        value: NDArray[np.float64],
        status: NDArray[np.uint8],
    ) -> tuple[Floats, Codes]:
        value, status = value.copy(), status.copy()
        for k, cell in enumerate(self.table.column(at).filter(pa.array(good)).to_pylist()):
            if cell is None or cell in {"GOOD", 0}:
                continue
            read = (float(value[k]), int(status[k]), Found.NUMBER)
            value[k], status[k], _ = with_status(str(cell), read, self.notes, int(line[k]))
        return value, status


def open_parquet(path: Path, meaning: Meaning) -> tuple[OpenedParquet, list[ConfigFault]]:
    """Return a Parquet table with its form found out, and faults of the limits file. Raises UsageError."""
    try:
        table = pq.read_table(path, partitioning=None, page_checksum_verification=True)
        table.validate(full=True)
        table.column_names  # noqa: B018 - names that are no UTF-8 are found out here
    except (OSError, pa.ArrowException, UnicodeDecodeError) as error:
        raise UsageError(f"{path}: not a readable Parquet file: {error}") from None
    names = tuple(table.column_names)
    notes = Notes(path.name)
    time, clock = _time(table, names, meaning, path.name)
    kind = table.column(time).type
    if clock is None:
        notes.say("form", f"stamps from {names[time]!r}, {kind}")
        if kind.tz is None:
            zone = meaning.time.zone or "UTC, because the limits file names none"
            notes.say("form", f"stamps name no zone: taken as {zone}")
    for text in clock.said if clock else ():
        notes.say("form", text)
    faults: list[ConfigFault] = []
    columns: Wide | Long
    if column_roles.is_long(names, meaning.table):
        columns = column_roles.long(names, meaning, path.name)
        notes.say("form", "long form: a row per reading")
    else:
        units = tuple(unit_in(one) for one in names)
        columns, faults = column_roles.wide(names, units, meaning, (time,))
        notes.say("form", f"wide form: {len(columns.channels)} of {len(names)} columns are channels")
        if columns.unused:
            notes.say("unused", f"columns without a channel, left out: {', '.join(columns.unused)}")
    opened = OpenedParquet(
        path=path, table=table, time=time, clock=clock, columns=columns, notes=notes, meaning=meaning
    )
    return opened, faults


def _time(table: Any, names: Sequence[str], meaning: Meaning, file: str) -> tuple[int, StampColumns | None]:
    """Return the column of the stamps, and how they are read where they are no timestamps."""
    wanted = meaning.time.column
    stamped = [k for k in range(len(names)) if pa.types.is_timestamp(table.column(k).type)]
    if not wanted and stamped:
        zoned = [k for k in stamped if table.column(k).type.tz is not None]
        return next((k for k in zoned if "utc" in names[k].lower()), (zoned or stamped)[0]), None
    if isinstance(wanted, str) and wanted in names and names.index(wanted) in stamped:
        return names.index(wanted), None
    clock = column_roles.clock(names, list(_sample(table)), meaning, file)
    if len(clock.columns) != 1:
        raise UsageError(f"{file}: stamps in several columns are for text files; name one column")
    return clock.columns[0], clock


def _sample(table: Any) -> Iterator[list[str]]:
    head = table.slice(0, SAMPLE_ROWS)
    for row in zip(*(column.to_pylist() for column in head.columns), strict=True):
        yield ["" if cell is None else str(cell) for cell in row]


def _step_ns(t_ns: Ints) -> int:
    """Return the largest power of ten of a ns, up to a second, that all stamps are multiples of."""
    if not len(t_ns):
        return SECOND_NS
    common = int(np.gcd.reduce(np.abs(t_ns)))
    step = 1
    while step < SECOND_NS and common % (step * 10) == 0:
        step *= 10
    return step


def _is_number(kind: Any) -> bool:
    return bool(
        pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_decimal(kind)
        or pa.types.is_null(kind)
    )  # fmt: skip


def _is_text(kind: Any) -> bool:
    return bool(
        pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_dictionary(kind)
        or pa.types.is_string_view(kind)
    )  # fmt: skip


def _sha256(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(BLOCK):
            digest.update(block)
    return digest.hexdigest()
