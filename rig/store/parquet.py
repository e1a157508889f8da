"""One sealed pair of Parquet files: readings and events of a stretch of journals, written and read.

The only module that loads pyarrow, and only when it is used. FORMAT.md, "Sealed files", describes them.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from rig.core.model import Event, Series, Status
from rig.errors import DamageError, FormatError
from rig.store import journal
from rig.store.files import Disk, File

if TYPE_CHECKING:
    import pyarrow as pa

FORMAT = 1
KEY = b"soakrig"
COLUMNS = ("time", "channel", "value", "status", "half_width", "session")
STATISTICS = ["time", "channel", "value", "status"]
LEVEL = 3
NS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionNote:
    """What a sealed file keeps of a session: who recorded, on which time line. Times in ns."""

    boot_id: str
    offset_ns: int
    boot_ns: int
    utc_ns: int
    synchronised: bool
    software: str
    host: str
    config: str
    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Footer:
    """What both files of a sealed pair say of themselves.

    channels: one row group each, in this order, with ``rows`` readings and the checksum ``crcs`` of
    their content. damage: what was missing from the journals when they were sealed.
    """

    run: str
    first: int
    last: int
    sessions: Mapping[int, SessionNote]
    channels: tuple[str, ...] = ()
    rows: tuple[int, ...] = ()
    crcs: tuple[int, ...] = ()
    events: int = 0
    damage: tuple[Mapping[str, Any], ...] = ()

    def to_bytes(self) -> bytes:
        """Return the JSON text for the files' metadata."""
        sessions = {
            str(number): {name: getattr(note, name) for name in note.__dataclass_fields__}
            for number, note in self.sessions.items()
        }
        content = {
            "format": FORMAT, "run": self.run, "journals": [self.first, self.last], "sessions": sessions,
            "channels": self.channels, "rows": self.rows, "crcs": self.crcs, "events": self.events,
            "damage": self.damage, "statuses": {str(int(code)): code.name for code in Status},
        }  # fmt: skip
        return json.dumps(content, separators=(",", ":"), ensure_ascii=False).encode()

    @staticmethod
    def parse(path: Path, raw: bytes | None) -> Footer:
        """Return the footer from a file's metadata. Raises FormatError or DamageError naming ``path``."""
        try:
            content = json.loads(raw or b"null")
            version = content["format"]
            if version > FORMAT:
                raise FormatError(
                    f"{path}: sealed format {version}, this soakrig reads format {FORMAT}; "
                    "install the newer soakrig to read it"
                )
            return Footer(
                run=content["run"], first=content["journals"][0], last=content["journals"][1],
                sessions={int(n): SessionNote(**note) for n, note in content["sessions"].items()},
                channels=tuple(content["channels"]), rows=tuple(content["rows"]),
                crcs=tuple(content["crcs"]), events=content["events"], damage=tuple(content["damage"]),
            )  # fmt: skip
        except (ValueError, KeyError, TypeError, IndexError) as error:
            raise DamageError(f"{path}: not a sealed file of a run: no readable footer ({error!r})") from None


def content_crc(series: Series) -> int:
    """Return the CRC-32 over stamps, half-widths, values, statuses and sessions as they are read back."""
    crc = crc32(series.t_ns.astype("<i8").tobytes())
    for column in (series.h_ns.astype("<i8"), series.value.astype("<f8"), series.status):
        crc = crc32(column.tobytes(), crc)
    return crc32(series.session.astype("<i4").tobytes(), crc)


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
    """A File as pyarrow wants to write to one."""

    def __init__(self, file: File) -> None:
        super().__init__()
        self._file = file
        self._at = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        raw = bytes(data)
        self._file.append(raw)
        self._at += len(raw)
        return len(raw)

    def tell(self) -> int:
        return self._at


