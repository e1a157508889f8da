"""Damage to a journal: every kind has its name, nothing changed is ever taken for a reading."""

from __future__ import annotations

import random
from pathlib import Path
from zlib import crc32

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import DamageError, FormatError
from rig.store import journal, journal_frames, rundir
from rig.store.files import OS_DISK
from rig.store.journal_frames import FRAME, HEADS_BYTES
from rig.store.reader import RunReader
from rig.store.seal import seal
from tests.store.rooms import new_run, pair, writer

SECONDS = 12


def recorded(folder: Path, *, close: bool = True, every: int = 1) -> tuple[rundir.RunDir, Path, bytes]:
    """Return a run of twelve seconds, its journal and the journal's bytes."""
    run = new_run(folder)
    recorder = writer(run)
    for k in range(SECONDS):
        recorder.scans(pair(k))
        if k % every == every - 1:
            recorder.sync()
    assert recorder.path is not None
    if close:
        recorder.close()
    return run, recorder.path, recorder.path.read_bytes()


def values(run: rundir.RunDir) -> tuple[list[float], list[float]]:
    recording = RunReader.open(run.path)
    return recording.series("A1.volts").value.tolist(), recording.series("mains").value.tolist()


VOLTS = [k + 0.25 for k in range(SECONDS)]
MAINS = [1000.0 + k for k in range(SECONDS)]


def record_places(raw: bytes) -> list[tuple[int, int]]:
    """Return offset and payload size of each record."""
    head = journal_frames.parse_head(raw)
    found = journal_frames.walk(raw[HEADS_BYTES:], head.salt, seq=0, base=HEADS_BYTES)
    return [
        (frame.offset, len(frame.payload)) for frame in found.frames if frame.type in journal_frames.RECORDS
    ]


def record_offsets(raw: bytes) -> list[int]:
    return [offset for offset, _ in record_places(raw)]


def test_a_journal_cut_at_any_byte_reads_as_a_prefix(tmp_path: Path) -> None:
    run, path, raw = recorded(tmp_path, close=False)
    whole = len(record_offsets(raw))
    counts = []
    every_byte_of_the_last_records = range(len(raw) - 160, len(raw))
    for size in (*range(HEADS_BYTES + 400, len(raw) - 160, 11), *every_byte_of_the_last_records):
        path.write_bytes(raw[:size])
        volts, mains = values(run)
        assert volts == VOLTS[: len(volts)]
        assert mains == MAINS[: len(mains)]
        assert len(volts) - len(mains) in {0, 1}
        counts.append(len(volts) + len(mains))
    assert counts == sorted(counts)
    assert counts[-1] == whole - 1


def test_a_tail_of_zeros_of_any_length_reads_as_a_prefix_and_is_reported(tmp_path: Path) -> None:
    run, path, raw = recorded(tmp_path, close=False)
    for zeros in range(1, 300, 7):
        damaged = raw[:-zeros] + bytes(zeros)
        path.write_bytes(damaged)
        volts, mains = values(run)
        assert volts == VOLTS[: len(volts)]
        assert mains == MAINS[: len(mains)]
        assert (damaged == raw) == (RunReader.open(run.path).skipped == ())


