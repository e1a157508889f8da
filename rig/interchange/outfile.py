"""Files for other programs, written whole or not at all: CSV, XLSX and Parquet from columns."""

from __future__ import annotations

import csv
import enum
import io
import math
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from rig.domain.formatting import plain
from rig.errors import StoreError, UsageError
from rig.interchange import grid
from rig.store.files import OS_DISK, discard, temporary

SHEET_ROWS = 1_048_576
SHEET_COLUMNS = 16_384
"""What one sheet of an XLSX file holds (ECMA-376 applications' limit, as published by their makers)."""
_DANGEROUS = ("=", "+", "-", "@", "\t", "\r")
TIME_FORMAT = "yyyy-mm-dd hh:mm:ss.000"


class ColumnKind(enum.Enum):
    """What a column holds: times as UTC ns, shown in UTC or local; float64 with NaN for nothing; texts."""

    UTC = "utc"
    LOCAL = "local"
    NUMBER = "number"
    TEXT = "text"


@dataclass(frozen=True, slots=True, kw_only=True)
class FileColumn:
    """One column of a table: its header and what it holds."""

    name: str
    kind: ColumnKind


Chunk = Sequence[Any]
"""Some rows: an array (times: int64 UTC ns; numbers: float64) or a list of texts for each column."""


class Sheet(Protocol):
    """An open table."""

    def add(self, chunk: Chunk) -> None:
        """Append rows."""
        ...

    def close(self) -> None:
        """End the table."""
        ...


