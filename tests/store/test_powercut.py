"""Every state a power cut could leave, enumerated: what was acknowledged is there, as an exact prefix."""

from __future__ import annotations

import random
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.domain.model import EventKind
from rig.errors import FormatError
from rig.store import rundir
from rig.store.files import Disk
from rig.store.reader import RunReader
from rig.store.recover import recover
from rig.store.rundir import RunDir
from rig.store.seal import seal
from rig.store.writer import RunWriter
from tests.store.powercut import LoggedDisk, lay_out, one_state, states
from tests.store.rooms import BOOT_NS, SECOND, UTC_NS, new_run, scan

HOUR = 3600
WAYS = 40
"""How many ways to fail are tried after every single step of the whole enumeration."""
Acked = dict[int, int]
"""Session -> number of records known to be durable."""


@pytest.fixture
def fast(tmp_path: Path) -> Iterator[Path]:
    """Return a folder in memory where there is one: the states are many and small."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else tmp_path) as folder:
        yield Path(folder)


def recorder(run: RunDir, session: int, at_s: float, disk: Disk) -> RunWriter:
    moment = round(at_s * SECOND)
    return RunWriter(
        run, session=session, boot_id=f"boot-{session}", boot_ns=BOOT_NS + moment, utc_ns=UTC_NS + moment,
        synchronised=True, blocks=[("a",), ("b", "c")], software="0", host="rack", disk=disk,
    )  # fmt: skip


def record(writer: RunWriter, at_s: float, seq: int) -> None:
    """Append record ``seq``: a scan or an event that carries its own number."""
    if seq % 5 == 4:
        writer.event(EventKind.NOTE, BOOT_NS + round(at_s * SECOND), "run", str(seq))
    elif seq % 2:
        writer.scan(scan(0, at_s, (seq,)))
    else:
        writer.scan(scan(1, at_s, (seq, -seq)))


def session(
    disk: LoggedDisk, run: RunDir, number: int, times: list[float], *, every: int, clean: bool
) -> None:
    writer = recorder(run, number, times[0], disk)
    for seq, at_s in enumerate(times):
        record(writer, at_s, seq)
        if seq % every == every - 1:
            writer.sync()
            disk.mark((number, writer.synced_seq))
    if clean:
        moment = BOOT_NS + round(times[-1] * SECOND)
        writer.event(EventKind.SESSION_STOP, moment, "run", str(len(times)))
        writer.close()
        disk.mark((number, len(times) + 1))


def weeks(root: Path) -> LoggedDisk:
    """Return the steps of a run with everything in it: rotation, sealing, a crash, recovery, two merges."""
    disk = LoggedDisk(root)
    run = new_run(root, disk, "run")
    session(disk, run, 1, [23 * HOUR + 500 * k for k in range(16)], every=7, clean=False)
    recover(run, disk)
    seal(run, disk=disk)
    session(disk, run, 2, [26 * HOUR + 300 * k for k in range(15)], every=3, clean=True)
    seal(run, disk=disk)
    session(disk, run, 3, [49 * HOUR + 60 * k for k in range(8)], every=1, clean=True)
    seal(run, finish=True, disk=disk)
    return disk


def acked(marks: list[tuple[int, int]]) -> Acked:
    return dict(marks)


def numbers(recording: RunReader) -> dict[int, list[int]]:
    """Return the numbers that the records of each session carry, sorted."""
    found: dict[int, list[int]] = {}
    for channel in ("a", "b"):
        series = recording.series(channel)
        for number, value in zip(series.session.tolist(), series.value.tolist(), strict=True):
            found.setdefault(number, []).append(int(value))
    assert recording.series("c").value.tolist() == [-value for value in recording.series("b").value]
    for event in recording.events():
        if event.kind in {EventKind.NOTE, EventKind.SESSION_STOP}:
            assert event.seq == int(event.text)
            found.setdefault(event.session, []).append(event.seq)
    return {number: sorted(seqs) for number, seqs in found.items()}


def assert_whole(path: Path, known: Acked) -> None:
    """Check that each session is an exact prefix and holds at least what was acknowledged."""
    recording = RunReader.open(path)
    found = numbers(recording)
    for number, seqs in found.items():
        assert seqs == list(range(len(seqs))), f"session {number} is no prefix: {seqs}"
    for number, count in known.items():
        assert len(found.get(number, [])) >= count, f"session {number}: {count} acknowledged"


def carry_on(path: Path, known: Acked, disk: Disk | None = None) -> Acked:
    """Do what the daemon does after a power cut, and check it; return what is acknowledged then."""
    logged = disk if disk is not None else LoggedDisk(path.parent)
    run = rundir.open_run(path, logged)
    recover(run, logged)
    number = rundir.next_session(run, logged)
    assert number > max(known, default=0)
    writer = recorder(run, number, 100 * HOUR, logged)
    for seq in range(4):
        record(writer, 100 * HOUR + seq, seq)
    writer.close()
    known = known | {number: 4}
    if isinstance(logged, LoggedDisk):
        logged.mark((number, 4))
    assert seal(run, finish=True, disk=logged).wrong == ()
    return known


def assert_clean(path: Path) -> None:
    """Check that nothing is left lying about after recovery and sealing."""
    assert list((path / "journal").iterdir()) == []
    assert list(path.rglob("*.tmp")) == []
    recording = RunReader.open(path)
    assert recording.catalogue.partial == ()
    assert recording.catalogue.superseded == ()
    assert all("torn" in one.reason for one in recording.skipped), recording.skipped


def enumerate_states(folder: Path, *, each: int, seed: int, part: int = 0, parts: int = 1) -> tuple[int, int]:
    """Return how many states were built and how many of them were cut a second time."""
    (folder / "made").mkdir()
    disk = weeks(folder / "made")
    count = again = 0
    for done, medium, files, dirs in states(disk, each, seed):
        if done % parts != part:
            continue
        known = acked(medium.marks)
        root = folder / "state"
        lay_out(root, files, dirs)
        count += 1
        if not (root / "run" / rundir.MANIFEST).exists():
            assert known == {}
            with pytest.raises(FormatError):
                rundir.open_run(root / "run")
            continue
        assert_whole(root / "run", known)
        second = LoggedDisk(root)
        known_after = carry_on(root / "run", known, second)
        assert_whole(root / "run", known_after)
        assert_clean(root / "run")
        again += cut_again(folder, second, known, random.Random(f"{seed}-{count}"))
    return count, again


def cut_again(folder: Path, second: LoggedDisk, known: Acked, dice: random.Random) -> int:
    """Cut the power once more, at a random step of the recovery, in a random way; recover from that."""
    medium, files, dirs = one_state(second, dice)
    root = folder / "again"
    lay_out(root, files, dirs)
    now = known | acked(medium.marks)
    assert_whole(root / "run", now)
    assert_whole(root / "run", carry_on(root / "run", now))
    assert_clean(root / "run")
    return 1


def test_after_a_power_cut_at_any_step_every_acknowledged_record_is_there(fast: Path) -> None:
    count, again = enumerate_states(fast, each=2, seed=1, part=5, parts=160)
    print(f"{count} states, {again} of them cut again during recovery")
    assert count > 4


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("part", [3, 19])
def test_after_a_power_cut_in_many_more_ways_every_acknowledged_record_is_there(
    fast: Path, part: int
) -> None:
    # a share of the ten thousand ways of ``python -m tests.store``
    count, again = enumerate_states(fast, each=WAYS, seed=2, part=part, parts=320)
    print(f"{count} states, {again} of them cut again during recovery")
    assert count > 20