def test_one_flipped_bit_costs_no_more_than_one_record_and_never_changes_a_value(tmp_path: Path) -> None:
    run, path, raw = recorded(tmp_path)
    records = record_places(raw)
    dice = random.Random(4)
    for place in dice.sample(range(8 * len(raw)), 250):
        damaged = bytearray(raw)
        damaged[place // 8] ^= 1 << place % 8
        path.write_bytes(damaged)
        volts, mains = values(run)
        assert set(volts) <= set(VOLTS)
        assert set(mains) <= set(MAINS)
        in_record = any(at <= place // 8 < at + FRAME.size + size for at, size in records)
        assert len(volts) + len(mains) == 2 * SECONDS - in_record
        noticed = [one.reason for one in RunReader.open(run.path).skipped]
        assert bool(noticed) == (place // 8 >= HEADS_BYTES)
        assert all(" bytes at offset " in reason for reason in noticed)


def test_a_hole_among_records_that_were_never_synced_ends_the_prefix_there(tmp_path: Path) -> None:
    run, path, raw = recorded(tmp_path, close=False, every=100)
    at = record_offsets(raw)[10]
    path.write_bytes(raw[:at] + bytes(40) + raw[at + 40 :])
    assert values(run) == (VOLTS[:5], MAINS[:5])


def test_a_hole_among_synced_records_costs_only_what_it_covers(tmp_path: Path) -> None:
    run, path, raw = recorded(tmp_path, close=False)
    at = record_offsets(raw)[10]
    path.write_bytes(raw[:at] + bytes(40) + raw[at + 40 :])
    assert values(run) == (VOLTS[:5] + VOLTS[6:], MAINS)
    (skipped,) = RunReader.open(run.path).skipped
    assert "records 10 to 10 are missing" in skipped.reason
    assert skipped.start_ns is not None
    assert skipped.end_ns is not None
    assert 0 < skipped.end_ns - skipped.start_ns <= 1_100_000_000


def test_damaged_bytes_are_kept_when_the_rest_is_sealed(tmp_path: Path) -> None:
    run, path, raw = recorded(tmp_path)
    at = record_offsets(raw)[10]
    path.write_bytes(raw[: at + 30] + b"\xff" + raw[at + 31 :])
    seal(run, finish=True)
    assert values(run) == (VOLTS[:5] + VOLTS[6:], MAINS)
    (aside,) = run.folder("damaged").iterdir()
    assert aside.name == f"j000001-{at:08d}.bytes"
    assert len(aside.read_bytes()) == record_offsets(raw)[11] - at
    (skipped,) = RunReader.open(run.path).skipped
    assert "damaged bytes" in skipped.reason


def test_one_damaged_head_is_read_from_its_copy_and_two_are_named(tmp_path: Path) -> None:
    run, path, raw = recorded(tmp_path)
    for start in (0, journal_frames.HEAD_BYTES):
        path.write_bytes(raw[: start + 20] + b"\xff\xff\xff\xff" + raw[start + 24 :])
        assert values(run) == (VOLTS, MAINS)
    path.write_bytes(bytes(HEADS_BYTES) + raw[HEADS_BYTES:])
    with pytest.raises(DamageError, match=r"j000001\.journal: not a readable .*begins with 136 zero bytes"):
        journal.read_head(OS_DISK, path)
    assert values(run) == ([], [])
    assert [one.path for one in RunReader.open(run.path).skipped] == [path]


def test_damaged_session_facts_are_read_from_the_sessions_own_file(tmp_path: Path) -> None:
    run, path, raw = recorded(tmp_path)
    path.write_bytes(raw[: HEADS_BYTES + 60] + b"\xff" + raw[HEADS_BYTES + 61 :])
    assert values(run) == (VOLTS, MAINS)
    (run.folder("sessions") / rundir.session_name(1)).unlink()
    assert values(run) == ([], [])
    assert "names its channels is damaged" in RunReader.open(run.path).skipped[0].reason


def test_a_newer_format_is_refused_by_name_and_left_alone(tmp_path: Path) -> None:
    run, path, raw = recorded(tmp_path)
    newer = bytearray(raw)
    newer[8:10] = (7).to_bytes(2, "little")
    newer[journal_frames.HEAD_BYTES + 8 : journal_frames.HEAD_BYTES + 10] = (7).to_bytes(2, "little")
    path.write_bytes(newer)
    with pytest.raises(FormatError, match="journal format 7, this soakrig reads format 1"):
        journal.read_head(OS_DISK, path)
    assert "install the newer soakrig" in RunReader.open(run.path).skipped[0].reason
    assert seal(run).sealed == ()
    assert path.read_bytes() == bytes(newer)


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "the file is empty"),
        (bytes(5000), "begins with 136 zero bytes"),
        (b"hello" * 100, "does not begin with"),
    ],
    ids=["empty", "zeros", "foreign"],
)
def test_a_file_that_is_no_journal_is_named_and_the_others_are_read(
    tmp_path: Path, content: bytes, reason: str
) -> None:
    run, _path, _ = recorded(tmp_path)
    (run.folder("journal") / journal.name(2)).write_bytes(content)
    (run.folder("journal") / "notes.txt").write_text("mine")
    assert values(run) == (VOLTS, MAINS)
    reasons = [one.reason for one in RunReader.open(run.path).skipped]
    assert len(reasons) == 2
    assert "not a file of a recording" in reasons[0]
    assert reason in reasons[1]


def test_frames_left_on_the_disk_by_another_journal_are_not_taken_for_this_ones(tmp_path: Path) -> None:
    run, path, raw = recorded(tmp_path / "one", close=False)
    _, _, other = recorded(tmp_path / "two", close=False)
    at = record_offsets(other)[0]
    path.write_bytes(raw + other[at:])
    assert values(run) == (VOLTS, MAINS)


def test_the_checksum_is_the_crc_32_of_ethernet_and_zip() -> None:
    # Check value 0xCBF43926 for "123456789": ITU-T V.42 / IEEE 802.3, as catalogued for CRC-32/ISO-HDLC.
    assert crc32(b"123456789") == 0xCBF43926
    part = journal_frames.body(journal_frames.FrameType.EVENT, 0, b"x")
    whole = journal_frames.seal(part, 0)
    assert whole[4:8] == crc32(whole[8:]).to_bytes(4, "little")


@given(st.binary(max_size=400), st.integers(0, 2**32 - 1))
def test_any_bytes_at_all_are_walked_without_an_error(data: bytes, salt: int) -> None:
    good = journal_frames.seal(journal_frames.body(journal_frames.FrameType.EVENT, 3, b"payload"), salt)
    found = journal_frames.walk(data + good, salt, seq=3)
    assert [frame.payload for frame in found.frames][-1:] == [b"payload"]


@given(st.binary(max_size=200))
def test_any_bytes_at_all_are_a_head_or_a_named_error(data: bytes) -> None:
    for raw in (data, journal_frames.MAGIC + data):
        with pytest.raises(journal_frames.HeadError):
            journal_frames.parse_head(raw)


def test_a_journal_goes_on_in_the_next_one_of_its_session_alone(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    first = writer(run)
    first.scans(pair(0))
    first.rotate()
    first.scans(pair(1))
    first.rotate()
    writer(run, session=2)
    readers = [journal.JournalReader(run.folder("journal") / journal.name(k), OS_DISK) for k in (1, 2, 3, 4)]
    assert journal.successor_seqs(readers) == [2, 4, None, None]
    assert journal.successor_seqs(readers[:2]) == [2, None]
    assert journal.successor_seqs([]) == []
