"""One sealed pair of Parquet files: readings and events of a stretch of journals, written and read.

The only module that loads pyarrow, and only when it is used. FORMAT.md, "Sealed files", describes them.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from rig.domain.model import Event, Series, Status
from rig.errors import DamageError, StoreError
from rig.store import journal
from rig.store.files import Disk, File, OpensInput
from rig.store.index import ChannelNote, FileNote, Index

if TYPE_CHECKING:
    import pyarrow as pa

KEY = b"soakrig"
STATISTICS = ["time", "channel", "value", "status"]
LEVEL = 3
NS = 1000
END_BYTES = 8
"""A Parquet file ends with the length of its footer (4 bytes) and ``PAR1``."""


def content_crc(series: Series) -> int:
    """Return the CRC-32 over stamps, half-widths, values, statuses and sessions as they are read back."""
    crc = 0
    columns = ((series.t_ns, "<i8"), (series.h_ns, "<i8"), (series.value, "<f8"), (series.status, "u1"))
    for column, kind in (*columns, (series.session, "<i4")):
        crc = crc32(np.ascontiguousarray(column, dtype=kind).data, crc)
    return crc


def readings_schema() -> pa.Schema:
    """Return the fixed schema of readings files."""
    import pyarrow as pa

    fields: list[pa.Field[Any]] = [
        pa.field("time", pa.timestamp("us", tz="UTC"), nullable=False),
        pa.field("channel", pa.dictionary(pa.int32(), pa.string()), nullable=False),
        pa.field("value", pa.float64()),
        pa.field("status", pa.uint8(), nullable=False),
        pa.field("half_width", pa.int64(), nullable=False),
        pa.field("session", pa.int32(), nullable=False),
    ]
    return pa.schema(fields)


def events_schema() -> pa.Schema:
    """Return the fixed schema of events files."""
    import pyarrow as pa

    fields: list[pa.Field[Any]] = [
        pa.field("time", pa.timestamp("ns", tz="UTC"), nullable=False),
        pa.field("kind", pa.string(), nullable=False),
        pa.field("subject", pa.string(), nullable=False),
        pa.field("text", pa.string(), nullable=False),
        pa.field("data", pa.string(), nullable=False),
        pa.field("session", pa.int32(), nullable=False),
        pa.field("seq", pa.int64(), nullable=False),
    ]
    return pa.schema(fields)


class _Sink(io.RawIOBase):
    """A File as pyarrow wants to write to one; it keeps count and checksum of what goes through."""

    def __init__(self, file: File) -> None:
        super().__init__()
        self._file = file
        self.size = 0
        self.crc = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        raw = bytes(data)
        self._file.append(raw)
        self.size += len(raw)
        self.crc = crc32(raw, self.crc)
        return len(raw)

    def tell(self) -> int:
        return self.size


@dataclass(slots=True)
class _Writing:
    """A Parquet file being written; ``note`` is there once it is durable."""

    writer: Any
    note: FileNote | None = None


@contextmanager
def written(disk: Disk, path: Path, schema: pa.Schema, **options: Any) -> Iterator[_Writing]:
    """Yield a Parquet writer to ``path``; the file is durable at the end. Raises OSError."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    file = disk.create(path)
    sink = _Sink(file)
    try:
        with pq.ParquetWriter(
            pa.PythonFile(sink, mode="w"), schema, compression="zstd", compression_level=LEVEL,
            write_page_checksum=True, data_page_version="2.0", **options,
        ) as writer:  # fmt: skip
            writing = _Writing(writer)
            yield writing
        file.sync()
    finally:
        file.close()
    tail = _tail_bytes(disk, path, sink.size)
    tail_crc = crc32(disk.read(path, sink.size - tail, tail))
    writing.note = FileNote(size=sink.size, crc=sink.crc, tail=tail, tail_crc=tail_crc)


def _tail_bytes(disk: Disk, path: Path, size: int) -> int:
    """Return the length of a Parquet file's footer, its own length and the closing mark included."""
    footer = int.from_bytes(disk.read(path, size - END_BYTES, 4), "little")
    return min(size, footer + END_BYTES)


