"""A sealed pair as one thing: opened by its index, read when it is asked for, and what it lacks in words."""

from __future__ import annotations

import inspect
from dataclasses import replace
from pathlib import Path

import pytest

from rig.domain.model import EventKind
from rig.errors import DamageError, FormatError
from rig.store import catalogue
from rig.store.files import OS_DISK
from rig.store.index import pack
from rig.store.pair import SealedPair
from rig.store.rundir import RunDir
from rig.store.seal import seal
from tests.store.rooms import BOOT_NS, SECOND, UTC_NS, new_run, pair, writer

START_NS, END_NS = UTC_NS, UTC_NS + 9_110_000_000


def sealed_run(folder: Path) -> RunDir:
    run = new_run(folder)
    recorder = writer(run)
    for k in range(10):
        recorder.scans(pair(k))
    recorder.event(EventKind.NOTE, BOOT_NS, "run", "begun")
    recorder.close()
    seal(run)
    return run


def opened(run: RunDir) -> SealedPair:
    (sealed,) = catalogue.look(run.path, OS_DISK).sealed
    return SealedPair.open(run, sealed, OS_DISK)


def test_a_pair_is_made_of_its_run_its_name_a_disk_and_an_index() -> None:
    assert list(inspect.signature(SealedPair).parameters) == ["run", "sealed", "disk", "index", "fault"]


def test_a_good_pair_lacks_nothing_and_gives_what_is_in_it(tmp_path: Path) -> None:
    one = opened(sealed_run(tmp_path))
    assert one.fault == one.missing() == ""
    assert one.unreadable() == []
    mains = one.series("mains")
    assert mains is not None
    assert mains.value.tolist() == [1000.0 + k for k in range(10)]
    assert one.series("none") is None
    assert [event.text for event in one.events()] == ["begun"]


def test_each_file_of_a_pair_is_read_once(tmp_path: Path) -> None:
    run = sealed_run(tmp_path)
    one = opened(run)
    events, summary = one.events(), one.summary()
    assert summary is not None
    for folder in ("events", "summary"):
        one.sealed.path(run.path, folder).unlink()
    assert one.events() is events
    assert one.summary() is summary


def test_a_summary_that_is_not_there_is_looked_for_once_and_one_that_is_wrong_never_again(
    tmp_path: Path,
) -> None:
    run = sealed_run(tmp_path)
    path = opened(run).sealed.path(run.path, "summary")
    raw = path.read_bytes()
    path.unlink()
    without = opened(run)
    assert without.summary() is None
    path.write_bytes(raw)
    assert without.summary() is None
    one = opened(run)
    assert one.summary() is not None
    one.distrust()
    assert one.summary() is None
    early = opened(run)
    early.distrust()
    assert early.summary() is None


@pytest.mark.parametrize("folder", ["readings", "events"])
def test_a_file_that_is_not_there_or_has_another_length_is_named(tmp_path: Path, folder: str) -> None:
    run = sealed_run(tmp_path)
    one = opened(run)
    path = one.sealed.path(run.path, folder)
    size = path.stat().st_size
    with path.open("ab") as file:
        file.write(b"x")
    assert one.missing() == f"{path}: {size} bytes were written, {size + 1} are there"
    path.unlink()
    assert one.missing() == f"{path} is missing"


@pytest.mark.parametrize("damage", ["gone", "flipped"])
def test_without_its_index_a_pair_goes_by_the_copy_in_its_readings(tmp_path: Path, damage: str) -> None:
    run = sealed_run(tmp_path)
    good = opened(run)
    path = good.sealed.index_path(run.path)
    raw = path.read_bytes()
    path.unlink() if damage == "gone" else path.write_bytes(raw[:-9] + b"x" + raw[-8:])
    one = SealedPair.open(run, good.sealed, OS_DISK)
    why = f"{path} is missing" if damage == "gone" else f"{path}: wrong checksum"
    assert one.fault == f"{why}; the copy in the readings file is used"
    assert (one.index.sessions, one.index.channels) == (good.index.sessions, good.index.channels)
    assert one.index.files == {}
    assert one.missing() == ""  # lengths are not known
    assert one.unreadable() == []
    assert one.summary() is None
    good.sealed.path(run.path, "readings").unlink()
    with pytest.raises(FileNotFoundError):
        SealedPair.open(run, good.sealed, OS_DISK)


