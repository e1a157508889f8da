"""Summary of a sealed pair: digests, and means and extremes of minutes to half hours.

``summary/NAME.parquet`` is derived from the readings and may be missing or damaged: a reader that needs it
works it out from them then. FORMAT.md, "Summaries", describes it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np

from rig.domain.channel_digest import WIDTHS_S, Bins, ChannelDigest, bins, coarser, digest, none
from rig.domain.model import Series
from rig.errors import DamageError
from rig.store.files import Disk
from rig.store.index import FileNote
from rig.store.parquet import check_tail, numbers, opened, written

KEY = b"soakrig-summary"
FORMAT = 1
COLUMNS = ("number", "rows", "usable", "mean", "low", "high")
MICROSECONDS = 1_000_000


@dataclass(slots=True, kw_only=True)
class PairSummary:
    """A summary, opened. ``digests``: by channel; the bins of a width are read when they are asked for."""

    digests: Mapping[str, ChannelDigest]
    _disk: Disk
    _path: Path
    _metadata: Any
    _places: Mapping[int, tuple[int, Mapping[str, tuple[int, int]], int]]
    _read: dict[int, Bins | None] = field(default_factory=dict)

    def bins(self, channel: str, width_s: int) -> Bins | None:
        """Return a channel's readings in bins, None if they cannot be read."""
        if width_s not in self._read:
            self._read[width_s] = self._level(width_s)
        level = self._read[width_s]
        if level is None:
            return None
        begin, count = self._places[width_s][1][channel]
        cut = slice(begin, begin + count)
        return Bins(
            width_s=width_s, number=level.number[cut], rows=level.rows[cut], usable=level.usable[cut],
            mean=level.mean[cut], low=level.low[cut], high=level.high[cut],
        )  # fmt: skip

    def _level(self, width_s: int) -> Bins | None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        group, _, crc = self._places[width_s]
        try:
            with (
                opened(self._disk, self._path) as source,
                pq.ParquetFile(source, metadata=self._metadata) as file,
            ):
                table = file.read_row_group(group, columns=["time", *COLUMNS[1:]], use_threads=False)
            found = Bins(
                width_s=width_s,
                number=numbers(table, "time", np.int64) // (MICROSECONDS * width_s),
                rows=numbers(table, "rows", np.int32).astype(np.int64),
                usable=numbers(table, "usable", np.int32).astype(np.int64),
                mean=numbers(table, "mean", np.float64), low=numbers(table, "low", np.float64),
                high=numbers(table, "high", np.float64),
            )  # fmt: skip
        except (OSError, KeyError, ValueError, pa.ArrowException):
            return None
        return found if _crc(found) == crc else None


def _crc(level: Bins) -> int:
    crc = 0
    for name in COLUMNS:
        crc = crc32(getattr(level, name).tobytes(), crc)
    return crc


def read(disk: Disk, path: Path, note: FileNote) -> PairSummary | None:
    """Return the summary of the readings file that ``note`` is on; None if there is none that can be used."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        check_tail(disk, path, note)
        with opened(disk, path) as source:
            metadata: Any = pq.read_metadata(source)
        facts = json.loads(metadata.metadata[KEY])
        if facts["format"] != FORMAT:
            return None
        digests = {name: _digest(one) for name, one in facts["digests"].items()}
        places = {}
        for group, (width_s, crc, counts) in enumerate(facts["levels"]):
            ends = np.cumsum(counts).tolist()
            places[width_s] = (group, {
                name: (end - count, count) for name, end, count in zip(digests, ends, counts, strict=True)
            }, crc)  # fmt: skip
        return PairSummary(digests=digests, _disk=disk, _path=path, _metadata=metadata, _places=places)
    except (OSError, KeyError, ValueError, TypeError, DamageError, pa.ArrowException):
        return None


def _digest(values: list[Any]) -> ChannelDigest:
    return ChannelDigest._make(values if None not in values else [np.nan if x is None else x for x in values])


class Gathering:
    """Builder of a summary, from the channels as they are written into a readings file."""

    def __init__(self) -> None:
        self._digests: dict[str, ChannelDigest] = {}
        self._levels: dict[int, list[Bins]] = {width_s: [] for width_s in reversed(WIDTHS_S)}

    def through(self, parts: Iterable[Series]) -> Iterator[Series]:
        """Yield the channels."""
        for series in parts:
            if len(series):
                self._digests[series.channel] = digest(series)
                found = bins(series, WIDTHS_S[0])
                for width_s, level in self._levels.items():
                    level.append(found if width_s == found.width_s else coarser(found, width_s))
            yield series

    def write(self, disk: Disk, path: Path) -> FileNote:
        """Write the summary to ``path``; it is durable, its name is not. Raises OSError."""
        import pyarrow as pa

        names = pa.array(list(self._digests), pa.string())
        joined = {width_s: _joined(parts, width_s) for width_s, parts in self._levels.items()}
        facts = {
            "format": FORMAT,
            "digests": {
                name: [_plain(value) for value in one] for name, one in self._digests.items()
            },
            "levels": [[w, _crc(joined[w]), [len(one) for one in self._levels[w]]] for w in joined],
        }  # fmt: skip
        with written(
            disk, path, _schema(), column_encoding={"time": "DELTA_BINARY_PACKED", "mean": "PLAIN"},
            use_dictionary=["channel", "width", "rows", "usable", "low", "high"],
        ) as writing:  # fmt: skip
            for width_s, level in joined.items():
                places = np.repeat(np.arange(len(names)), [len(one) for one in self._levels[width_s]])
                channels = pa.DictionaryArray.from_arrays(pa.array(places, pa.int32()), names)
                writing.writer.write_table(_table(level, channels), row_group_size=max(len(level), 1))
            text = json.dumps(facts, separators=(",", ":"), ensure_ascii=False)
            writing.writer.add_key_value_metadata({KEY: text.encode("utf-8", "surrogatepass")})
        assert writing.note is not None
        return writing.note


def _joined(parts: list[Bins], width_s: int) -> Bins:
    """Return the bins of all channels one after the other."""
    parts = parts or [none(width_s)]
    columns = {name: np.concatenate([getattr(part, name) for part in parts]) for name in COLUMNS}
    return Bins(width_s=width_s, **columns)


def _plain(value: float) -> float | None:
    return None if value != value else value  # noqa: PLR0124 - NaN, which JSON has not


def _schema() -> Any:
    import pyarrow as pa

    return pa.schema([
        pa.field("time", pa.timestamp("us", tz="UTC"), nullable=False),
        pa.field("width", pa.int32(), nullable=False),
        pa.field("channel", pa.dictionary(pa.int32(), pa.string()), nullable=False),
        pa.field("rows", pa.int32(), nullable=False), pa.field("usable", pa.int32(), nullable=False),
        pa.field("mean", pa.float64()), pa.field("low", pa.float64()), pa.field("high", pa.float64()),
    ])  # fmt: skip


def _table(level: Bins, channels: Any) -> Any:
    import pyarrow as pa

    schema = _schema()
    missing = level.usable == 0
    return pa.table([
        pa.array(level.number * (MICROSECONDS * level.width_s)).cast(schema.field("time").type),
        pa.array(np.full(len(level), level.width_s, np.int32)), channels,
        pa.array(level.rows.astype(np.int32)), pa.array(level.usable.astype(np.int32)),
        *(pa.array(column, mask=missing) for column in (level.mean, level.low, level.high)),
    ], schema=schema)  # fmt: skip
