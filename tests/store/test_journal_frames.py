"""Frames built here byte by byte as FORMAT.md says, and every kind of damage to them."""

from __future__ import annotations

import json
import struct
from pathlib import Path
from zlib import crc32

import pytest

from rig.domain.jsonmap import made, plain
from rig.domain.model import EventKind
from rig.errors import DamageError, FormatError
from rig.store import journal, journal_frames
from rig.store.files import OS_DISK
from rig.store.journal import JournalReader
from rig.store.journal_frames import HeadError, Hole, walk

SALT = 0x12345678
HEADER, SCAN, EVENT, SYNCED, END = 1, 2, 3, 4, 5
FACTS = {
    "boot_id": "b",
    "boot_ns": 5,
    "utc_ns": 1005,
    "synchronised": True,
    "software": "s",
    "host": "h",
    "config": "c",
    "blocks": [["A1.v", "A1.i"]],
}


def frame(kind: int, seq: int, payload: bytes = b"", salt: int = SALT) -> bytes:
    """Marker, CRC-32 begun with the salt, length, number, type, payload: all little-endian."""
    rest = struct.pack("<IQB", len(payload), seq, kind) + payload
    return b"\xf5\x72\x66\x1a" + struct.pack("<I", crc32(rest, salt)) + rest


def head_bytes(version: int = 1, magic: bytes = b"SOAKJRNL", first: int = 0, offset: int = 1000) -> bytes:
    one = struct.pack("<8sHHIIIQqq16s", magic, version, 0, 7, 3, SALT, first, offset, 99, bytes(range(16)))
    return one + struct.pack("<I", crc32(one))


def scan_payload(sent: int = 100, received: int = 120, values: tuple[float, ...] = (1.5, -2.5)) -> bytes:
    return struct.pack(f"<Hqq{len(values)}d{len(values)}s", 0, sent, received, *values, bytes(len(values)))


def event_payload(at: int = 130, **words: object) -> bytes:
    said = {"kind": "note", "subject": "A1", "text": "x", "data": {}} | words
    return struct.pack("<q", at) + json.dumps(said).encode()


# ---- the head


def test_the_head_is_read_field_by_field_from_either_copy() -> None:
    one = head_bytes(first=9, offset=-5)
    bad = bytes([one[0], one[1] ^ 1]) + one[2:]
    for both in (one + one, bad + one, one + bad, one + b"", one):
        head = journal_frames.parse_head(both)
        assert (head.session, head.journal, head.salt) == (7, 3, SALT)
        assert (head.first_seq, head.offset_ns, head.opened_ns) == (9, -5, 99)
        assert head.run == bytes(range(16))
    assert len(one) == 68
    assert journal_frames.pack_head(journal_frames.parse_head(one)) == one + one


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "empty"),
        (bytes(136), "136 zero bytes"),
        (bytes(1), "1 zero bytes"),
        (b"PK" * 68, "does not begin with"),
        (b"SOAKJRNL" + bytes(128), "both copies of its head fail"),
        (head_bytes()[:67], "both copies of its head fail"),
        (head_bytes(magic=b"SOAKJRNX") * 2, "does not begin with"),
    ],
)
def test_the_error_names_why_it_is_no_head(raw: bytes, words: str) -> None:
    with pytest.raises(HeadError, match=words) as caught:
        journal_frames.parse_head(raw)
    assert caught.value.newer == 0


@pytest.mark.parametrize(
    "raw",
    [
        head_bytes(version=2) * 2,
        head_bytes()[:9] + b"\xff" + head_bytes(version=2)[10:] + head_bytes(version=2),  # by its good copy
        b"SOAKJRNL\x02\x00" + bytes(126),  # a checksum of another kind
        b"SOAKJRNL\x02\x00",
    ],
)
def test_a_newer_format_is_recognised_by_its_number_whatever_its_checksum(raw: bytes) -> None:
    with pytest.raises(HeadError, match="reads format 1") as caught:
        journal_frames.parse_head(raw)
    assert caught.value.newer >= 2