def write_readings(disk: Disk, path: Path, parts: Iterable[Series], index: Index) -> Index:
    """Write each series as one row group to ``path``; return the index with notes on them and the file.

    The file is durable, its name is not. Raises OSError.
    """
    channels: dict[str, ChannelNote] = {}
    schema = readings_schema()
    with written(
        disk, path, schema, use_dictionary=["channel", "value", "status", "half_width", "session"],
        column_encoding={"time": "DELTA_BINARY_PACKED"}, write_statistics=STATISTICS,
    ) as writing:  # fmt: skip
        for series in parts:
            if len(series):
                writing.writer.write_table(_table(series, schema), row_group_size=len(series))
                channels[series.channel] = note_on(series)
        index = replace(index, channels=channels)
        writing.writer.add_key_value_metadata({KEY: index.to_bytes()})
    assert writing.note is not None
    return replace(index, files={**index.files, "readings": writing.note})


def note_on(series: Series) -> ChannelNote:
    """Return a channel's readings in a few numbers. There must be at least one."""
    numbers = series.value[~np.isnan(series.value)]
    return ChannelNote(
        rows=len(series), crc=content_crc(series),
        start_ns=int(series.t_ns.min()), end_ns=int(series.t_ns.max()),
        low=float(numbers.min()) if len(numbers) else np.nan,
        high=float(numbers.max()) if len(numbers) else np.nan,
        worst=int(series.status.max()),
    )  # fmt: skip