def guarded(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula: an apostrophe goes before ``= + - @``."""
    return f"'{text}" if text.startswith(_DANGEROUS) else text


@contextmanager
def whole(path: Path, *, force: bool) -> Iterator[Path]:
    """Yield a temporary name in the same folder; give it the right name at the end, durably.

    Raises UsageError if the file exists (unless ``force``) or its folder does not, StoreError if the disk
    refuses. After any error nothing is left behind.
    """
    if path.exists() and not force:
        raise UsageError(f"{path} already exists; write --force to replace it, or name another file")
    if not path.parent.is_dir():
        raise UsageError(f"there is no folder {path.parent}; make it, or name another")
    part = temporary(path)
    try:
        yield part
        file = OS_DISK.reopen(part)
        try:
            file.sync()
        finally:
            file.close()
        OS_DISK.rename(part, path)
        OS_DISK.sync_dir(path.parent)
    except OSError as error:
        raise StoreError(
            f"could not write {path}: {error.strerror or error}; free space on that disk or name "
            "another folder"
        ) from error
    finally:
        discard(OS_DISK, part)


@dataclass(slots=True)
class NumberFormat:
    """How times and decimals are written: zone (None: this machine's), decimals of a second, decimal sign."""

    zone: tzinfo | None
    digits: int
    decimal: str


class CsvSheet:
    """CSV as RFC 4180 describes it; with decimal commas the cells are parted by semicolons."""

    def __init__(self, path: Path, columns: Sequence[FileColumn], look: NumberFormat) -> None:
        self._columns, self._look = columns, look
        self._file = path.open("w", encoding="utf-8", newline="")
        self._writer = csv.writer(
            self._file, delimiter=";" if look.decimal == "," else ",", lineterminator="\r\n"
        )
        self._writer.writerow([guarded(plain(one.name)) for one in columns])

    def add(self, chunk: Chunk) -> None:
        """Append rows."""
        texts = [self._texts(one, cells) for one, cells in zip(self._columns, chunk, strict=True)]
        self._writer.writerows(zip(*texts, strict=True))

    def _texts(self, column: FileColumn, cells: Any) -> Sequence[str]:
        look = self._look
        if column.kind is ColumnKind.UTC:
            return grid.utc_texts(cells, look.digits)
        if column.kind is ColumnKind.LOCAL:
            return grid.local_texts(cells, look.digits, look.zone)
        if column.kind is ColumnKind.TEXT:
            return [guarded(plain(cell)) for cell in cells]
        # repr: the fewest digits that give the same float64 back
        texts = ["" if math.isnan(cell) else repr(cell).removesuffix(".0") for cell in cells.tolist()]
        return [text.replace(".", ",") for text in texts] if look.decimal == "," else texts

    def close(self) -> None:
        """End the file."""
        self._file.close()


@contextmanager
def _made_up() -> Iterator[None]:
    """Say where room is short while a sheet is made up: openpyxl does that in a folder of its own choice."""
    try:
        yield
    except OSError as error:
        raise StoreError(
            f"could not make up the sheet in {tempfile.gettempdir()}: {error.strerror or error}; free space "
            "there, or name another folder in the environment variable TMPDIR"
        ) from error


class XlsxSheet:
    """A workbook with the readings on one sheet and what they are on another.

    Times are without zone there, so each header says which it is.
    """

    def __init__(
        self, path: Path, columns: Sequence[FileColumn], look: NumberFormat, about: Mapping[str, str]
    ) -> None:
        from openpyxl import Workbook

        self._path, self._columns, self._look = path, columns, look
        self._book = Workbook(write_only=True)
        self._sheet = self._book.create_sheet("readings")
        self._sheet.freeze_panes = "A2"
        self._sheet.append([guarded(plain(one.name)) for one in columns])
        self._about = about

    def add(self, chunk: Chunk) -> None:
        """Append rows."""
        cells = [self._cells(one, listed) for one, listed in zip(self._columns, chunk, strict=True)]
        with _made_up():
            for row in zip(*cells, strict=True):
                self._sheet.append(row)

    def _cells(self, column: FileColumn, cells: Any) -> Sequence[Any]:
        from openpyxl.cell import WriteOnlyCell

        if column.kind is ColumnKind.TEXT:
            return [guarded(plain(cell)) or None for cell in cells]
        if column.kind is ColumnKind.NUMBER:
            return [None if math.isnan(cell) else cell for cell in cells.tolist()]
        local_ns = cells + (grid.offsets_ns(cells, self._look.zone) if column.kind is ColumnKind.LOCAL else 0)
        epoch = datetime(1970, 1, 1)  # noqa: DTZ001 - a sheet has no zones
        made = []
        for t_ns in local_ns.tolist():
            cell = WriteOnlyCell(self._sheet, value=epoch + timedelta(microseconds=t_ns // 1000))
            cell.number_format = TIME_FORMAT
            made.append(cell)
        return made

    def close(self) -> None:
        """Write the second sheet and the file."""
        sheet = self._book.create_sheet("about")
        for name, text in self._about.items():
            sheet.append([guarded(plain(name)), guarded(plain(text))])
        # packed in memory: a disk that refuses must not catch the packer with its file half written
        packed = io.BytesIO()
        with _made_up():
            self._book.save(packed)
        self._path.write_bytes(packed.getbuffer())


class ParquetSheet:
    """A Parquet file; times are zoned timestamps in microseconds."""

    def __init__(
        self, path: Path, columns: Sequence[FileColumn], look: NumberFormat, about: Mapping[str, str]
    ) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        zone = getattr(look.zone, "key", None) or ("UTC" if look.zone is UTC else None)
        text = pa.dictionary(pa.int32(), pa.string())
        types = {
            ColumnKind.UTC: pa.timestamp("us", "UTC"), ColumnKind.NUMBER: pa.float64(), ColumnKind.TEXT: text,
            # a zone without a name cannot stand in a type: then local time is text
            ColumnKind.LOCAL: pa.timestamp("us", zone) if zone else pa.string(),
        }  # fmt: skip
        self._columns, self._look = columns, look
        self._schema = pa.schema([pa.field(one.name, types[one.kind]) for one in columns])
        self._schema = self._schema.with_metadata(dict(about.items()))
        self._writer = pq.ParquetWriter(path, self._schema, compression="zstd")

    def add(self, chunk: Chunk) -> None:
        """Append rows as a row group."""
        import pyarrow as pa

        arrays = [self._array(pa, k, cells) for k, cells in enumerate(chunk)]
        self._writer.write_table(pa.table(arrays, schema=self._schema))

    def _array(self, pa: Any, k: int, cells: Any) -> Any:
        kind, wanted = self._columns[k].kind, self._schema.field(k).type
        if kind is ColumnKind.NUMBER:
            return pa.array(cells, mask=np.isnan(cells))
        if kind is ColumnKind.TEXT:
            return pa.array([cell or None for cell in cells], pa.string()).dictionary_encode().cast(wanted)
        if pa.types.is_string(wanted):
            return pa.array(grid.local_texts(cells, self._look.digits, self._look.zone))
        return pa.array(cells // 1000).cast(wanted)

    def close(self) -> None:
        """End the file."""
        self._writer.close()
