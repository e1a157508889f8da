"""The index of a sealed pair: what is written is read back, and what is no index is refused by name."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any
from zlib import crc32

import pytest

from rig.errors import DamageError, FormatError
from rig.store.files import OS_DISK
from rig.store.index import ChannelNote, FileNote, Index, SessionNote, pack, read

NOTE = SessionNote(
    boot_id="b",
    offset_ns=1,
    boot_ns=2,
    utc_ns=3,
    synchronised=True,
    software="s",
    host="h",
    config="c",
    start_ns=4,
    end_ns=5,
)
INDEX = Index(
    run="r",
    first=3,
    last=7,
    sessions={2: NOTE},
    channels={
        "A1.v": ChannelNote(10, 11, 12, 13, -1.5, math.inf, 4),
        "A1.i": ChannelNote(1, 2, 3, 4, -math.inf, 0.0, 0),
    },
    events=6,
    damage=({"offset": 1},),
    files={"readings": FileNote(size=1, crc=2, tail=3, tail_crc=4)},
)


def written(folder: Path, index: Index = INDEX) -> Path:
    path = folder / "x.json"
    path.write_bytes(pack(index.to_bytes()))
    return path


def test_an_index_comes_back_as_it_was(tmp_path: Path) -> None:
    found = read(OS_DISK, written(tmp_path))
    assert found == INDEX
    assert list(found.channels) == ["A1.v", "A1.i"]


def test_a_channel_without_a_number_has_no_bounds(tmp_path: Path) -> None:
    blank = replace(INDEX, channels={"x": ChannelNote(1, 2, 3, 4, math.nan, math.nan, 9)})
    path = written(tmp_path, blank)
    assert b"[1,2,3,4,null,null,9]" in path.read_bytes()
    note = read(OS_DISK, path).channels["x"]
    assert math.isnan(note.low)
    assert math.isnan(note.high)
    assert note.worst == 9


def test_the_file_is_json_with_the_checksum_of_its_text(tmp_path: Path) -> None:
    raw = written(tmp_path).read_bytes()
    assert raw.startswith(b'{"crc32":"%08x","index":' % crc32(INDEX.to_bytes()))
    outer = json.loads(raw)
    assert outer["index"]["journals"] == [3, 7]
    assert outer["index"]["told"] is None
    assert raw.endswith(b"}\n")


@pytest.mark.parametrize("at", [0, 10, 12, 19, 30, 100, -1, -2, -3])
def test_any_changed_byte_is_found(tmp_path: Path, at: int) -> None:
    path = written(tmp_path)
    raw = bytearray(path.read_bytes())
    raw[at] ^= 1
    path.write_bytes(raw)
    with pytest.raises(DamageError, match=r"x\.json: wrong checksum"):
        read(OS_DISK, path)


def test_a_missing_index_is_missing_and_one_that_cannot_be_read_is_damage(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        read(OS_DISK, tmp_path / "none.json")
    with pytest.raises(DamageError, match=r"not readable \(Is a directory\)"):
        read(OS_DISK, tmp_path)


def content() -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(INDEX.to_bytes())
    return loaded


@pytest.mark.parametrize(("number", "newer"), [(0, False), (1, False), (2, True), (99, True)])
def test_a_newer_format_is_refused_as_newer(number: int, newer: bool) -> None:
    raw = json.dumps(content() | {"format": number}).encode()
    if not newer:
        assert Index.parse(Path("x"), raw).run == "r"
        return
    with pytest.raises(FormatError, match=f"sealed format {number}, this soakrig reads format 1"):
        Index.parse(Path("x"), raw)


@pytest.mark.parametrize(
    "key", ["format", "run", "journals", "sessions", "channels", "events", "damage", "files"]
)
def test_an_index_that_lacks_something_is_no_index(key: str) -> None:
    lacking = content()
    del lacking[key]
    with pytest.raises(DamageError, match="x: index of the sealed pair not readable"):
        Index.parse(Path("x"), json.dumps(lacking).encode())


@pytest.mark.parametrize("raw", [b"", b"[]", b"{", b"7", b'{"format": 1}'])
def test_other_json_is_no_index(raw: bytes) -> None:
    with pytest.raises(DamageError, match="x: index of the sealed pair not readable"):
        Index.parse(Path("x"), raw)


def test_an_index_from_before_events_were_summed_up_is_read() -> None:
    old = content()
    del old["told"]
    assert Index.parse(Path("x"), json.dumps(old).encode()).event_summary is None
