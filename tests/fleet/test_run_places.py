"""Runs are found wherever they are, opened by their address, and read the same from an object store."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow.fs
import pytest

from rig.domain.model import EventKind
from rig.errors import DamageError, FormatError, StoreError, UsageError
from rig.fleet import object_store, run_places, upload
from rig.fleet.object_store import Bucket, ObjectDisk
from rig.fleet.run_questions import DigestQuestion, Summarise, answered, facts_of
from rig.store.reader import RunReader
from rig.store.rundir import RunDir
from rig.store.verify import verify
from tests.fleet import makers, peers
from tests.fleet.makers import Recipe


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> RunDir:
    return makers.make(tmp_path_factory.mktemp("runs"), Recipe(name="soak", hot=(30, 40), dies_s=80))


@pytest.fixture(scope="module")
def bucket(run: RunDir, tmp_path_factory: pytest.TempPathFactory) -> Bucket:
    """Return a store whose keys are the names below a folder, with the run in it."""
    folder = tmp_path_factory.mktemp("store")
    upload.upload(run.path, str(folder / "bucket" / "archive"))
    return Bucket(system=pyarrow.fs.SubTreeFileSystem(str(folder), pyarrow.fs.LocalFileSystem()))


@pytest.fixture
def far(bucket: Bucket) -> RunReader:
    key = "bucket/archive/soak"
    return RunReader.open(object_store.place_of(key), ObjectDisk(bucket, key))


def test_a_run_in_a_store_reads_like_the_one_on_disk(run: RunDir, far: RunReader) -> None:
    near = RunReader.open(run.path)
    assert far.layout == near.layout
    assert far.span == near.span
    assert far.sessions == near.sessions
    assert far.events() == near.events()
    assert far.channels() == near.channels()
    for channel in near.channels():
        one, two = near.series(channel), far.series(channel)
        for column in ("t_ns", "h_ns", "value", "status", "session"):
            assert np.array_equal(getattr(one, column), getattr(two, column), equal_nan=column == "value")
    assert far.skipped == ()
    assert verify(far.path, far.disk).faults == ()


def test_objects_too_large_to_keep_are_read_in_ranges(
    far: RunReader, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(object_store, "WHOLE", 0)
    assert len(far.series("A1.heatsink")) == 120
    assert len(far.events()) == 3


def test_what_is_at_hand_stays_within_bounds(far: RunReader, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(object_store, "AT_HAND", 1)
    assert [len(far.series(name)) for name in far.channels()] == [120] * 8


def test_nothing_can_be_written_into_a_run_in_a_store(far: RunReader) -> None:
    disk, path = far.disk, far.path / "run.json"
    for deed in (
        lambda: disk.create(path),
        lambda: disk.reopen(path),
        lambda: disk.rename(path, path),
        lambda: disk.remove(path),
        lambda: disk.make_dir(path),
        lambda: disk.sync_dir(path),
        lambda: disk.space(path),
    ):
        with pytest.raises(OSError, match="only read"):
            deed()


def test_a_damaged_object_is_left_out_and_named(
    run: RunDir, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    upload.upload(run.path, str(tmp_path / "bucket"))
    victim = next((tmp_path / "bucket" / "soak" / "readings").iterdir())
    raw = bytearray(victim.read_bytes())
    for at in range(len(raw) // 3, len(raw) // 2):
        raw[at] ^= 0xFF
    victim.write_bytes(raw)
    system = pyarrow.fs.SubTreeFileSystem(str(tmp_path), pyarrow.fs.LocalFileSystem())
    far = RunReader.open(
        object_store.place_of("bucket/soak"), ObjectDisk(Bucket(system=system), "bucket/soak")
    )
    lengths = [len(far.series(name)) for name in RunReader.open(run.path).channels()]
    assert 0 in lengths
    assert any("damaged" in one.reason for one in far.skipped)
    assert "s3:/bucket/soak/readings" in str(far.skipped[0].path)
    assert verify(far.path, far.disk).faults


def test_no_run_and_a_newer_run_are_told_apart(bucket: Bucket, run: RunDir, tmp_path: Path) -> None:
    with pytest.raises(FormatError, match=r"s3:/bucket/nothing is not a run directory"):
        RunReader.open(object_store.place_of("bucket/nothing"), ObjectDisk(bucket, "bucket/nothing"))
    (tmp_path / "x").mkdir()
    (tmp_path / "x" / "run.json").write_text("{", "utf-8")
    with pytest.raises(DamageError, match="is damaged"):
        run_places.open_run(str(tmp_path / "x"))


def test_runs_are_found_at_any_depth_and_never_inside_a_run(run: RunDir, tmp_path: Path) -> None:
    for where in ("a/b/c", "a", "z"):
        upload.upload(run.path, str(tmp_path / where))
    (tmp_path / "z" / "soak" / "damaged" / "run.json").parent.mkdir(exist_ok=True)
    (tmp_path / "z" / "soak" / "damaged" / "run.json").write_text("{}", "utf-8")
    (tmp_path / ".hidden").mkdir()
    expected = [str(tmp_path / one / "soak") for one in ("a/b/c", "a", "z")]
    assert run_places.find([str(tmp_path)]) == expected
    assert run_places.find([str(tmp_path / "a"), str(tmp_path / "a" / "soak")]) == expected[:2]
    assert run_places.single(str(tmp_path / "z")) == expected[2]


def test_places_without_runs_are_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no runs in"):
        run_places.find([str(tmp_path)])
    with pytest.raises(UsageError, match="is not a folder"):
        run_places.find([str(tmp_path / "absent")])


@pytest.mark.parametrize(
    "address", ["s3://", "s3:///key", "s3://a:b@bucket/key", "s3://bucket/key?x=1", "s3://bucket/../other"]
)
def test_an_address_that_makes_no_sense_or_holds_a_secret_is_refused(address: str) -> None:
    with pytest.raises(UsageError):
        object_store.parsed(address)


def test_an_endpoint_that_is_none_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AWS_ENDPOINT_URL", "nonsense")
    with pytest.raises(UsageError, match="AWS_ENDPOINT_URL is 'nonsense'"):
        object_store.connect()


def test_a_store_that_is_down_is_said_so_and_stops_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://127.0.0.1:{peers.free_port()}")
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "x")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "y")
    monkeypatch.setattr(object_store.connect, "__defaults__", (1,))
    with pytest.raises(StoreError, match=r"could not list s3://bucket/key: .*AWS_ENDPOINT_URL"):
        run_places.find(["s3://bucket/key"])
    answer = answered(Summarise(), "s3://bucket/key")
    assert answer.value is None
    assert "could not list" in answer.error


def test_a_run_that_cannot_be_read_answers_with_the_reason(tmp_path: Path) -> None:
    (tmp_path / "run.json").write_text('{"soakrig": "run", "format": 99}', "utf-8")
    answer = answered(DigestQuestion(), str(tmp_path))
    assert (answer.value, "format 99" in answer.error) == (None, True)


def test_a_copy_of_a_run_that_was_not_stopped_claims_no_crash(tmp_path: Path) -> None:
    run = makers.make(tmp_path / "runs", Recipe(name="soak", seconds=20, stopped=False, sealed=False))
    assert facts_of(RunReader.open(run.path), str(run.path)).state == "crashed"
    upload.upload(run.path, str(tmp_path / "archive"))
    copy = str(tmp_path / "archive" / "soak")
    assert facts_of(run_places.open_run(copy), copy).state == "unfinished copy"


@pytest.fixture(scope="module")
def served() -> Iterator[peers.Store]:
    with peers.store("rooms") as store, pytest.MonkeyPatch.context() as patch:
        for name, value in store.environment.items():
            patch.setenv(name, value)
        yield store


@pytest.mark.slow
def test_a_real_s3_server_takes_and_gives_back_a_run(served: peers.Store, run: RunDir) -> None:
    done = upload.upload(run.path, "s3://rooms/one")
    assert done.address == "s3://rooms/one/soak"
    assert run_places.find(["s3://rooms"]) == ["s3://rooms/one/soak"]
    far = run_places.open_run(run_places.single("s3://rooms"))
    assert verify(far.path, far.disk).faults == ()
    assert far.events() == RunReader.open(run.path).events()
    assert any(event.kind is EventKind.LIMIT_OUT for event in far.events())
    assert upload.upload(run.path, "s3://rooms/one").put == ()


@pytest.mark.slow
def test_an_object_that_vanished_from_the_server_is_put_again(served: peers.Store, run: RunDir) -> None:
    upload.upload(run.path, "s3://rooms/two")
    served.system().delete_file("rooms/two/soak/sessions/s0001.json")
    assert upload.upload(run.path, "s3://rooms/two").put == ("sessions/s0001.json",)


@pytest.mark.slow
def test_a_bucket_that_is_not_there_is_named(served: peers.Store, run: RunDir) -> None:
    with pytest.raises((StoreError, UsageError), match="absent"):
        upload.upload(run.path, "s3://absent/x")


@pytest.mark.slow
def test_a_server_that_dies_on_the_way_leaves_an_upload_that_goes_on(
    run: RunDir, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The server keeps nothing over its death, so all is put again; whatever the ledger says."""
    port = peers.free_port()
    with peers.store("rooms", port=port) as store:
        for name, value in store.environment.items():
            monkeypatch.setenv(name, value)
        first = upload.upload(run.path, "s3://rooms/three")
    monkeypatch.setattr(object_store.connect, "__defaults__", (1,))
    with pytest.raises(StoreError, match="could not list"):
        upload.upload(run.path, "s3://rooms/three")
    with peers.store("rooms", port=port):
        again = upload.upload(run.path, "s3://rooms/three")
        assert again.put == first.put
        far = run_places.open_run("s3://rooms/three/soak")
        assert verify(far.path, far.disk).faults == ()
