"""Frames of a journal: encoding, and decoding of what is left after damage.

Nothing here touches a file. FORMAT.md, "Journal", describes the layout; the reader takes any bytes at
all and says which frames are good and which stretches are not: damage is data, never an exception.
"""

from __future__ import annotations

import enum
import struct
from dataclasses import dataclass, field
from functools import cache
from zlib import crc32

MAGIC = b"SOAKJRNL"
FORMAT = 1
MARKER = b"\xf5rf\x1a"
HEAD = struct.Struct("<8sHHIIIQqq16s")
HEAD_CRC = struct.Struct("<I")
HEAD_BYTES = HEAD.size + HEAD_CRC.size
HEADS_BYTES = 2 * HEAD_BYTES
FRAME = struct.Struct("<4sIIQB")
BODY = struct.Struct("<IQB")
PAYLOAD_MAX = 1 << 20
CRC_AT = 8
"""Offset in a frame of the first byte its checksum covers."""


class FrameType(enum.IntEnum):
    """Type of a frame. Readers skip unknown types from 128 up."""

    HEADER = 1
    SCAN = 2
    EVENT = 3
    SYNCED = 4
    """Every byte before this frame was durable when it was written."""
    END = 5
    """The journal was closed on purpose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The fixed beginning of a journal, stored twice.

    session, journal: numbers; first_seq: sequence number of the first record; offset_ns: UTC minus
    CLOCK_BOOTTIME of this boot; opened_ns: UTC; salt seeds the checksums of this journal's frames.
    """

    session: int
    journal: int
    salt: int
    first_seq: int
    offset_ns: int
    opened_ns: int
    run: bytes


@dataclass(frozen=True, slots=True)
class JournalFrame:
    """One good frame: its type, sequence number, payload and the offset of its first byte."""

    type: int
    seq: int
    payload: bytes
    offset: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """A stretch of bytes that is no frame, between good frames.

    after_seq: number of the next record expected where the hole begins; next_seq: number that came.
    """

    offset: int
    size: int
    after_seq: int
    next_seq: int


@dataclass(slots=True)
class FrameWalk:
    """What a walk over bytes found: good frames in order, holes between them, where it stopped.

    ``end`` is the offset after the last good frame; what follows is unfinished or damaged.
    """

    end: int
    frames: list[JournalFrame] = field(default_factory=list)
    holes: list[Hole] = field(default_factory=list)


class HeadError(ValueError):
    """The beginning of the bytes is no head; ``newer`` is the format number if a newer one wrote it."""

    def __init__(self, message: str, *, newer: int = 0) -> None:
        self.newer = newer
        super().__init__(message)


def pack_head(head: Head) -> bytes:
    """Return the two copies of a journal's head."""
    fields = (head.session, head.journal, head.salt, head.first_seq, head.offset_ns, head.opened_ns, head.run)
    one = HEAD.pack(MAGIC, FORMAT, 0, *fields)
    return (one + HEAD_CRC.pack(crc32(one))) * 2


def parse_head(data: bytes) -> Head:
    """Return the head of a journal from whichever copy is good. Raises HeadError."""
    newer = 0
    for start in (0, HEAD_BYTES):
        one = data[start : start + HEAD.size]
        stored = data[start + HEAD.size : start + HEAD_BYTES]
        if len(stored) == HEAD_CRC.size and crc32(one) == HEAD_CRC.unpack(stored)[0]:
            magic, version, _, session, journal, salt, first, offset, opened, run = HEAD.unpack(one)
            if magic == MAGIC and version == FORMAT:
                return Head(
                    session=session, journal=journal, salt=salt, first_seq=first,
                    offset_ns=offset, opened_ns=opened, run=run,
                )  # fmt: skip
            if magic == MAGIC:
                newer = version
    if data[:8] == MAGIC and len(data) >= 10:
        version = int.from_bytes(data[8:10], "little")
        # A newer format may checksum its head in another way, so its number counts by itself.
        newer = newer or (version if version > FORMAT else 0)
    if newer:
        raise HeadError(f"journal format {newer}, this soakrig reads format {FORMAT}", newer=newer)
    if not data:
        raise HeadError("the file is empty")
    if not data.strip(b"\0"):
        raise HeadError(f"begins with {len(data)} zero bytes")
    if data[:8] != MAGIC:
        raise HeadError(f"does not begin with {MAGIC!r}")
    raise HeadError("both copies of its head fail their checksums")


def body(kind: FrameType, seq: int, payload: bytes = b"") -> bytes:
    """Return the checksummed part of a frame: length, sequence number, type, payload."""
    return BODY.pack(len(payload), seq, kind) + payload


def seal(part: bytes, salt: int) -> bytes:
    """Return the whole frame around a body, for the journal with this salt."""
    return MARKER + crc32(part, salt).to_bytes(4, "little") + part


def scan_body(values: int) -> struct.Struct:
    """Return the packer of a scan's body: length, seq, type, block, sent, received, values, statuses."""
    return struct.Struct(f"<IQBHqq{values}d{values}s")


@cache
def scan_payload(values: int) -> struct.Struct:
    """Return the reader of a scan's payload: block, sent, received, values, statuses."""
    return struct.Struct(f"<Hqq{values}d{values}s")


def scan_bytes(values: int) -> int:
    """Return the length of the payload of a scan with so many values."""
    return 18 + 9 * values


def walk(data: bytes, salt: int, *, seq: int, start: int = 0, base: int = 0) -> FrameWalk:
    """Return every good frame in ``data`` from ``start``; ``seq`` is the record number expected first.

    ``base`` is the offset of ``data`` in its file. A frame counts only if marker, length, checksum and
    order are right; after a bad stretch the walk goes on at the next frame that is.
    """
    found = FrameWalk(end=start + base)
    view = memoryview(data)
    at = start
    while True:
        frame = _frame_at(view, at, salt, seq, base)
        if frame is None:
            beyond = _next_frame(data, at + 1, salt, seq, base)
            if beyond is None:
                return found
            frame = beyond
        position = frame.offset - base
        if position > at or frame.seq > seq:
            hole = Hole(offset=at + base, size=position - at, after_seq=seq, next_seq=frame.seq)
            found.holes.append(hole)
        found.frames.append(frame)
        seq = frame.seq + 1 if frame.type in RECORDS else frame.seq
        at = position + FRAME.size + len(frame.payload)
        found.end = at + base


RECORDS = frozenset({FrameType.SCAN, FrameType.EVENT})


def _frame_at(view: memoryview, at: int, salt: int, seq: int, base: int) -> JournalFrame | None:
    payload_at = at + FRAME.size
    if payload_at > len(view):
        return None
    marker, crc, length, number, kind = FRAME.unpack_from(view, at)
    end = payload_at + length
    if marker != MARKER or number < seq or length > PAYLOAD_MAX or end > len(view):
        return None
    if crc32(view[at + CRC_AT : end], salt) != crc:
        return None
    return JournalFrame(kind, number, bytes(view[payload_at:end]), at + base)


def _next_frame(data: bytes, at: int, salt: int, seq: int, base: int) -> JournalFrame | None:
    view = memoryview(data)
    while (at := data.find(MARKER, at)) >= 0:
        frame = _frame_at(view, at, salt, seq, base)
        if frame is not None:
            return frame
        at += 1
    return None


def proven(frames: list[JournalFrame]) -> int:
    """Return the offset up to which the frames themselves prove that all bytes were durable, -1 for none."""
    return next((frame.offset for frame in reversed(frames) if frame.type == FrameType.SYNCED), -1)
