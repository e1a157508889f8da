"""Journal file, and an incremental reader of a growing or damaged one."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import zip_longest
from pathlib import Path
from typing import Any

from rig.domain.jsonmap import made, plain
from rig.domain.model import Event, EventKind
from rig.errors import DamageError, FormatError
from rig.store import journal_frames as frames
from rig.store.files import Disk
from rig.store.journal_frames import BODY, FRAME, HEADS_BYTES, FrameType, Head, Hole, JournalFrame

SUFFIX = ".journal"
ENDING_BYTES = 2 * FRAME.size


def name(number: int) -> str:
    """Return the file name of a journal."""
    return f"j{number:06d}{SUFFIX}"


def number(file_name: str) -> int | None:
    """Return the number in a journal's file name, None if it is no such name."""
    digits = file_name.removeprefix("j").removesuffix(SUFFIX)
    return int(digits) if digits.isdecimal() and file_name == name(int(digits)) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalFacts:
    """What a journal says of its session: enough to understand every frame without another file.

    blocks: channel names of each block, in the order of a scan's values. boot_ns, utc_ns: the anchor,
    read together; synchronised: whether the wall clock was known to be right then.
    """

    boot_id: str
    boot_ns: int
    utc_ns: int
    synchronised: bool
    software: str
    host: str
    config: str
    blocks: tuple[tuple[str, ...], ...]


def beginning(head: Head, facts: JournalFacts) -> bytes:
    """Return the first bytes of a journal: both heads and the frame with the facts."""
    payload = json.dumps(plain(facts), separators=(",", ":")).encode()
    return frames.pack_head(head) + frames.seal(
        frames.body(FrameType.HEADER, head.first_seq, payload), head.salt
    )


def successor_seqs(readers: Sequence[JournalReader]) -> list[int | None]:
    """Return, journal by journal, the first record of the next one if that is of the same session."""
    return [
        later.head.first_seq if later is not None and later.head.session == reader.head.session else None
        for reader, later in zip_longest(readers, readers[1:])
    ]


def ends_closed(disk: Disk, path: Path, head: Head) -> bool:
    """Return whether the last two frames of the file say that it was closed and was durable then."""
    tail = disk.read(path, disk.size(path) - ENDING_BYTES)
    found = frames.walk(tail, head.salt, seq=0)
    return [frame.type for frame in found.frames] == [FrameType.END, FrameType.SYNCED]


def event_payload(kind: EventKind, boot_ns: int, subject: str, text: str, data: Mapping[str, Any]) -> bytes:
    """Return the payload of an event frame."""
    words = {"kind": str(kind), "subject": subject, "text": text, "data": data}
    encoded = json.dumps(words, separators=(",", ":"), ensure_ascii=False, default=str)
    return boot_ns.to_bytes(8, "little", signed=True) + encoded.encode("utf-8", "backslashreplace")


def parse_event(payload: bytes, *, session: int, seq: int, offset_ns: int) -> Event:
    """Return the event of a frame. Raises ValueError if the payload is none."""
    boot_ns = int.from_bytes(payload[:8], "little", signed=True)
    words = json.loads(payload[8:])
    if not isinstance(words, dict) or not isinstance(words.get("data"), dict):
        raise ValueError("not an event")  # noqa: TRY004 - the bytes are wrong, not the caller
    return Event(
        kind=kind_of(str(words.get("kind"))), t_ns=boot_ns + offset_ns, session=session, seq=seq,
        subject=str(words.get("subject", "")), text=str(words.get("text", "")), data=words["data"],
    )  # fmt: skip


def kind_of(word: str) -> EventKind:
    """Return the kind of an event; a kind that a newer soakrig invented reads as a note."""
    try:
        return EventKind(word)
    except ValueError:
        return EventKind.NOTE