def test_the_format_of_today_or_an_older_one_with_bad_checksums_is_damage_and_not_newer() -> None:
    for version in (0, 1):
        with pytest.raises(HeadError) as caught:
            journal_frames.parse_head(b"SOAKJRNL" + struct.pack("<H", version) + bytes(126))
        assert caught.value.newer == 0
    with pytest.raises(HeadError) as caught:
        journal_frames.parse_head(b"SOAKJRNL\x02")  # half a number
    assert caught.value.newer == 0


def test_which_error_a_head_makes_names_the_file_and_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "j000001.journal"
    path.write_bytes(head_bytes(version=3) * 2)
    with pytest.raises(FormatError, match=r"j000001\.journal: journal format 3.*install the newer"):
        journal.read_head(OS_DISK, path)
    path.write_bytes(b"")
    with pytest.raises(DamageError, match=r"j000001\.journal: not a readable journal: the file is empty"):
        journal.read_head(OS_DISK, path)


# ---- the walk


def kinds(found: journal_frames.FrameWalk) -> list[tuple[int, int]]:
    return [(one.type, one.seq) for one in found.frames]


A, B, C = frame(SCAN, 0, b"one"), frame(EVENT, 1, b"three"), frame(SCAN, 2, b"x" * 40)


def test_a_walk_finds_every_frame_its_place_and_its_end() -> None:
    data = A + B + frame(SYNCED, 2) + C
    found = walk(data, SALT, seq=0)
    assert kinds(found) == [(SCAN, 0), (EVENT, 1), (SYNCED, 2), (SCAN, 2)]
    assert [one.payload for one in found.frames] == [b"one", b"three", b"", b"x" * 40]
    assert [one.offset for one in found.frames] == [0, len(A), len(A + B), len(A + B) + 21]
    assert (found.end, found.holes) == (len(data), [])


def test_a_walk_from_within_a_file_counts_from_its_base() -> None:
    found = walk(b"before" + A + B, SALT, seq=0, start=6, base=136)
    assert [one.offset for one in found.frames] == [142, 142 + len(A)]
    assert found.end == 142 + len(A + B)
    nothing = walk(b"before", SALT, seq=0, start=6, base=136)
    assert (nothing.end, nothing.frames) == (142, [])


@pytest.mark.parametrize(
    "junk", [b"\0", b"\0" * 100, b"\xf5\x72\x66\x1a", frame(SCAN, 1, b"gone")[:-1], b"\xf5" * 3]
)
def test_bytes_that_are_no_frame_are_a_hole_between_good_ones(junk: bytes) -> None:
    found = walk(A + junk + B, SALT, seq=0, base=10)
    assert kinds(found) == [(SCAN, 0), (EVENT, 1)]
    assert found.holes == [Hole(offset=10 + len(A), size=len(junk), after_seq=1, next_seq=1)]
    assert found.end == 10 + len(A + junk + B)


def test_a_number_that_was_left_out_is_a_hole_of_no_bytes() -> None:
    found = walk(A + C, SALT, seq=0)
    assert kinds(found) == [(SCAN, 0), (SCAN, 2)]
    assert found.holes == [Hole(offset=len(A), size=0, after_seq=1, next_seq=2)]


def test_only_records_move_the_number_on() -> None:
    data = frame(HEADER, 0) + frame(SYNCED, 0) + A + frame(SYNCED, 1) + frame(200, 1) + B + frame(END, 2)
    found = walk(data, SALT, seq=0)
    assert len(found.frames) == 7
    assert found.holes == []


def test_a_number_below_the_expected_one_is_an_older_copy_and_no_frame() -> None:
    assert kinds(walk(B + A, SALT, seq=1)) == [(EVENT, 1)]
    assert kinds(walk(A, SALT, seq=1)) == []


@pytest.mark.parametrize("at", [0, 3, 4, 7, 8, 12, 20, 21, 23])
def test_any_changed_byte_of_a_frame_unmakes_it(at: int) -> None:
    changed = bytearray(A + B)
    changed[at] ^= 0x40
    assert kinds(walk(bytes(changed), SALT, seq=0)) == [(EVENT, 1)]


def test_frames_of_another_journal_left_in_the_blocks_are_not_taken() -> None:
    foreign = frame(SCAN, 1, b"old", salt=SALT + 1)
    assert kinds(walk(A + foreign + B, SALT, seq=0)) == [(SCAN, 0), (EVENT, 1)]


