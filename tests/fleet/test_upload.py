"""A run's finished files elsewhere: all of them, proved, once; and on from where it stopped."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import pandas as pd
import pytest

from rig.domain.model import EventKind, Scan
from rig.errors import FormatError, RunInUseError, StoreError, UsageError
from rig.fleet import copy_targets, run_places, upload, upload_state
from rig.fleet.run_questions import DigestQuestion, answered
from rig.store import rundir
from rig.store.files import OS_DISK
from rig.store.reader import RunReader
from rig.store.rundir import Lock, RunDir
from rig.store.seal import seal
from rig.store.verify import verify
from rig.store.writer import RunWriter
from tests.fleet import makers
from tests.fleet.makers import BOOT_NS, YEAR_2031_NS, Recipe, S


def quiet(_: str) -> None:
    """Say nothing."""


@pytest.fixture
def run(tmp_path: Path) -> RunDir:
    return makers.make(tmp_path / "runs", Recipe(name="soak", hot=(30, 40)))


def names(folder: Path) -> set[str]:
    return {one.relative_to(folder).as_posix() for one in folder.rglob("*") if one.is_file()}


def test_a_copy_is_a_run_that_answers_like_the_original(run: RunDir, tmp_path: Path) -> None:
    done = upload.upload(run.path, str(tmp_path / "archive"))
    copy = tmp_path / "archive" / "soak"
    assert done.address == str(copy)
    assert done.complete
    assert verify(copy).faults == ()
    first, second = (answered(DigestQuestion(), str(one)).value for one in (run.path, copy))
    assert first is not None
    assert second is not None
    assert second.installations == first.installations
    assert names(copy) == names(run.path) - {"lock", "seal.lock", "upload.lock", "uploads.json"}


def test_ordinary_tools_read_the_copy(run: RunDir, tmp_path: Path) -> None:
    upload.upload(run.path, str(tmp_path / "archive"))
    here, there = (pd.read_parquet(one / "readings") for one in (run.path, tmp_path / "archive" / "soak"))
    assert here.equals(there)


def test_a_second_round_puts_nothing_and_a_lost_file_is_put_again(run: RunDir, tmp_path: Path) -> None:
    first = upload.upload(run.path, str(tmp_path / "archive"))
    assert upload.upload(run.path, str(tmp_path / "archive")).put == ()
    lost = next((tmp_path / "archive" / "soak" / "events").iterdir())
    lost.unlink()
    again = upload.upload(run.path, str(tmp_path / "archive"))
    assert again.put == (f"events/{lost.name}",)
    assert again.kept == len(first.put) - 1


def test_a_file_that_changed_is_put_again(run: RunDir, tmp_path: Path) -> None:
    upload.upload(run.path, str(tmp_path / "archive"))
    session = run.path / "sessions" / "s0001.json"
    content = json.loads(session.read_text("utf-8"))
    session.write_text(json.dumps(content | {"stopped_ns": content["stopped_ns"] + 1}, indent=1), "utf-8")
    assert upload.upload(run.path, str(tmp_path / "archive")).put == ("sessions/s0001.json",)


class Failing:
    """A folder that refuses after so many files, or gives back something else than was put."""

    def __init__(self, folder: Path, after: int, *, garble: bool = False) -> None:
        self._inner = copy_targets.FolderTarget(folder=folder)
        self._left = after
        self._garble = garble
        self.order: list[str] = []

    @property
    def address(self) -> str:
        return self._inner.address

    def sizes(self) -> dict[str, int]:
        return self._inner.sizes()

    def put(self, name: str, pieces: Iterable[bytes]) -> None:
        if self._left <= 0 and not self._garble:
            raise StoreError(f"could not write {name}: the place is full")
        self._left -= 1
        self.order.append(name)
        self._inner.put(name, pieces)

    def read(self, name: str) -> Iterator[bytes]:
        raw = b"".join(self._inner.read(name))
        yield raw[:-1] + b"?" if self._garble and self._left <= 0 else raw

    def remove(self, name: str) -> None:
        self._inner.remove(name)


@pytest.mark.parametrize("after", range(8))
def test_an_upload_that_broke_off_goes_on_and_puts_nothing_twice(
    run: RunDir, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    copy = tmp_path / "archive" / "soak"
    failing = Failing(copy, after)
    monkeypatch.setattr(upload, "target", lambda _place, _run: failing)
    with pytest.raises(StoreError, match="the place is full"):
        upload.upload(run.path, "archive")
    assert not (copy / "run.json").exists()
    rest = Failing(copy, 1000)
    monkeypatch.setattr(upload, "target", lambda _place, _run: rest)
    upload.upload(run.path, "archive")
    assert set(failing.order) & set(rest.order) == set()
    assert verify(copy).faults == ()
    # whoever finds the manifest, or an index, finds what they speak of
    order = [*failing.order, *rest.order]
    assert order[-1] == "run.json"
    index = next(at for at, name in enumerate(order) if name.startswith("sealed/"))
    assert {"readings", "events"} <= {name.partition("/")[0] for name in order[:index]}


def test_what_does_not_come_back_as_it_was_put_does_not_count(
    run: RunDir, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = tmp_path / "archive" / "soak"
    monkeypatch.setattr(upload, "target", lambda _place, _run: Failing(copy, 2, garble=True))
    with pytest.raises(StoreError, match=r"were put, \d+ with [0-9a-f]{8} came back"):
        upload.upload(run.path, "archive")
    kept = set(upload_state.UploadState.read(run.path).of(str(copy)))
    assert len(kept) == 1
    assert names(copy) == kept


def test_another_run_of_the_same_name_is_not_written_over(run: RunDir, tmp_path: Path) -> None:
    upload.upload(run.path, str(tmp_path / "archive"))
    other = makers.make(tmp_path / "others", Recipe(name="soak", seconds=20))
    with pytest.raises(StoreError, match="holds another run of the same name"):
        upload.upload(other.path, str(tmp_path / "archive"))


def test_something_else_than_a_run_is_not_written_over(run: RunDir, tmp_path: Path) -> None:
    (tmp_path / "archive" / "soak").mkdir(parents=True)
    (tmp_path / "archive" / "soak" / "run.json").write_text('{"marathon": 1}', "utf-8")
    with pytest.raises(FormatError, match="something other than a run"):
        upload.upload(run.path, str(tmp_path / "archive"))


def test_two_uploads_of_one_run_do_not_meet(run: RunDir, tmp_path: Path) -> None:
    with Lock(run.path / upload.LOCK).acquire("a test"), pytest.raises(RunInUseError, match="a test"):
        upload.upload(run.path, str(tmp_path / "archive"))


def test_a_damaged_ledger_says_what_to_do(run: RunDir, tmp_path: Path) -> None:
    (run.path / upload_state.NAME).write_text('{"format": 1, "places": 7}', "utf-8")
    with pytest.raises(StoreError, match="remove it, and everything is uploaded again"):
        upload.upload(run.path, str(tmp_path / "archive"))
    (run.path / upload_state.NAME).write_text('{"format": 99, "places": {}}', "utf-8")
    with pytest.raises(FormatError, match="format 99"):
        upload.upload(run.path, str(tmp_path / "archive"))


def test_a_place_that_cannot_be_written_is_named(run: RunDir, tmp_path: Path) -> None:
    (tmp_path / "archive").write_text("a file, no folder", "utf-8")
    with pytest.raises(StoreError, match=r"could not write .*archive"):
        upload.upload(run.path, str(tmp_path / "archive"))


def test_an_address_with_a_secret_in_it_is_refused(run: RunDir) -> None:
    for bad in ("s3://key:secret@bucket/x", "s3://bucket/x?endpoint_override=h", "s3://", "s3://b/../c"):
        with pytest.raises(UsageError):
            upload.upload(run.path, bad)


# ---- a run that goes on


class Growing:
    """A run that is being recorded, hour by hour: sealing gives one pair an hour and one a day."""

    def __init__(self, folder: Path) -> None:
        plan = makers.layout("room", ("0001",))
        from rig.domain.layout_json import to_json

        self.run = rundir.create(folder, rig="room", created_ns=YEAR_2031_NS, software="t", name="long")
        self.plan = plan
        self.writer = RunWriter(
            self.run, session=1, boot_id="b", boot_ns=BOOT_NS, utc_ns=YEAR_2031_NS, synchronised=True,
            blocks=[tuple(plan.channels)], software="t", host="rack",
            config=rundir.freeze_config(self.run, "rig: room\n", to_json(plan)),
        )  # fmt: skip
        self.second = 0

    def hour(self) -> None:
        """Record the first minute of an hour, and begin the next journal."""
        for _ in range(60):
            at_ns = BOOT_NS + self.second * S
            values = tuple(float(self.second) for _ in self.plan.channels)
            self.writer.scan(Scan(block=0, sent_ns=at_ns, received_ns=at_ns + 1000, values=values,
                                  statuses=bytes(len(values))))  # fmt: skip
            self.second += 1
        self.second += 3540
        self.writer.rotate()

    def stop(self) -> None:
        self.writer.event(EventKind.SESSION_STOP, BOOT_NS + self.second * S, "run", "stopped")
        self.writer.sync()
        self.writer.close()
        rundir.end_run(self.run, YEAR_2031_NS + self.second * S, "a test")


def test_only_what_is_sealed_goes_and_the_rest_is_told(tmp_path: Path) -> None:
    growing = Growing(tmp_path / "runs")
    growing.hour()
    done = upload.upload(growing.run.path, str(tmp_path / "archive"))
    assert (done.waiting, done.complete) == (2, False)
    assert not any(name.startswith("journal") for name in names(tmp_path / "archive" / "long"))
    seal(rundir.open_run(growing.run.path))
    assert upload.upload(growing.run.path, str(tmp_path / "archive")).waiting == 1
    copy = run_places.open_run(str(tmp_path / "archive" / "long"))
    assert len(copy.series("mains")) == 60


def test_pairs_that_were_merged_leave_the_copy_and_nothing_is_counted_twice(tmp_path: Path) -> None:
    growing, archive = Growing(tmp_path / "runs"), str(tmp_path / "archive")
    for _ in range(3):
        growing.hour()
        seal(rundir.open_run(growing.run.path))
        upload.upload(growing.run.path, archive)
    copy = tmp_path / "archive" / "long"
    assert len(list((copy / "readings").iterdir())) == 3
    small = {name for name in names(copy) if "T" in name.rpartition("/")[2]}
    growing.stop()
    seal(rundir.open_run(growing.run.path), finish=True)
    done = upload.upload(growing.run.path, archive)
    assert done.complete
    assert set(done.removed) == small
    assert [len(list((copy / folder).iterdir())) for folder in ("sealed", "readings", "events")] == [1, 1, 1]
    assert len(pd.read_parquet(copy / "readings")) == 180 * len(growing.plan.channels)
    assert len(RunReader.open(copy).series("mains")) == 180


def test_following_a_run_ends_when_it_is_over_and_all_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    growing, archive = Growing(tmp_path / "runs"), str(tmp_path / "archive")
    growing.hour()
    steps: list[Callable[[], object]] = [
        lambda: seal(rundir.open_run(growing.run.path)),
        growing.stop,
        lambda: seal(rundir.open_run(growing.run.path), finish=True),
    ]
    waited: list[float] = []

    def pause(seconds: float) -> None:
        waited.append(seconds)
        steps.pop(0)()

    monkeypatch.setattr("rig.fleet.upload.time.sleep", pause)
    done = upload.follow(growing.run.path, archive, 600.0, quiet)
    assert waited == [600.0] * 3
    assert done.complete
    assert len(RunReader.open(tmp_path / "archive" / "long").series("mains")) == 60


def test_following_goes_on_when_the_place_is_away_for_a_while(
    run: RunDir, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (run.path / rundir.END).unlink()
    copy, said = tmp_path / "archive" / "soak", list[str]()
    rounds = iter([Failing(copy, 100), Failing(copy, 0), Failing(copy, 100)])
    monkeypatch.setattr(upload, "target", lambda _place, _run: next(rounds))

    def pause(_: float) -> None:
        if not rundir.has_ended(run):
            rundir.end_run(run, 1, "over")

    monkeypatch.setattr("rig.fleet.upload.time.sleep", pause)
    assert upload.follow(run.path, "archive", 60.0, said.append).put == ("end.json",)
    assert any("upload failed: could not write end.json: the place is full" in one for one in said)


def test_nothing_of_the_recording_is_changed(run: RunDir, tmp_path: Path) -> None:
    before = {name: OS_DISK.read(run.path / name) for name in names(run.path)}
    upload.upload(run.path, str(tmp_path / "archive"))
    after = {name: OS_DISK.read(run.path / name) for name in names(run.path)}
    assert {name: after[name] for name in before} == before
    assert set(after) - set(before) == {"uploads.json", "upload.lock"}