@dataclass(slots=True)
class JournalReader:
    """Reads one journal, as often as it grows, without reading anything twice.

    ``frames`` holds every good frame so far, ``holes`` the damage between them, ``size`` the length
    of the file when it was last read and ``end`` the offset after the last good frame.
    """

    path: Path
    disk: Disk
    spare_facts: JournalFacts | None = None
    head: Head = field(init=False)
    facts: JournalFacts = field(init=False)
    frames: list[JournalFrame] = field(init=False, default_factory=list)
    holes: list[Hole] = field(init=False, default_factory=list)
    next_seq: int = field(init=False)
    end: int = field(init=False, default=HEADS_BYTES)
    size: int = field(init=False, default=0)
    closed: bool = field(init=False, default=False)

    def __post_init__(self) -> None:
        self.head = read_head(self.disk, self.path)
        self.next_seq = self.head.first_seq
        facts = self._read_facts() or self.spare_facts
        if facts is None:
            raise DamageError(
                f"{self.path}: the frame that names its channels is damaged and the session's own file "
                "is not there either; the journal cannot be decoded"
            )
        self.facts = facts

    def _read_facts(self) -> JournalFacts | None:
        start = self.disk.read(self.path, HEADS_BYTES, FRAME.size)
        if len(start) < FRAME.size:
            return None
        length = FRAME.unpack(start)[2]
        if length > frames.PAYLOAD_MAX:
            return None
        raw = self.disk.read(self.path, HEADS_BYTES, FRAME.size + length)
        first = frames.walk(raw, self.head.salt, seq=self.head.first_seq).frames
        if not first or first[0].type != FrameType.HEADER:
            return None
        try:
            return made(JournalFacts, json.loads(first[0].payload))
        except (ValueError, KeyError, TypeError):
            return None

    def advance(self) -> list[JournalFrame]:
        """Return the good frames that have come since the last call (records only, in order)."""
        data = self.disk.read(self.path, self.end)
        return self.take(data)

    def take(self, data: bytes) -> list[JournalFrame]:
        """Return the record frames in ``data``, the bytes of the file from ``end`` on."""
        found = frames.walk(data, self.head.salt, seq=self.next_seq, base=self.end)
        self.size = self.end + len(data)
        self.end = found.end
        self.holes += found.holes
        self.frames += found.frames
        records = [frame for frame in found.frames if frame.type in frames.RECORDS]
        if found.frames:
            last = found.frames[-1]
            self.next_seq = last.seq + (last.type in frames.RECORDS)
        self.closed = self.closed or any(frame.type == FrameType.END for frame in found.frames)
        return records

    def settled(self, successor_seq: int | None) -> tuple[list[JournalFrame], list[Hole], int]:
        """Return the records that count, the damage among them, and the offset where they end.

        ``successor_seq``: first record of the next journal of the same session: everything before it
        was durable, and it holds every later record again. Without one, bytes after the last proof
        of durability may have been torn by a power cut, so records beyond a hole there do not count.
        """
        end, until = self.end, self.next_seq
        holes = self.holes
        if successor_seq is not None:
            until = successor_seq
        elif holes:
            proof = frames.proven(self.frames)
            torn = next((hole for hole in holes if hole.offset >= proof), None)
            if torn is not None:
                end, until = torn.offset, torn.after_seq
                holes = [hole for hole in holes if hole.offset < torn.offset]
        records = [frame for frame in self.frames if frame.type in frames.RECORDS and frame.seq < until]
        return records, holes, end

    def faults(self, successor_seq: int | None) -> list[dict[str, Any]]:
        """Return a note on each stretch of bytes that is no good, as JSON values.

        Keys: journal, offset, size, after_seq, next_seq (None: unknown), reason (damaged or torn),
        start_ns and end_ns (UTC; last record before, first one after, None where there is none).
        """
        records, holes, end = self.settled(successor_seq)
        notes: list[dict[str, Any]] = []
        for hole in holes:
            before = next((frame for frame in reversed(records) if frame.seq < hole.after_seq), None)
            after = next((frame for frame in records if frame.seq >= hole.next_seq), None)
            notes.append(
                self._note(hole.offset, hole.size, hole.after_seq, before, after) | {"reason": "damaged"}
            )
        if self.size > end and successor_seq is None:
            seq = records[-1].seq + 1 if records else self.head.first_seq
            torn = self._note(end, self.size - end, seq, records[-1] if records else None, None)
            notes.append(torn | {"reason": "torn"})
        return notes

    def _note(
        self, offset: int, size: int, seq: int, before: JournalFrame | None, after: JournalFrame | None
    ) -> dict[str, Any]:
        return {
            "journal": self.path.name, "offset": offset, "size": size, "after_seq": seq,
            "next_seq": after.seq if after else None,
            "start_ns": stamp(before, self.head.offset_ns) if before else None,
            "end_ns": stamp(after, self.head.offset_ns) if after else None,
        }  # fmt: skip


def stamp(frame: JournalFrame, offset_ns: int) -> int:
    """Return the moment of a record (UTC ns): an event's own, of a scan the reply's."""
    at = 10 if frame.type == FrameType.SCAN else 0
    return int.from_bytes(frame.payload[at : at + 8], "little", signed=True) + offset_ns


def read_head(disk: Disk, path: Path) -> Head:
    """Return the head of a journal file. Raises FormatError (newer) or DamageError, both naming it."""
    try:
        return frames.parse_head(disk.read(path, 0, HEADS_BYTES))
    except frames.HeadError as error:
        if error.newer:
            raise FormatError(f"{path}: {error}; install the newer soakrig to read it") from None
        raise DamageError(f"{path}: not a readable journal: {error}") from None


def ending(next_seq: int, salt: int) -> tuple[bytes, bytes]:
    """Return the END frame and the SYNCED frame that close a journal, to be synced one after the other."""
    end = frames.seal(BODY.pack(0, next_seq, FrameType.END), salt)
    return end, synced(next_seq, salt)


def synced(next_seq: int, salt: int) -> bytes:
    """Return the frame that says that every byte before it is durable."""
    return frames.seal(BODY.pack(0, next_seq, FrameType.SYNCED), salt)
