"""Bytes at random: whatever is in a journal or an index, reading it ends in frames or in a named error."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from rig.domain.model import EventKind
from rig.errors import StoreError
from rig.store import journal_frames
from rig.store.index import ChannelNote, Index, SessionNote
from rig.store.journal_frames import FrameType, Head

SALT = 0x5EED5EED


def small_journal() -> bytes:
    head = Head(session=1, journal=1, salt=SALT, first_seq=0, offset_ns=7, opened_ns=9, run=bytes(16))
    parts = [
        journal_frames.pack_head(head),
        journal_frames.seal(journal_frames.body(FrameType.HEADER, 0, b"{}"), SALT),
    ]
    for seq in range(8):
        kind = FrameType.EVENT if seq % 3 else FrameType.SCAN
        parts.append(
            journal_frames.seal(
                journal_frames.body(kind, seq, str(EventKind.NOTE).encode() * (seq + 1)), SALT
            )
        )
        parts.append(journal_frames.seal(journal_frames.body(FrameType.SYNCED, seq + 1), SALT))
    return b"".join(parts)


def mutated(raw: bytes, dice: random.Random) -> bytes:
    data = bytearray(raw)
    for _ in range(dice.randint(1, 4)):
        at, size = dice.randrange(len(data) + 1), dice.randint(1, 40)
        match dice.randrange(6):
            case 0:
                data[at : at + 1] = dice.randbytes(1)
            case 1:
                del data[at : at + size]
            case 2:
                data[at:at] = dice.randbytes(size)
            case 3:
                data[at : at + size] = bytes(size)
            case 4:
                data[at:at] = raw[dice.randrange(len(raw)) :][:size]
            case _:
                data[at:at] = journal_frames.MARKER + dice.randbytes(17)
    return bytes(data)


def fuzz_journals(times: int, seed: int) -> int:
    raw = small_journal()
    good = {(f.type, f.seq, f.payload) for f in journal_frames.walk(raw, SALT, seq=0).frames}
    dice = random.Random(seed)
    found = 0
    for _ in range(times):
        data = mutated(raw, dice)
        try:
            assert journal_frames.parse_head(data).salt == SALT
        except journal_frames.HeadError:
            pass
        walk = journal_frames.walk(data, SALT, seq=0)
        assert good.issuperset((f.type, f.seq, f.payload) for f in walk.frames)
        assert walk.end <= len(data)
        numbers = [f.seq for f in walk.frames if f.type in journal_frames.RECORDS]
        assert numbers == sorted(set(numbers))
        found += len(walk.frames)
    return found


def fuzz_indexes(times: int, seed: int) -> int:
    session = SessionNote(
        boot_id="b", offset_ns=1, boot_ns=2, utc_ns=3, synchronised=True, software="s", host="h", config="c",
        start_ns=4, end_ns=5,
    )  # fmt: skip
    note = ChannelNote(rows=1, crc=2, start_ns=3, end_ns=4, low=5.0, high=6.0, worst=0)
    raw = Index(run="r", first=1, last=1, sessions={1: session}, channels={"A1.volts": note}).to_bytes()
    dice = random.Random(seed)
    read = 0
    for _ in range(times):
        try:
            Index.parse(Path("x"), mutated(raw, dice))
            read += 1
        except StoreError:
            continue
    return read


def test_mutated_journals_and_indexes_give_good_frames_or_named_errors() -> None:
    assert fuzz_journals(5_000, 1) > 5_000
    assert fuzz_indexes(3_000, 2) < 3_000


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_a_million_mutated_journals_and_indexes_give_good_frames_or_named_errors() -> None:
    assert fuzz_journals(1_000_000, 3) > 1_000_000
    assert fuzz_indexes(1_000_000, 4) < 1_000_000