def test_a_pair_of_another_run_or_of_a_newer_soakrig_is_refused(tmp_path: Path) -> None:
    run = sealed_run(tmp_path)
    one = opened(run)
    other = new_run(tmp_path, name="other")
    for path in one.sealed.paths(run.path):
        (other.path / path.relative_to(run.path)).write_bytes(path.read_bytes())
    with pytest.raises(DamageError, match=f"holds readings of another run, {run.id}"):
        SealedPair.open(other, one.sealed, OS_DISK)
    one.sealed.index_path(run.path).write_bytes(pack(b'{"format": 2}'))
    with pytest.raises(FormatError, match="sealed format 2"):
        SealedPair.open(run, one.sealed, OS_DISK)


def test_what_cannot_be_read_is_noted_channel_by_channel_with_its_time(tmp_path: Path) -> None:
    run = sealed_run(tmp_path)
    one = opened(run)
    for folder in ("readings", "events"):
        path = one.sealed.path(run.path, folder)
        path.write_bytes(bytes(path.stat().st_size))
    notes = one.unreadable()
    assert [(note["channel"], note["rows"]) for note in notes] == [
        ("A1.amps", 10), ("A1.heatsink", 10), ("A1.volts", 10), ("ambient", 10), ("mains", 10), (None, 1)
    ]  # fmt: skip
    assert {note["pair"] for note in notes} == {one.sealed.name}
    assert (notes[0]["start_ns"], notes[0]["end_ns"]) == (UTC_NS + 10_000_000, UTC_NS + 9_010_000_000)
    assert (notes[1]["start_ns"], notes[1]["end_ns"]) == (UTC_NS + 110_000_000, END_NS)
    assert (notes[-1]["start_ns"], notes[-1]["end_ns"]) == (START_NS, END_NS)
    assert "footer damaged" in notes[0]["reason"]
    assert "wrong checksum" in notes[-1]["reason"]


@pytest.mark.parametrize(
    ("kinds", "start_ns", "end_ns", "may"),
    [
        (None, None, None, True),
        ({EventKind.NOTE}, None, None, True),
        ({EventKind.NOTE, EventKind.GAP}, None, None, True),
        ({EventKind.GAP}, None, None, False),
        (None, END_NS, None, True),
        (None, END_NS + 1, None, False),
        (None, None, START_NS, True),
        (None, None, START_NS - 1, False),
        ({EventKind.NOTE}, END_NS + 1, None, False),
    ],
)
def test_a_pair_is_passed_by_only_where_it_cannot_have_such_events(
    tmp_path: Path, kinds: set[EventKind] | None, start_ns: int | None, end_ns: int | None, may: bool
) -> None:
    assert opened(sealed_run(tmp_path)).may_tell(kinds, start_ns, end_ns) is may


def test_a_pair_of_two_sessions_is_passed_by_only_where_both_lie_outside(tmp_path: Path) -> None:
    run = new_run(tmp_path)
    for session, second in ((1, 0), (2, 1000)):
        recorder = writer(run, session=session)
        recorder.event(EventKind.NOTE, BOOT_NS + second * SECOND, "run", "x")
        recorder.close()
    seal(run, finish=True)
    one = opened(run)
    assert one.may_tell(None, UTC_NS + 1, None)
    assert not one.may_tell(None, UTC_NS + 1000 * SECOND + 1, None)


def test_of_a_pair_whose_index_names_no_session_no_time_is_known(tmp_path: Path) -> None:
    run = sealed_run(tmp_path)
    one = opened(run)
    one.index = replace(one.index, sessions={})
    path = one.sealed.path(run.path, "events")
    path.write_bytes(bytes(path.stat().st_size))
    (note,) = one.unreadable()
    assert (note["start_ns"], note["end_ns"]) == (None, None)
    assert one.may_tell(None, END_NS + 1, None)
