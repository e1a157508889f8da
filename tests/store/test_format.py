"""The format page is enough: a run is read here by what FORMAT.md says, with nothing of the store."""

from __future__ import annotations

import json
import struct
import uuid
import zlib
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq

from rig.domain.model import EventKind, Status
from rig.store import rundir
from rig.store.seal import seal
from tests.store.rooms import BLOCKS, BOOT_NS, SECOND, UTC_NS, new_run, scan, writer


def recorded(folder: Path) -> rundir.RunDir:
    run = new_run(folder)
    recorder = writer(run)
    recorder.scan(scan(0, 1, (1.5, -2.5)))
    recorder.event(EventKind.NOTE, BOOT_NS + 7, "mains", "läuft", {"a": [1]})
    recorder.sync()
    recorder.scan(scan(1, 2, (0.1, float("nan"), 7.0), bytes([0, Status.NO_REPLY, 1])))
    recorder.close()
    return run


def test_a_journal_is_what_the_format_page_says(tmp_path: Path) -> None:
    run = recorded(tmp_path)
    raw = (run.path / "journal" / "j000001.journal").read_bytes()
    head = raw[:68]
    assert raw[68:136] == head
    magic, version, zero, session, number, salt, first, offset, opened = struct.unpack(
        "<8sHHIIIQqq", head[:48]
    )
    assert (magic, version, zero, session, number, first) == (b"SOAKJRNL", 1, 0, 1, 1, 0)
    assert (offset, opened) == (UTC_NS - BOOT_NS, UTC_NS)
    assert uuid.UUID(bytes=head[48:64]) == uuid.UUID(run.id)
    assert struct.unpack("<I", head[64:])[0] == zlib.crc32(head[:64])
    frames = []
    at = 136
    while at < len(raw):
        assert raw[at : at + 4] == bytes.fromhex("F572661A")
        crc, length, seq, kind = struct.unpack("<IIQB", raw[at + 4 : at + 21])
        payload = raw[at + 21 : at + 21 + length]
        assert crc == zlib.crc32(raw[at + 8 : at + 21 + length], salt)
        frames.append((kind, seq, payload))
        at += 21 + length
    assert at == len(raw)
    assert [(kind, seq) for kind, seq, _ in frames] == [
        (1, 0),
        (4, 0),
        (2, 0),
        (3, 1),
        (4, 2),
        (2, 2),
        (5, 3),
        (4, 3),
    ]
    facts = json.loads(frames[0][2])
    assert facts["blocks"] == [list(block) for block in BLOCKS]
    assert (facts["boot_ns"], facts["utc_ns"], facts["synchronised"]) == (BOOT_NS, UTC_NS, True)
    block, sent, received, volts, amps, status = struct.unpack("<Hqq2d2s", frames[2][2])
    assert (block, volts, amps, status) == (0, 1.5, -2.5, b"\0\0")
    assert (sent, received) == (BOOT_NS + SECOND, BOOT_NS + SECOND + 20_000_000)
    (moment,) = struct.unpack("<q", frames[3][2][:8])
    assert moment == BOOT_NS + 7
    assert json.loads(frames[3][2][8:]) == {
        "kind": "note", "subject": "mains", "text": "läuft", "data": {"a": [1]},
    }  # fmt: skip
    assert struct.unpack("<Hqq3d3s", frames[5][2])[-1] == bytes([0, 5, 1])


def test_a_sealed_pair_is_what_the_format_page_says(tmp_path: Path) -> None:
    run = recorded(tmp_path)
    seal(run)
    name = "2026-01-01T00-000001-000001"
    whole = (run.path / "sealed" / f"{name}.json").read_bytes()
    outer = json.loads(whole)
    text = whole[len(b'{"crc32":"xxxxxxxx","index":') : -len(b"}\n")]
    assert outer["crc32"] == f"{zlib.crc32(text):08x}"
    index = outer["index"]
    assert (index["format"], index["run"], index["journals"], index["events"]) == (1, run.id, [1, 1], 1)
    assert index["statuses"][str(int(Status.NO_REPLY))] == "NO_REPLY"
    assert index["sessions"]["1"]["start_ns"] == UTC_NS + 7
    for folder in ("readings", "events"):
        raw = (run.path / folder / f"{name}.parquet").read_bytes()
        note = index["files"][folder]
        assert (note["size"], note["crc"]) == (len(raw), zlib.crc32(raw))
        assert note["tail"] == int.from_bytes(raw[-8:-4], "little") + 8
        assert note["tail_crc"] == zlib.crc32(raw[-note["tail"] :])
        texts = pq.read_metadata(run.path / folder / f"{name}.parquet").metadata
        assert texts is not None
        inner = json.loads(texts[b"soakrig"])
        assert inner["sessions"] == index["sessions"]
        assert inner["files"] == {}
    file = pq.ParquetFile(run.path / "readings" / f"{name}.parquet")
    assert [str(one) for one in file.schema_arrow.types] == [
        "timestamp[us, tz=UTC]", "dictionary<values=string, indices=int32, ordered=0>", "double", "uint8",
        "int64", "int32",
    ]  # fmt: skip
    assert list(index["channels"]) == sorted(name for block in BLOCKS for name in block)
    for k, (channel, (rows, crc, start_ns, end_ns, low, high, worst)) in enumerate(index["channels"].items()):
        table = file.read_row_group(k)
        assert set(table["channel"].to_pylist()) == {channel}
        time = table["time"].to_numpy().astype("datetime64[us]").astype("<i8") * 1000
        value = table["value"].to_numpy().astype("<f8")
        columns = (time, table["half_width"].to_numpy().astype("<i8") * 1000, value,
                   table["status"].to_numpy(), table["session"].to_numpy().astype("<i4"))  # fmt: skip
        assert crc == zlib.crc32(b"".join(column.tobytes() for column in columns))
        assert (rows, start_ns, end_ns, worst) == (1, time[0], time[0], table["status"][0].as_py())
        assert [low, high] == ([None, None] if np.isnan(value[0]) else [value[0], value[0]])