def test_an_unfinished_frame_at_the_end_waits(tmp_path: Path) -> None:
    for missing in range(1, len(B)):
        found = walk(A + B[:-missing], SALT, seq=0)
        assert kinds(found) == [(SCAN, 0)]
        assert found.end == len(A)
        assert found.holes == []


def test_a_payload_may_be_one_mebibyte_and_not_a_byte_more() -> None:
    assert len(walk(frame(EVENT, 0, bytes(1 << 20)), SALT, seq=0).frames) == 1
    assert walk(frame(EVENT, 0, bytes((1 << 20) + 1)), SALT, seq=0).frames == []


def test_the_last_synced_frame_proves_what_lies_before_it() -> None:
    data = A + frame(SYNCED, 1) + B + frame(SYNCED, 2) + C
    assert journal_frames.proven(walk(data, SALT, seq=0).frames) == len(A) + 21 + len(B)
    assert journal_frames.proven(walk(A + B, SALT, seq=0).frames) == -1
    assert journal_frames.proven([]) == -1


def test_bodies_are_sealed_as_the_page_says() -> None:
    assert journal_frames.seal(journal_frames.body(journal_frames.FrameType.EVENT, 5, b"abc"), SALT) == frame(
        EVENT, 5, b"abc"
    )
    assert journal_frames.seal(journal_frames.body(journal_frames.FrameType.END, 5), SALT) == frame(END, 5)
    assert journal_frames.scan_bytes(2) == len(scan_payload())
    packed = journal_frames.scan_body(2).pack(
        journal_frames.scan_bytes(2), 4, SCAN, 0, 100, 120, 1.5, -2.5, b"\0\0"
    )
    assert journal_frames.seal(packed, SALT) == frame(SCAN, 4, scan_payload())
    assert journal_frames.scan_payload(2).unpack(scan_payload()) == (0, 100, 120, 1.5, -2.5, b"\0\0")
    assert journal.ending(9, SALT) == (frame(END, 9), frame(SYNCED, 9))


# ---- a journal


def file_of(
    folder: Path, *rest: bytes, first: int = 0, facts: bytes | None = None, offset: int = 1000
) -> Path:
    path = folder / "j000003.journal"
    one = head_bytes(first=first, offset=offset)
    begin = frame(HEADER, first, json.dumps(FACTS).encode() if facts is None else facts)
    path.write_bytes(one + one + begin + b"".join(rest))
    return path


def read(path: Path, spare: journal.JournalFacts | None = None) -> JournalReader:
    found = JournalReader(path, OS_DISK, spare)
    found.advance()
    return found


def test_a_journal_names_its_channels_and_holds_its_records(tmp_path: Path) -> None:
    found = read(file_of(tmp_path, A, B, frame(SYNCED, 2)))
    assert found.facts == made(journal.JournalFacts, FACTS)
    assert plain(found.facts) == plain(made(journal.JournalFacts, FACTS))
    assert [one.seq for one in found.frames if one.type in (SCAN, EVENT)] == [0, 1]
    assert (found.next_seq, found.closed) == (2, False)
    assert found.size == found.path.stat().st_size


@pytest.mark.parametrize(
    "facts",
    [
        b"{}",
        b"not json",
        json.dumps(FACTS | {"blocks": 5}).encode(),
        json.dumps(FACTS | {"boot_ns": "x"}).encode(),
    ],
)
def test_a_journal_whose_facts_are_no_good_is_read_by_those_of_its_session(
    tmp_path: Path, facts: bytes
) -> None:
    spare = made(journal.JournalFacts, FACTS | {"host": "spare"})
    path = file_of(tmp_path, A, B, facts=facts)
    found = read(path, spare)
    assert found.facts.host == "spare"
    assert [one.seq for one in found.frames if one.type in (SCAN, EVENT)] == [0, 1]
    with pytest.raises(DamageError, match=r"j000003\.journal: the frame that names its channels is damaged"):
        JournalReader(path, OS_DISK)