def _table(series: Series, schema: pa.Schema) -> pa.Table:
    import pyarrow as pa

    count = len(series)
    missing = np.isnan(series.value) | (series.status > Status.SUSPECT)
    names = pa.DictionaryArray.from_arrays(np.zeros(count, np.int32), pa.array([series.channel]))
    return pa.table([
        pa.array(series.t_ns // NS).cast(schema.field("time").type), names,
        pa.array(series.value, mask=missing), pa.array(series.status), pa.array(series.h_ns // NS),
        pa.array(series.session),
    ], schema=schema)  # fmt: skip


def write_events(disk: Disk, path: Path, events: Iterable[Event], index: Index) -> Index:
    """Write events to ``path``; like ``write_readings``."""
    import pyarrow as pa

    listed = list(events)
    schema = events_schema()
    data = [json.dumps(event.data, separators=(",", ":"), ensure_ascii=False) for event in listed]
    table = pa.table([
        pa.array([event.t_ns for event in listed], pa.int64()).cast(schema.field("time").type),
        pa.array([str(event.kind) for event in listed], pa.string()),
        pa.array([event.subject for event in listed], pa.string()),
        pa.array([event.text for event in listed], pa.string()),
        pa.array(data, pa.string()),
        pa.array([event.session for event in listed], pa.int32()),
        pa.array([event.seq for event in listed], pa.int64()),
    ], schema=schema)  # fmt: skip
    index = replace(index, events=len(listed))
    with written(disk, path, schema) as writing:
        if listed:
            writing.writer.write_table(table)
        writing.writer.add_key_value_metadata({KEY: replace(index, files={}).to_bytes()})
    assert writing.note is not None
    return replace(index, files={**index.files, "events": writing.note})


@dataclass(slots=True, kw_only=True)
class ReadingsFile:
    """A readings file, opened: its index, and the row groups as they are asked for."""

    disk: Disk
    path: Path
    index: Index
    metadata: Any
    groups: dict[str, int]

    @staticmethod
    def open(disk: Disk, path: Path, index: Index | None) -> ReadingsFile:
        """Return the file; without ``index`` it is taken from the file's own metadata.

        Raises FileNotFoundError, DamageError or FormatError.
        """
        import pyarrow as pa
        import pyarrow.parquet as pq

        try:
            if index is not None:
                check_tail(disk, path, index.files["readings"])
            with opened(disk, path) as source:
                metadata: Any = pq.read_metadata(source)
        except FileNotFoundError:
            raise
        except (OSError, pa.ArrowException) as error:
            raise DamageError(f"{path}: not a readable Parquet file ({error})") from None
        if index is None:
            index = Index.parse(path, (metadata.metadata or {}).get(KEY, b""))
        if metadata.num_row_groups != len(index.channels):
            raise DamageError(f"{path}: index and row groups do not match")
        groups = {name: k for k, name in enumerate(index.channels)}
        return ReadingsFile(disk=disk, path=path, index=index, metadata=metadata, groups=groups)

    def series(self, channel: str) -> Series | None:
        """Return all readings of a channel, None if there are none.

        The content's checksum is verified. Raises FileNotFoundError or DamageError.
        """
        import pyarrow as pa
        import pyarrow.parquet as pq

        note = self.index.channels.get(channel)
        if note is None:
            return None
        try:
            with (
                opened(self.disk, self.path) as source,
                pq.ParquetFile(source, metadata=self.metadata, pre_buffer=source is not self.path) as file,
            ):
                table = file.read_row_group(
                    self.groups[channel], columns=["time", "value", "status", "half_width", "session"],
                    use_threads=False,
                )  # fmt: skip
                series = Series(
                    channel=channel, t_ns=numbers(table, "time", np.int64) * NS,
                    h_ns=numbers(table, "half_width", np.int64) * NS,
                    value=numbers(table, "value", np.float64),
                    status=numbers(table, "status", np.uint8), session=numbers(table, "session", np.int32),
                )  # fmt: skip
        except FileNotFoundError:
            raise
        except (OSError, KeyError, ValueError, pa.ArrowException) as error:
            raise self._damaged(channel, str(error)) from None
        if content_crc(series) != note.crc:
            raise self._damaged(channel, "not those that were written")
        return series

    def _damaged(self, channel: str, why: str) -> DamageError:
        rows = self.index.channels[channel].rows
        return DamageError(f"{self.path}: {rows} readings of {channel} are damaged ({why})")

    def check(self) -> list[str]:
        """Return what is wrong with the readings, channel by channel; nothing if all is well."""
        wrong = []
        for name in self.index.channels:
            try:
                self.series(name)
            except StoreError as error:
                wrong.append(str(error))
        return wrong


@contextmanager
def opened(disk: Disk, path: Path) -> Iterator[Any]:
    """Yield what pyarrow reads a file from: its path, or a file object where the disk has no paths."""
    if not isinstance(disk, OpensInput):
        yield path
        return
    source = disk.open_input(path)
    try:
        yield source
    finally:
        source.close()


def check_tail(disk: Disk, path: Path, note: FileNote) -> None:
    """Raise DamageError if the file has not the length and footer that were written."""
    size = disk.size(path)
    if size != note.size:
        raise DamageError(f"{path}: {note.size} bytes were written, {size} are there")
    if crc32(disk.read(path, note.size - note.tail, note.tail)) != note.tail_crc:
        raise DamageError(f"{path}: footer damaged")


_Number = TypeVar("_Number", bound=np.generic)


def numbers(table: Any, column: str, kind: type[_Number]) -> NDArray[_Number]:
    """Return a column of numbers or stamps as they lie in memory, NaN where a float is null.

    (pyarrow's own way to numpy loads pandas, which takes longer than reading a day.)
    """
    parts = [_chunk(chunk, kind) for chunk in table.column(column).chunks if len(chunk)]
    if len(parts) == 1:
        return parts[0]
    return np.concatenate(parts) if parts else np.empty(0, kind)


def _chunk(chunk: Any, kind: type[_Number]) -> NDArray[_Number]:
    valid, data = chunk.buffers()
    values = np.frombuffer(data, kind)[chunk.offset : chunk.offset + len(chunk)]
    if not chunk.null_count:
        return values
    bits = np.unpackbits(np.frombuffer(valid, np.uint8), bitorder="little")
    known = bits[chunk.offset : chunk.offset + len(chunk)]
    return np.where(known, values, np.array(np.nan, kind))


def read_events(disk: Disk, path: Path, index: Index | None) -> list[Event]:
    """Return the events of an events file; without ``index`` nothing is compared with what was written.

    Raises FileNotFoundError, DamageError or FormatError.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        raw = disk.read(path)
        if index is not None and crc32(raw) != index.files["events"].crc:
            raise DamageError(f"{path}: wrong checksum")
        with pq.ParquetFile(pa.BufferReader(raw), page_checksum_verification=True) as file:
            table = file.read(use_threads=False)
        stamps = numbers(table, "time", np.int64).tolist()
        rest = [table.column(name).to_pylist() for name in events_schema().names[1:]]
        return [
            Event(kind=journal.kind_of(kind), t_ns=t_ns, session=session, seq=seq, subject=subject, text=text,
                  data=json.loads(data))
            for t_ns, kind, subject, text, data, session, seq in zip(stamps, *rest, strict=True)
        ]  # fmt: skip
    except FileNotFoundError:
        raise
    except (OSError, KeyError, ValueError, pa.ArrowException) as error:
        raise DamageError(f"{path}: events not readable ({error})") from None