@contextmanager
def _written(disk: Disk, path: Path, schema: pa.Schema, **options: Any) -> Iterator[Any]:
    """Yield a Parquet writer to ``path``; the file is durable at the end. Raises OSError."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    file = disk.create(path)
    try:
        with pq.ParquetWriter(
            pa.PythonFile(_Sink(file), mode="w"), schema, compression="zstd", compression_level=LEVEL,
            write_page_checksum=True, data_page_version="2.0", **options,
        ) as writer:  # fmt: skip
            yield writer
        file.sync()
    finally:
        file.close()


def write_readings(disk: Disk, path: Path, parts: Iterable[Series], footer: Footer) -> Footer:
    """Write each series as one row group to ``path`` and return the footer with channels, rows and CRCs.

    The file is durable, its name is not. Raises OSError.
    """
    names: list[str] = []
    rows: list[int] = []
    crcs: list[int] = []
    schema = readings_schema()
    with _written(
        disk, path, schema, use_dictionary=["channel", "value", "status", "half_width", "session"],
        column_encoding={"time": "DELTA_BINARY_PACKED"}, write_statistics=STATISTICS,
    ) as writer:  # fmt: skip
        for series in parts:
            if not len(series):
                continue
            writer.write_table(_table(series, schema), row_group_size=len(series))
            names.append(series.channel)
            rows.append(len(series))
            crcs.append(content_crc(series))
        full = replace(footer, channels=tuple(names), rows=tuple(rows), crcs=tuple(crcs))
        writer.add_key_value_metadata({KEY.decode(): full.to_bytes().decode()})
    return full


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


def write_events(disk: Disk, path: Path, events: Iterable[Event], footer: Footer) -> Footer:
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
    full = replace(footer, events=len(listed))
    with _written(disk, path, schema) as writer:
        if listed:
            writer.write_table(table)
        writer.add_key_value_metadata({KEY.decode(): full.to_bytes().decode()})
    return full


@dataclass(slots=True, kw_only=True)
class ReadingsFile:
    """A readings file, opened: its footer, and the row groups as they are asked for."""

    path: Path
    metadata: Any = field(repr=False)
    footer: Footer
    index: dict[str, int]

    @staticmethod
    def open(path: Path) -> ReadingsFile:
        """Return the file by its footer. Raises FileNotFoundError, DamageError or FormatError."""
        metadata = _metadata(path)
        footer = Footer.parse(path, (metadata.metadata or {}).get(KEY))
        if metadata.num_row_groups != len(footer.channels) or metadata.num_rows != sum(footer.rows):
            raise DamageError(f"{path}: its footer and its row groups do not agree")
        index = {name: k for k, name in enumerate(footer.channels)}
        return ReadingsFile(path=path, metadata=metadata, footer=footer, index=index)

    def series(self, channel: str) -> Series | None:
        """Return all readings of a channel, None if there are none.

        Every page's checksum is verified. Raises FileNotFoundError or DamageError.
        """
        import pyarrow as pa
        import pyarrow.parquet as pq

        group = self.index.get(channel)
        if group is None:
            return None
        try:
            with pq.ParquetFile(
                self.path, metadata=self.metadata, page_checksum_verification=True, pre_buffer=False
            ) as file:
                table = file.read_row_group(
                    group, columns=["time", "value", "status", "half_width", "session"], use_threads=False
                )
        except FileNotFoundError:
            raise
        except (OSError, pa.ArrowException) as error:
            raise DamageError(
                f"{self.path}: the readings of {channel} are damaged ({error}); "
                f"{self.footer.rows[group]} readings cannot be read"
            ) from None
        return Series(
            channel=channel,
            t_ns=_numbers(table, "time").view(np.int64) * NS,
            h_ns=_numbers(table, "half_width") * NS,
            value=table.column("value").to_numpy(),
            status=_numbers(table, "status"),
            session=_numbers(table, "session"),
        )

    def stretch(self, channel: str) -> tuple[int, int, float, float, int, int] | None:
        """Return (first stamp, last stamp, least, greatest value, worst status, rows) from the footer alone.

        Stamps in UTC ns; NaN for the values where no reading carries a number.
        """
        group = self.index.get(channel)
        if group is None:
            return None
        columns = self.metadata.row_group(group)
        time, value, status = (columns.column(k).statistics for k in (0, 2, 3))
        # The raw physical values: datetimes would cost a conversion each.
        low, high = (value.min, value.max) if value.has_min_max else (np.nan, np.nan)
        start, end = time.min_raw * NS, time.max_raw * NS
        return start, end, float(low), float(high), int(status.max_raw), int(columns.num_rows)

    def check(self) -> list[str]:
        """Return what is wrong with the content, row group by row group; nothing if all is well."""
        wrong = []
        for name, crc, rows in zip(self.footer.channels, self.footer.crcs, self.footer.rows, strict=True):
            try:
                series = self.series(name)
            except DamageError as error:
                wrong.append(str(error))
                continue
            if series is None or len(series) != rows or content_crc(series) != crc:
                wrong.append(f"{self.path}: the readings of {name} are not those that were written")
        return wrong


def _numbers(table: Any, column: str) -> NDArray[Any]:
    numbers: NDArray[Any] = table.column(column).to_numpy()
    return numbers


def _metadata(path: Path) -> Any:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        return pq.read_metadata(path)
    except FileNotFoundError:
        raise
    except (OSError, pa.ArrowException) as error:
        raise DamageError(f"{path}: not a Parquet file that can be read ({error})") from None


def read_events(path: Path) -> tuple[Footer, list[Event]]:
    """Return footer and events of an events file. Raises FileNotFoundError, DamageError or FormatError."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    footer = Footer.parse(path, (_metadata(path).metadata or {}).get(KEY))
    try:
        with pq.ParquetFile(path, page_checksum_verification=True) as file:
            table = file.read(use_threads=False)
    except FileNotFoundError:
        raise
    except (OSError, pa.ArrowException) as error:
        raise DamageError(f"{path}: its events are damaged ({error})") from None
    if table.num_rows != footer.events:
        raise DamageError(f"{path}: {footer.events} events were written, {table.num_rows} are there")
    stamps = _numbers(table, "time").view(np.int64).tolist() if table.num_rows else []
    rest = [table.column(name).to_pylist() for name in events_schema().names[1:]]
    return footer, [
        Event(kind=journal.kind_of(kind), t_ns=t_ns, session=session, seq=seq, subject=subject, text=text,
              data=json.loads(data))
        for t_ns, kind, subject, text, data, session, seq in zip(stamps, *rest, strict=True)
    ]  # fmt: skip