def test_a_flipped_byte_in_the_facts_leaves_the_records_and_the_journals_own_facts_win(
    tmp_path: Path,
) -> None:
    spare = made(journal.JournalFacts, FACTS | {"host": "spare"})
    path = file_of(tmp_path, A, B)
    assert read(path, spare).facts.host == "h"
    raw = bytearray(path.read_bytes())
    for at in (136, 144, 170):
        bad = raw.copy()
        bad[at] ^= 1
        path.write_bytes(bad)
        found = read(path, spare)
        assert found.facts.host == "spare"
        assert [one.seq for one in found.frames] == [0, 1]


def test_a_journal_cut_within_its_facts_is_read_by_the_sessions(tmp_path: Path) -> None:
    spare = made(journal.JournalFacts, FACTS)
    path = file_of(tmp_path)
    raw = path.read_bytes()
    for size in (136, 140, 156, 157, len(raw) - 1):
        path.write_bytes(raw[:size])
        assert read(path, spare).facts == spare
    path.write_bytes(raw[:136] + frame(SCAN, 0, scan_payload()))  # another frame in its place
    assert read(path, spare).facts == spare


def test_a_growing_journal_gives_each_record_once(tmp_path: Path) -> None:
    path = file_of(tmp_path, A)
    found = JournalReader(path, OS_DISK)
    assert [one.seq for one in found.advance()] == [0]
    assert found.advance() == []
    with path.open("ab") as out:
        out.write(B[:10])
    assert found.advance() == []
    with path.open("ab") as out:
        out.write(B[10:] + frame(END, 2) + frame(SYNCED, 2))
    assert [one.seq for one in found.advance()] == [1]
    assert (found.closed, found.next_seq) == (True, 2)
    assert found.advance() == []
    assert found.closed


@pytest.mark.parametrize(
    ("ending", "closed"),
    [
        (frame(END, 2) + frame(SYNCED, 2), True),
        (frame(SYNCED, 2) + frame(END, 2), False),
        (frame(END, 2), False),
        (frame(SYNCED, 2) + frame(SYNCED, 2), False),
        (frame(END, 2) + frame(SYNCED, 2) + b"\0", False),
        (b"", False),
    ],
)
def test_a_journal_is_closed_by_end_and_synced_and_nothing_after(
    tmp_path: Path, ending: bytes, closed: bool
) -> None:
    path = file_of(tmp_path, A, B, ending)
    assert journal.ends_closed(OS_DISK, path, journal.read_head(OS_DISK, path)) is closed


def test_a_journal_without_records_can_be_closed(tmp_path: Path) -> None:
    path = file_of(tmp_path, frame(END, 0), frame(SYNCED, 0))
    assert journal.ends_closed(OS_DISK, path, journal.read_head(OS_DISK, path))


def test_a_journal_of_its_heads_alone_is_not_closed(tmp_path: Path) -> None:
    path = tmp_path / "j000003.journal"
    path.write_bytes(head_bytes() * 2)
    assert not journal.ends_closed(OS_DISK, path, journal.read_head(OS_DISK, path))


# ---- what is believed (FORMAT.md, "What is believed")

JUNK = b"\0" * 30


def settled(path: Path, successor: int | None = None) -> tuple[list[int], list[Hole], int]:
    found = read(path)
    records, holes, end = found.settled(successor)
    return [one.seq for one in records], holes, end


def test_a_hole_before_the_last_proof_is_damage_and_what_follows_counts(tmp_path: Path) -> None:
    path = file_of(tmp_path, A, JUNK, C, frame(SYNCED, 3))
    seqs, holes, end = settled(path)
    assert seqs == [0, 2]
    assert [(h.size, h.after_seq, h.next_seq) for h in holes] == [(30, 1, 2)]
    assert end == path.stat().st_size


def test_a_hole_after_the_last_proof_ends_what_counts(tmp_path: Path) -> None:
    path = file_of(tmp_path, A, frame(SYNCED, 1), JUNK, C)
    seqs, holes, end = settled(path)
    assert (seqs, holes) == ([0], [])
    assert end == path.stat().st_size - len(JUNK + C)
    path = file_of(tmp_path, A, JUNK, B, frame(SYNCED, 2), C, JUNK, frame(SCAN, 3, b"late"))
    seqs, holes, _ = settled(path)
    assert seqs == [0, 1, 2]
    assert [h.next_seq for h in holes] == [1]


