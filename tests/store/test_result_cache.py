"""What is kept in a run counts while nothing it was made of has changed, and not a moment longer."""

from __future__ import annotations

import json
import math
import os
from pathlib import Path
from zlib import crc32

import pytest

from rig.fleet import upload, upload_state
from rig.store import incident_files, result_cache, rundir, seal, session_state, writer
from tests.store.rooms import new_run, pair
from tests.store.rooms import writer as writer_of

ANSWER = {"unit": "A1", "words": "größer als", "width": math.inf, "none": None}


@pytest.fixture
def run(tmp_path: Path) -> rundir.RunDir:
    """Return a sealed run."""
    made = new_run(tmp_path)
    recorder = writer_of(made)
    for k in range(20):
        recorder.scans(pair(k))
    recorder.sync()
    recorder.close()
    seal.seal(made, finish=True)
    return made


def put(run: rundir.RunDir) -> str:
    mark = result_cache.made_of(run.path, ["program 1"])
    assert result_cache.keep(run.path, "worst", mark, ANSWER)
    return mark


def got(run: rundir.RunDir, *also: str) -> object:
    return result_cache.load(run.path, "worst", result_cache.made_of(run.path, also or ["program 1"]))


def test_an_answer_is_the_same_afterwards_and_keeping_it_does_not_change_what_it_was_made_of(
    run: rundir.RunDir,
) -> None:
    put(run)
    assert got(run) == ANSWER
    assert result_cache.load(run.path, "unit-A1", result_cache.made_of(run.path, ["program 1"])) is None


def test_a_run_that_was_moved_keeps_its_answers(run: rundir.RunDir, tmp_path: Path) -> None:
    put(run)
    moved = run.path.rename(tmp_path / "archive")
    assert result_cache.load(moved, "worst", result_cache.made_of(moved, ["program 1"])) == ANSWER


@pytest.mark.parametrize("folder", ["readings", "events", "sealed", "summary", "sessions"])
def test_no_file_can_change_or_go_or_come_without_notice(run: rundir.RunDir, folder: str) -> None:
    put(run)
    file = next(one for one in sorted((run.path / folder).iterdir()) if one.is_file())
    content, stat = file.read_bytes(), file.stat()
    os.utime(file, ns=(stat.st_atime_ns, stat.st_mtime_ns + 1))
    assert got(run) is None
    file.write_bytes(content + b" ")
    os.utime(file, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert got(run) is None
    file.write_bytes(content)
    os.utime(file, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert got(run) == ANSWER
    more = run.path / folder / "more"
    more.touch()
    assert got(run) is None
    more.unlink()
    file.unlink()
    assert got(run) is None


def test_a_manifest_that_changed_or_an_end_that_came_is_noticed(run: rundir.RunDir) -> None:
    put(run)
    rundir.end_run(run, run.created_ns + 10**9, "duration reached")
    assert got(run) is None


def test_another_program_gives_its_own_answer(run: rundir.RunDir) -> None:
    put(run)
    assert got(run, "program 2") is None
    assert got(run, "program 1", "more") is None


def test_what_nothing_is_read_from_does_not_count(run: rundir.RunDir) -> None:
    names = {rundir.LOCK, seal.SEAL_LOCK, upload.LOCK, writer.RESERVE, session_state.NAME, upload_state.NAME}
    assert names | {incident_files.LOCK} == result_cache.BESIDE
    put(run)
    for name in names:
        (run.path / name).write_bytes(b"of now")
    assert got(run) == ANSWER


def test_a_damaged_answer_is_none(run: rundir.RunDir) -> None:
    mark = put(run)
    file = run.path / result_cache.FOLDER / "worst.json"
    whole = file.read_bytes()
    for at in range(len(whole)):
        file.write_bytes(whole[:at] + bytes([whole[at] ^ 0x20]) + whole[at + 1 :])
        assert result_cache.load(run.path, "worst", mark) in (None, ANSWER)
        file.write_bytes(whole[:at])
        assert result_cache.load(run.path, "worst", mark) is None


def test_a_run_that_cannot_be_written_keeps_nothing_and_nobody_minds(run: rundir.RunDir) -> None:
    (run.path / result_cache.FOLDER).write_bytes(b"not a folder")
    assert not result_cache.keep(run.path, "worst", result_cache.made_of(run.path, []), ANSWER)


def test_an_answer_is_one_line_of_facts_and_one_of_data_in_utf_8(run: rundir.RunDir) -> None:
    assert result_cache.keep(run.path, "x", "of this", {"a": ["größer", 1]})
    raw = (run.path / result_cache.FOLDER / "x.json").read_bytes()
    head, _, data = raw.partition(b"\n")
    assert data == '{"a":["größer",1]}'.encode()
    assert json.loads(head) == {"soakrig": "answer", "format": 1, "made_of": "of this", "crc": crc32(data)}
    assert result_cache.keep(run.path, "y", "of this", "half a pair: \ud800")
    assert result_cache.load(run.path, "y", "of this") == "half a pair: \ud800"


@pytest.mark.parametrize("key", ["format", "made_of", "crc"])
def test_an_answer_of_another_format_or_of_something_else_is_none(run: rundir.RunDir, key: str) -> None:
    mark = put(run)
    file = run.path / result_cache.FOLDER / "worst.json"
    head, _, data = file.read_bytes().partition(b"\n")
    facts = json.loads(head)
    without = {one: value for one, value in facts.items() if one != key}
    others: tuple[object, ...] = (facts | {key: 2}, without, [])
    for changed in others:
        file.write_bytes(json.dumps(changed).encode() + b"\n" + data)
        assert result_cache.load(run.path, "worst", mark) is None


def test_what_an_answer_is_made_of_is_told_by_names_lengths_and_times(tmp_path: Path) -> None:
    for name, content in (("b.json", b"12"), ("a.json", b"1"), ("c.txt", b"")):
        (tmp_path / name).write_bytes(content)
        os.utime(tmp_path / name, ns=(7, 9))
    (tmp_path / "d.json").mkdir()
    assert result_cache.listed(tmp_path) == ["a.json 1 9", "b.json 2 9", "c.txt 0 9"]
    assert result_cache.listed(tmp_path, ".json") == ["a.json 1 9", "b.json 2 9"]


def test_answers_and_alerts_are_nothing_an_answer_is_made_of(run: rundir.RunDir) -> None:
    before = result_cache.made_of(run.path, [])
    assert len(before) == 32  # hexadecimal digits
    for folder in ("alerts", result_cache.FOLDER):
        (run.path / folder).mkdir(exist_ok=True)
        (run.path / folder / "x").touch()
    assert result_cache.made_of(run.path, []) == before
    (run.path / "more").mkdir()
    assert result_cache.made_of(run.path, []) == before
    (run.path / "more" / "x").touch()
    assert result_cache.made_of(run.path, []) != before


def test_the_same_name_in_another_folder_is_another_file(run: rundir.RunDir) -> None:
    for folder in ("config", "inbox"):
        (run.path / folder / "x").touch()
        os.utime(run.path / folder / "x", ns=(7, 9))
        made = result_cache.made_of(run.path, [])
        (run.path / folder / "x").unlink()
        if folder == "config":
            before = made
    assert made != before
