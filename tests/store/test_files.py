"""The real disk: whole files under their names, durable when they say so, nothing left open."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from zlib import crc32

import pytest

from rig.errors import StoreError
from rig.store import files
from rig.store.files import OS_DISK
from tests.store.faulty import FaultyDisk, open_files, refusal_of
from tests.store.powercut import LoggedDisk


@pytest.fixture
def synced(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Return the inodes that the system was asked to make durable: no test can cut the power."""
    asked: list[int] = []
    monkeypatch.setattr(os, "fsync", lambda descriptor: asked.append(os.fstat(descriptor).st_ino))
    return asked


def test_a_new_file_takes_no_name_that_is_in_use_and_an_old_one_must_be_there(tmp_path: Path) -> None:
    file = OS_DISK.create(tmp_path / "x")
    file.append(b"one ")
    file.close()
    with pytest.raises(FileExistsError):
        OS_DISK.create(tmp_path / "x")
    with pytest.raises(FileNotFoundError):
        OS_DISK.reopen(tmp_path / "y")
    again = OS_DISK.reopen(tmp_path / "x")
    again.append(b"two")
    again.close()
    assert (tmp_path / "x").read_bytes() == b"one two"


def test_a_new_file_is_for_all_to_read_and_for_its_owner_to_write(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        OS_DISK.create(tmp_path / "x").close()
    finally:
        os.umask(before)
    assert (tmp_path / "x").stat().st_mode & 0o777 == 0o644


def test_a_write_that_the_system_takes_in_parts_is_carried_to_its_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = os.write
    monkeypatch.setattr(os, "write", lambda descriptor, data: write(descriptor, bytes(data)[:3]))
    file = OS_DISK.create(tmp_path / "x")
    file.append(b"0123456789")
    file.append(b"")
    file.append(b"abc")
    file.close()
    assert (tmp_path / "x").read_bytes() == b"0123456789abc"


def test_a_file_is_cut_to_a_length(tmp_path: Path) -> None:
    file = OS_DISK.create(tmp_path / "x")
    file.append(b"0123456789")
    file.truncate(4)
    file.close()
    assert (tmp_path / "x").read_bytes() == b"0123"


def test_a_file_is_at_its_name_until_it_is_moved_or_another_has_that_name(tmp_path: Path) -> None:
    file = OS_DISK.create(tmp_path / "x")
    assert file.is_at(tmp_path / "x")
    (tmp_path / "x").rename(tmp_path / "y")
    assert not file.is_at(tmp_path / "x")
    (tmp_path / "x").touch()
    assert not file.is_at(tmp_path / "x")
    assert file.is_at(tmp_path / "y")
    file.close()


def test_a_file_is_closed_once_however_often_it_is_asked_for(tmp_path: Path) -> None:
    before = open_files()
    file = OS_DISK.create(tmp_path / "x")
    assert open_files() != before
    file.close()
    file.close()
    assert open_files() == before


def test_file_and_folder_are_synced_each_for_itself(tmp_path: Path, synced: list[int]) -> None:
    before = open_files()
    file = OS_DISK.create(tmp_path / "x")
    file.sync()
    file.close()
    OS_DISK.sync_dir(tmp_path)
    assert synced == [(tmp_path / "x").stat().st_ino, tmp_path.stat().st_ino]
    assert open_files() == before
    with pytest.raises(NotADirectoryError):
        OS_DISK.sync_dir(tmp_path / "x")


def test_a_file_is_read_from_an_offset_and_as_far_as_it_goes(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"0123456789")
    assert OS_DISK.read(tmp_path / "x") == b"0123456789"
    assert OS_DISK.read(tmp_path / "x", 1) == b"123456789"
    assert OS_DISK.read(tmp_path / "x", 3, 4) == b"3456"
    assert OS_DISK.read(tmp_path / "x", 8, 4) == b"89"
    assert OS_DISK.size(tmp_path / "x") == 10


def test_names_are_sorted_and_a_folder_that_is_not_there_has_none(tmp_path: Path) -> None:
    for name in ("b", "a", ".c"):
        (tmp_path / name).touch()
    assert OS_DISK.names(tmp_path) == [".c", "a", "b"]
    assert OS_DISK.names(tmp_path / "none") == []
    OS_DISK.make_dir(tmp_path / "d")
    OS_DISK.make_dir(tmp_path / "d")
    assert OS_DISK.names(tmp_path / "d") == []


@pytest.mark.parametrize(("total", "left", "said"), [(0, 0, -1), (100, 0, 0), (100, 7, 7)])
def test_room_is_what_an_ordinary_user_has_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, total: int, left: int, said: int
) -> None:
    # f_bsize, f_frsize, f_blocks, f_bfree, f_bavail, f_files, f_ffree, f_favail, f_flag, f_namemax (POSIX)
    facts = os.statvfs_result((65_536, 512, 1000, 300, 200, total, 9, left, 0, 255))
    monkeypatch.setattr(os, "statvfs", lambda _path: facts)
    assert OS_DISK.space(tmp_path) == files.Space(free_bytes=200 * 512, inodes=said)


