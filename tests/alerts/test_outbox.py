"""The outbox on disk: what survives a power cut at any byte, damage, and a disk that refuses."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from rig.alerts.outbox import COMPACT_BYTES, NAME, Outbox
from rig.store.files import File, OsDisk
from tests.alerts.test_delivery_state import NOW, fact, failed, notifier, seen, send, sent, state


class Moody:
    """A file that stops taking bytes, stops becoming durable, or is not waited for, as its disk is told."""

    def __init__(self, disk: MoodyDisk, file: File) -> None:
        self._disk = disk
        self._file = file

    def append(self, data: bytes) -> None:
        if self._disk.mood == "full":
            raise OSError(errno.ENOSPC, "No space left on device")
        self._file.append(data)

    def sync(self) -> None:
        if self._disk.mood == "broken":
            raise OSError(errno.EIO, "Input/output error")
        if self._disk.mood != "hasty":
            self._file.sync()

    def truncate(self, size: int) -> None:
        self._file.truncate(size)

    def is_at(self, path: Path) -> bool:
        return self._file.is_at(path)

    def close(self) -> None:
        self._file.close()


class MoodyDisk(OsDisk):
    """A real disk whose files are ``Moody``."""

    def __init__(self, mood: str = "") -> None:
        self.mood = mood

    def create(self, path: Path) -> File:
        return Moody(self, super().create(path))

    def reopen(self, path: Path) -> File:
        return Moody(self, super().reopen(path))

    def sync_dir(self, path: Path) -> None:
        if self.mood != "hasty":
            super().sync_dir(path)


def opened(folder: Path, disk: OsDisk | None = None) -> Outbox:
    return Outbox(folder, state(), disk or OsDisk())


def story(box: Outbox) -> list[dict[str, object]]:
    """Record a few things; return the state after each."""
    states = [box.state.to_record()]
    for record in (
        seen(fact(1), fact(2), position=(1, 5)),
        {"r": "sending", "way": "phone", "facts": [1], "key": "x"},
        failed(NOW, refused=False),
        seen(fact(3), position=(1, 9)),
        sent(NOW + 1),
    ):
        box.record(record)
        states.append(box.state.to_record())
    return states


def test_a_new_process_finds_everything_as_it_was(tmp_path: Path) -> None:
    box = opened(tmp_path)
    states = story(box)
    box.close()
    again = opened(tmp_path)
    assert again.state.to_record() == states[-1]
    assert not again.fresh
    assert again.dropped == ""


def test_cut_off_at_any_byte_it_is_what_it_was_after_some_record(tmp_path: Path) -> None:
    """What a power cut could leave, around every end of a record and between: never half a record."""
    box = opened(tmp_path / "whole")
    states = story(box)
    box.close()
    whole = (tmp_path / "whole" / NAME).read_bytes()
    ends = [at + 1 for at, byte in enumerate(whole) if byte == 10]
    folder = tmp_path / "cut"
    folder.mkdir()
    near = {end + step for end in ends for step in range(-3, 4)}
    for size in sorted({*near, *range(ends[0], len(whole), 11)}):
        if not ends[0] <= size <= len(whole):
            continue
        (folder / NAME).write_bytes(whole[:size])
        found = opened(folder, MoodyDisk("hasty"))
        found.close()
        assert found.state.to_record() == states[sum(end <= size for end in ends) - 1]
        assert found.dropped == ""


def test_a_flipped_bit_is_told_and_what_stands_before_it_counts(tmp_path: Path) -> None:
    box = opened(tmp_path)
    states = story(box)
    box.close()
    lines = (tmp_path / NAME).read_bytes().splitlines(keepends=True)
    lines[3] = lines[3].replace(b"failed", b"fbiled")
    (tmp_path / NAME).write_bytes(b"".join(lines))
    again = opened(tmp_path)
    assert again.state.to_record() == states[2]
    assert again.dropped.startswith(f"{tmp_path / NAME}: damaged from byte ")


@pytest.mark.parametrize(
    "rubbish", [b"", b"\0" * 500, b"\n\n", b"zzzzzzzz {}\n", b"00000000 []\n", b"\xff" * 40]
)
def test_rubbish_is_no_reason_not_to_start(tmp_path: Path, rubbish: bytes) -> None:
    (tmp_path / NAME).write_bytes(rubbish)
    box = opened(tmp_path)
    box.record(seen(fact(1)))
    assert list(box.state.facts) == [1]


def test_the_file_stays_small(tmp_path: Path) -> None:
    box = opened(tmp_path, MoodyDisk("hasty"))
    now = NOW
    for n in range(1, 1500):
        now += 3_600_000_000_000
        box.record(seen(fact(n, queued_ns=now), position=(1, n)))
        batch = send(box.state, now)
        assert batch.facts[0].number == n
        box.record(sent(now))
    assert (tmp_path / NAME).stat().st_size < 2 * COMPACT_BYTES
    box.close()
    assert opened(tmp_path).state.position == (1, 1499)


@pytest.mark.parametrize("mood", ["full", "broken"])
def test_a_refusing_disk_stops_no_alert_and_everything_is_written_when_it_works_again(
    tmp_path: Path, mood: str
) -> None:
    disk = MoodyDisk()
    box = opened(tmp_path, disk)
    disk.mood = mood
    box.record(seen(fact(1)))
    assert box.fault
    assert [one.number for one in send(box.state, NOW).facts] == [1]
    box.record(failed(NOW, refused=True))
    disk.mood = ""
    box.record(seen(fact(2)))
    assert box.fault == ""
    box.close()
    assert opened(tmp_path).state.to_record() == box.state.to_record()


def test_notifiers_that_the_rig_file_no_longer_has_are_forgotten(tmp_path: Path) -> None:
    box = opened(tmp_path)
    box.record(seen(fact(1)))
    box.close()
    Outbox(tmp_path, state({"desk": notifier()})).close()
    other = Outbox(tmp_path, state({"desk": notifier()}))
    assert list(other.state.queues) == ["desk"]
    other.record(sent(NOW))
