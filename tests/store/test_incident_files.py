"""Files attached to incidents: copied whole, never replaced, and found out when they changed."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from rig.domain.model import Event, EventKind
from rig.errors import UsageError
from rig.store import incident_files, rundir
from rig.store.incident_files import LARGEST_BYTES
from rig.store.rundir import RunDir


@pytest.fixture
def run(tmp_path: Path) -> RunDir:
    return rundir.create(tmp_path / "runs", rig="room", created_ns=10**18, software="test")


def source(tmp_path: Path, content: bytes, name: str = "stage.jpg", folder: str = "camera") -> Path:
    path = tmp_path / folder / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(content)
    return path


def entry(run: RunDir, *paths: Path) -> Event:
    kept = incident_files.keep(run, 3, paths)
    files = [{"name": k.file.name, "sha256": k.file.sha256, "size": k.file.size} for k in kept]
    data: dict[str, Any] = {"what": "entry", "number": 3, "files": files}
    return Event(kind=EventKind.INCIDENT, t_ns=1, session=1, seq=1, subject="A1", text="", data=data)


def test_a_file_is_copied_with_its_sum_and_found_good(run: RunDir, tmp_path: Path) -> None:
    event = entry(run, source(tmp_path, b"burnt"))
    assert event.data["files"][0]["sha256"] == hashlib.sha256(b"burnt").hexdigest()
    assert (run.path / "incidents" / "3" / "stage.jpg").read_bytes() == b"burnt"
    assert incident_files.names(run) == ["incidents/3/stage.jpg"]
    assert incident_files.faults(run, event) == (1, [])


def test_the_same_file_again_is_taken_as_it_is_and_another_of_its_name_is_refused(
    run: RunDir, tmp_path: Path
) -> None:
    first = source(tmp_path, b"burnt")
    entry(run, first)
    [again] = incident_files.keep(run, 3, [first])
    assert not again.fresh
    other = source(tmp_path, b"other", folder="phone")
    fine = source(tmp_path, b"fine", name="fine.txt")
    with pytest.raises(UsageError, match="nothing is replaced"):
        incident_files.keep(run, 3, [fine, other])
    assert incident_files.names(run) == ["incidents/3/stage.jpg"], "all of them, or none"
    assert (run.path / "incidents" / "3" / "stage.jpg").read_bytes() == b"burnt"


def test_what_an_order_refused_is_taken_away_but_not_what_was_there(run: RunDir, tmp_path: Path) -> None:
    first = source(tmp_path, b"burnt")
    entry(run, first)
    kept = incident_files.keep(run, 3, [first, source(tmp_path, b"new", name="new.txt")])
    incident_files.forget(kept)
    assert incident_files.names(run) == ["incidents/3/stage.jpg"]


@pytest.mark.parametrize("content", [b"Burnt", b"burnt!", b""])
def test_a_changed_file_is_found(run: RunDir, tmp_path: Path, content: bytes) -> None:
    event = entry(run, source(tmp_path, b"burnt"))
    (run.path / "incidents" / "3" / "stage.jpg").write_bytes(content)
    good, [wrong] = incident_files.faults(run, event)
    assert good == 0
    assert f"{len(content)} bytes" in wrong.reason


def test_a_missing_file_is_found(run: RunDir, tmp_path: Path) -> None:
    event = entry(run, source(tmp_path, b"burnt"))
    (run.path / "incidents" / "3" / "stage.jpg").unlink()
    good, [wrong] = incident_files.faults(run, event)
    assert good == 0
    assert "not readable" in wrong.reason


@pytest.mark.parametrize(("size", "taken"), [(LARGEST_BYTES, True), (LARGEST_BYTES + 1, False)])
def test_a_file_may_be_so_large_and_no_larger(run: RunDir, tmp_path: Path, size: int, taken: bool) -> None:
    path = source(tmp_path, b"")
    with path.open("wb") as file:
        file.truncate(size)  # a hole: nothing is written
    if taken:
        assert len(incident_files.keep(run, 3, [path])) == 1
        return
    with pytest.raises(UsageError, match="at most 50,000,000"):
        incident_files.keep(run, 3, [path])


def test_a_source_that_is_no_file_is_refused(run: RunDir, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="there is no such file"):
        incident_files.keep(run, 3, [tmp_path / "nothing.jpg"])
    assert incident_files.names(run) == []