def test_without_any_proof_the_first_hole_ends_what_counts(tmp_path: Path) -> None:
    assert settled(file_of(tmp_path, A, JUNK, B, JUNK, C))[0] == [0]


def test_a_successor_proves_all_before_its_first_number_and_holds_the_rest(tmp_path: Path) -> None:
    path = file_of(tmp_path, A, JUNK, C, frame(SCAN, 3, b"x"), frame(SCAN, 4, b"y"))
    seqs, holes, end = settled(path, 4)
    assert seqs == [0, 2, 3]
    assert [h.next_seq for h in holes] == [2]
    assert end == path.stat().st_size
    assert settled(path, 3)[0] == [0, 2]


def test_damage_is_reported_with_its_place_its_numbers_and_the_time_it_covers(tmp_path: Path) -> None:
    before, after = frame(SCAN, 0, scan_payload(100, 120)), frame(EVENT, 4, event_payload(500))
    path = file_of(
        tmp_path, before, JUNK, after, frame(SYNCED, 5), frame(SCAN, 5, scan_payload(600, 620)), JUNK
    )
    begin = path.stat().st_size - len(before + JUNK + after + frame(SYNCED, 5) + JUNK) - len(before)
    damaged, torn = read(path).faults(None)
    assert damaged == {
        "journal": "j000003.journal",
        "offset": begin + len(before),
        "size": 30,
        "after_seq": 1,
        "next_seq": 4,
        "start_ns": 1120,
        "end_ns": 1500,
        "reason": "damaged",
    }
    assert torn == {
        "journal": "j000003.journal", "offset": path.stat().st_size - 30, "size": 30, "after_seq": 6,
        "next_seq": None, "start_ns": 1620, "end_ns": None, "reason": "torn",
    }  # fmt: skip
    assert [note["reason"] for note in read(path).faults(6)] == ["damaged"]


def test_damage_before_the_first_and_after_the_last_record_has_no_time_on_that_side(tmp_path: Path) -> None:
    path = file_of(tmp_path, JUNK, frame(SCAN, 9, scan_payload()), frame(SYNCED, 10), first=7)
    [note] = read(path).faults(None)
    assert (note["after_seq"], note["next_seq"], note["start_ns"], note["end_ns"]) == (7, 9, None, 1120)
    path = file_of(tmp_path, JUNK, first=7)
    [note] = read(path).faults(None)
    assert (note["after_seq"], note["reason"], note["start_ns"], note["end_ns"]) == (7, "torn", None, None)
    assert read(file_of(tmp_path, A, B)).faults(None) == []


# ---- events and names


def test_an_event_survives_its_bytes() -> None:
    payload = journal.event_payload(EventKind.SWITCH, -5, "A1", "läuft", {"a": [1, None]})
    assert payload[:8] == struct.pack("<q", -5)
    event = journal.parse_event(payload, session=2, seq=3, offset_ns=100)
    assert (event.kind, event.t_ns, event.session, event.seq) == (EventKind.SWITCH, 95, 2, 3)
    assert (event.subject, event.text, event.data) == ("A1", "läuft", {"a": [1, None]})


def test_an_event_of_a_kind_invented_later_is_a_note() -> None:
    assert (
        journal.parse_event(event_payload(kind="teleport"), session=1, seq=0, offset_ns=0).kind
        is EventKind.NOTE
    )


@pytest.mark.parametrize(
    "payload", [b"", b"12345678", event_payload()[:-1], event_payload(data=[1]), b"12345678[]"]
)
def test_bytes_that_are_no_event_are_refused(payload: bytes) -> None:
    with pytest.raises(ValueError, match=r".+"):
        journal.parse_event(payload, session=1, seq=0, offset_ns=0)


@pytest.mark.parametrize(
    ("name", "number"),
    [("j000001.journal", 1), ("j1234567.journal", 1234567), ("j1.journal", None), ("j0000001.journal", None),
     ("000001.journal", None), ("j000001", None), (".j000001.journal.tmp", None), ("j00000x.journal", None),
     ("j.journal", None)],
)  # fmt: skip
def test_the_number_of_a_journal_is_read_from_its_very_name(name: str, number: int | None) -> None:
    assert journal.number(name) == number
    if number is not None:
        assert journal.name(number) == name
