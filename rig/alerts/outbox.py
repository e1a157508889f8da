"""Delivery state on disk: every record is appended and synced before anything that depends on it.

One line a record: CRC-32 in 8 hex digits, a space, JSON. At the start, and when it has grown, the file is
replaced by one line that holds the whole state. A line that fails its checksum is the torn end of a power
cut or damage; it and what follows are left out and reported. While the disk refuses, the state lives in
memory, alerts go on, and each later record tries to write everything again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from zlib import crc32

from rig.alerts.delivery_state import DeliveryState
from rig.errors import StoreError
from rig.store.files import OS_DISK, Disk, File, make_dirs, publish

FOLDER = "alerts"
NAME = "outbox"
COMPACT_BYTES = 256 * 1024


class Outbox:
    """Delivery state kept on disk. ``fault``: what the disk refuses ('' = nothing); ``dropped``: damage."""

    def __init__(self, folder: Path, state: DeliveryState, disk: Disk = OS_DISK) -> None:
        self.state = state
        self.fault = ""
        self.dropped = ""
        self.fresh = True
        self._path = folder / NAME
        self._disk = disk
        self._file: File | None = None
        self._size = 0
        self._load()
        self._compact()

    def record(self, record: Mapping[str, Any]) -> None:
        """Apply a record, on disk first. A refusing disk is noted in ``fault``."""
        if self._file is None or self._size > COMPACT_BYTES:
            self.state.apply(record)
            self._compact()
            return
        line = _line(record)
        try:
            self._file.append(line)
            self._file.sync()
            self._size += len(line)
        except OSError as error:
            # after a failed sync nobody knows what is on disk: begin a new file
            self._give_up(f"could not append to {self._path}: {error.strerror or error}")
        self.state.apply(record)

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _load(self) -> None:
        try:
            data = self._disk.read(self._path)
        except FileNotFoundError:
            return
        except OSError as error:
            self.fault = f"could not read {self._path}: {error.strerror or error}"
            return
        self.fresh = False
        at = 0
        for raw in data.splitlines(keepends=True):
            try:
                self.state.apply(_parsed(raw))
            except (ValueError, KeyError, TypeError):
                # an end without a newline is what a power cut leaves; anything else is damage
                torn = at + len(raw) == len(data) and not raw.endswith(b"\n")
                if not torn:
                    self.dropped = f"{self._path}: damaged from byte {at} on, {len(data) - at} bytes left out"
                break
            at += len(raw)
        self.state.hurry()  # a new process tries at once

    def _compact(self) -> None:
        self.close()
        line = _line(self.state.to_record())
        try:
            make_dirs(self._disk, self._path.parent)
            publish(self._disk, self._path, line)
            self._file = self._disk.reopen(self._path)
        except (OSError, StoreError) as error:
            self._give_up(str(error))
            return
        self._size = len(line)
        self.fault = ""

    def _give_up(self, reason: str) -> None:
        self.fault = reason
        try:
            self.close()
        except OSError:
            self._file = None


def _line(record: Mapping[str, Any]) -> bytes:
    text = json.dumps(record, separators=(",", ":")).encode()
    return b"%08x %s\n" % (crc32(text), text)


def _parsed(line: bytes) -> dict[str, Any]:
    stored, text = line[:8], line[9:].removesuffix(b"\n")
    if not line.endswith(b"\n") or line[8:9] != b" " or int(stored, 16) != crc32(text):
        raise ValueError("not a whole record")
    record = json.loads(text)
    if not isinstance(record, dict):
        raise TypeError("not a record")
    return record
