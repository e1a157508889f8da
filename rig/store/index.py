"""Index of a sealed pair of files: enough to search it without opening either.

Kept three times: as ``sealed/NAME.json`` with a checksum and with the checksums of the pair, and in the
metadata of both Parquet files, so that the pair can be understood without anything else.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple
from zlib import crc32

from rig.domain.event_summary import EventSummary
from rig.domain.jsonmap import made, plain
from rig.domain.model import Status
from rig.errors import DamageError, FormatError
from rig.store.files import Disk

FORMAT = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionNote:
    """Facts of a session: recorder, time line, start and end. Times in ns."""

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


class ChannelNote(NamedTuple):
    """One channel's readings in one file: the content of a row group in a few numbers.

    crc: checksum of the content (``parquet.content_crc``). start_ns, end_ns: first and last stamp (UTC).
    low, high: least and greatest value, NaN where no reading carries a number. worst: greatest status.
    """

    rows: int
    crc: int
    start_ns: int
    end_ns: int
    low: float
    high: float
    worst: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FileNote:
    """Length and CRC-32 of a file; tail_crc: of its last ``tail`` bytes (the Parquet footer)."""

    size: int
    crc: int
    tail: int
    tail_crc: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Index:
    """A sealed pair. channels: in the order of the row groups. damage: what the journals lacked.

    files: the notes on ``readings`` and ``events``; empty in the copies inside the Parquet files.
    event_summary: counts of its events; None in indexes that were written before this was kept.
    """

    run: str
    first: int
    last: int
    sessions: Mapping[int, SessionNote]
    channels: Mapping[str, ChannelNote] = field(default_factory=dict)
    events: int = 0
    damage: tuple[Mapping[str, Any], ...] = ()
    files: Mapping[str, FileNote] = field(default_factory=dict)
    event_summary: EventSummary | None = None

    def to_bytes(self) -> bytes:
        """Return the JSON text."""
        channels = {
            name: [c.rows, c.crc, c.start_ns, c.end_ns, _out(c.low), _out(c.high), c.worst]
            for name, c in self.channels.items()
        }
        content = {
            "format": FORMAT, "run": self.run, "journals": [self.first, self.last],
            "sessions": plain(self.sessions),
            "channels": channels, "events": self.events, "damage": self.damage,
            "statuses": {str(int(code)): code.name for code in Status},
            "files": plain(self.files),
            "told": plain(self.event_summary),
        }  # fmt: skip
        return json.dumps(content, separators=(",", ":"), ensure_ascii=False).encode("utf-8", "surrogatepass")

    @staticmethod
    def parse(path: Path, raw: bytes) -> Index:
        """Return the index in a JSON text. Raises FormatError or DamageError naming ``path``."""
        try:
            content = json.loads(raw)
            if content["format"] > FORMAT:
                raise FormatError(
                    f"{path}: sealed format {content['format']}, this soakrig reads format {FORMAT}; "
                    "install the newer soakrig to read it"
                )
            first, last = made(tuple[int, int], content["journals"])
            channels = {name: _channel(note) for name, note in content["channels"].items()}
            summary = content.get("told")
            # Always written. Defaults would claim no events, no damage, nothing to check.
            required = {key: content[key] for key in ("events", "damage", "files")}
            return made(
                Index,
                {**content, **required, "first": first, "last": last, "channels": channels,
                 "event_summary": summary},
            )  # fmt: skip
        except (ValueError, KeyError, TypeError, IndexError, AttributeError) as error:
            raise DamageError(f"{path}: index of the sealed pair not readable ({error!r})") from None


def _channel(note: list[Any]) -> ChannelNote:
    rows, crc, start_ns, end_ns, low, high, worst = note
    return ChannelNote(rows, crc, start_ns, end_ns, _in(low), _in(high), worst)


def _out(value: float) -> float | str | None:
    """Return a number as JSON has it: null for NaN, a word for the infinities."""
    if math.isnan(value):
        return None
    return value if math.isfinite(value) else str(value)


def _in(value: float | str | None) -> float:
    return math.nan if value is None else float(value)


def pack(text: bytes) -> bytes:
    """Return the content of an index file: a JSON object with the text and its CRC-32."""
    return b'{"crc32":"%08x","index":%s}\n' % (crc32(text), text)


PREFIX_BYTES = len(pack(b"")) - 2


def read(disk: Disk, path: Path) -> Index:
    """Return the index in a file. Raises FileNotFoundError, DamageError or FormatError."""
    try:
        raw = disk.read(path)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise DamageError(f"{path}: not readable ({error.strerror or error})") from None
    text = raw[PREFIX_BYTES:-2]
    if raw != pack(text):
        raise DamageError(f"{path}: wrong checksum")
    return Index.parse(path, text)