def test_a_published_file_is_durable_before_it_has_its_name_and_its_name_is_durable_then(
    tmp_path: Path,
) -> None:
    disk = LoggedDisk(tmp_path)
    files.publish(disk, tmp_path / "x", b"all of it")
    assert [step.deed for step in disk.steps] == ["create", "append", "sync", "rename", "sync_dir"]
    assert (tmp_path / "x").read_bytes() == b"all of it"
    assert OS_DISK.names(tmp_path) == ["x"]


def test_what_an_earlier_attempt_left_is_no_hindrance_to_publishing(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"old")
    files.temporary(tmp_path / "x").write_bytes(b"half")
    files.publish(OS_DISK, tmp_path / "x", b"new")
    assert (tmp_path / "x").read_bytes() == b"new"
    assert OS_DISK.names(tmp_path) == ["x"]


@pytest.mark.parametrize("deed", ["create", "append", "sync", "rename"])
def test_a_file_that_cannot_be_published_leaves_the_old_one_and_nothing_open(
    tmp_path: Path, deed: str
) -> None:
    (tmp_path / "x").write_bytes(b"old")
    disk = FaultyDisk()
    disk.refuse = refusal_of(deed, errno.ENOSPC)
    before = open_files()
    with pytest.raises(StoreError, match=r"could not write .*/x \(3 bytes\): No space left on device; free"):
        files.publish(disk, tmp_path / "x", b"new")
    assert (tmp_path / "x").read_bytes() == b"old"
    assert OS_DISK.names(tmp_path) == ["x"]
    assert open_files() == before


def test_a_checksum_is_the_same_whatever_the_pieces_it_is_read_in(tmp_path: Path) -> None:
    (tmp_path / "x").write_bytes(b"123456789")
    for piece in (1, 2, 9, 10):
        # 0xcbf43926: check value of the CRC-32 of ISO/IEC 8802-3 over these nine digits (from memory)
        assert files.checksum(OS_DISK, tmp_path / "x", piece) == (9, 0xCBF43926)
    assert files.checksum(OS_DISK, tmp_path / "x") == (9, crc32(b"123456789"))


def test_only_unfinished_files_are_cleared_and_named(tmp_path: Path) -> None:
    for name in (".x.tmp", "y.tmp", ".z", ".trial", "x"):
        (tmp_path / name).touch()
    assert files.clear_temporary(OS_DISK, [tmp_path / "none", tmp_path]) == [tmp_path / ".x.tmp"]
    assert OS_DISK.names(tmp_path) == [".trial", ".z", "x", "y.tmp"]


def test_folders_are_made_from_the_top_each_durable_before_the_next(tmp_path: Path) -> None:
    disk = LoggedDisk(tmp_path)
    files.make_dirs(disk, tmp_path / "a" / "b")
    assert [(step.deed, step.path) for step in disk.steps] == [
        ("mkdir", "a"), ("sync_dir", "."), ("mkdir", "a/b"), ("sync_dir", "a")
    ]  # fmt: skip
    disk.steps.clear()
    files.make_dirs(disk, tmp_path / "a" / "b")
    assert disk.steps == []


def test_whether_a_folder_can_be_written_is_found_by_writing_and_leaves_nothing(tmp_path: Path) -> None:
    disk = LoggedDisk(tmp_path)
    before = open_files()
    assert files.why_not_writable(tmp_path, disk) == ""
    assert [step.deed for step in disk.steps] == ["create", "append", "sync", "remove"]
    assert len(disk.steps[1].data) > 0
    assert OS_DISK.names(tmp_path) == []
    for deed in ("create", "append", "sync"):
        faulty = FaultyDisk()
        faulty.refuse = refusal_of(deed, errno.EROFS)
        assert files.why_not_writable(tmp_path, faulty) == f"{tmp_path}: Read-only file system"
        assert OS_DISK.names(tmp_path) == []
    assert open_files() == before


def test_a_file_that_nobody_needs_may_be_gone_already(tmp_path: Path) -> None:
    (tmp_path / "x").touch()
    assert files.there(OS_DISK, tmp_path / "x")
    files.discard(OS_DISK, tmp_path / "x")
    files.discard(OS_DISK, tmp_path / "x")
    assert not files.there(OS_DISK, tmp_path / "x")
